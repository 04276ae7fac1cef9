//! A place's last hours as means of two minutes, for the picture of a mail: bounded, and small beside what judges know.

use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// One mean.
const STEP: Span = Span::min(2);
/// Means kept: four hours. With them a place costs 240 bytes, 300 enclosures of three places some 200 kB.
const MOST: usize = 120;
/// Nothing was heard.
const HOLE: i16 = i16::MIN;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Trail {
    /// The step that is being heard, counted from the monotonic clock's zero.
    step: i64,
    sum: f64,
    heard: u32,
    /// Of the steps before it, oldest first; hundredths of °C.
    means: Vec<i16>,
    /// How far these went within an hour: asked with each reading of each neighbour, and changed by a new mean alone.
    #[serde(skip)]
    went: Option<(f64, f64)>,
}

impl Trail {
    /// A trusted reading.
    pub fn hear(&mut self, celsius: f64, now: Mono) {
        if !celsius.is_finite() {
            return;
        }
        let step = now.as_ms().div_euclid(STEP.as_ms());
        if self.heard > 0 && step > self.step {
            self.push(hundredths(self.sum / f64::from(self.heard)));
            let missed = usize::try_from(step - self.step - 1).unwrap_or(MOST).min(MOST);
            (0..missed).for_each(|_| self.push(HOLE));
            (self.sum, self.heard) = (0.0, 0);
            self.went = Some(self.reckon());
        }
        self.step = step.max(self.step);
        self.sum += celsius;
        self.heard = self.heard.saturating_add(1);
    }

    fn push(&mut self, mean: i16) {
        if self.means.len() >= MOST {
            self.means.remove(0);
        }
        self.means.push(mean);
    }

    /// The furthest it went up and down within an hour of these hours, K: the first is 0 or more, the second 0 or less.
    pub fn went_in_an_hour(&self) -> (f64, f64) {
        self.went.unwrap_or_else(|| self.reckon())
    }

    fn reckon(&self) -> (f64, f64) {
        let hour = (3_600_000 / STEP.as_ms()) as usize;
        let pairs = self.means.iter().zip(self.means.get(hour..).unwrap_or_default());
        // In whole hundredths, without a branch: eight at once, where kelvin one by one were a tenth of all that a reading costs.
        let moved =
            |(then, now): (&i16, &i16)| if *then == HOLE || *now == HOLE { 0 } else { now.saturating_sub(*then) };
        let (up, down) = pairs.map(moved).fold((0, 0), |(up, down), moved| (moved.max(up), moved.min(down)));
        (f64::from(up) / 100.0, f64::from(down) / 100.0)
    }

    /// The middle of each step and its mean, °C, oldest first; what was not heard is left out.
    pub fn points(&self) -> impl Iterator<Item = (Mono, f64)> + '_ {
        let first = self.step - self.means.len() as i64;
        let middle = |step: i64| Mono::from_ms(step.saturating_mul(STEP.as_ms()).saturating_add(STEP.as_ms() / 2));
        let means = self.means.iter().zip(first..).filter(|(mean, _)| **mean != HOLE);
        let means = means.map(move |(mean, step)| (middle(step), f64::from(*mean) / 100.0));
        let now = (self.heard > 0).then(|| (middle(self.step), self.sum / f64::from(self.heard)));
        means.chain(now)
    }
}

fn hundredths(celsius: f64) -> i16 {
    (celsius * 100.0).round().clamp(f64::from(HOLE) + 1.0, f64::from(i16::MAX)) as i16
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_far_it_went_within_an_hour() {
        let mut trail = Trail::default();
        // Two hours still, one of 3 K up, half an hour of 1 K down.
        for minute in 0..210_i64 {
            let up = (minute - 120).clamp(0, 60) as f64 / 20.0;
            let down = (minute - 180).clamp(0, 30) as f64 / 30.0;
            trail.hear(25.0 + up - down, Mono::from_ms(minute * 60_000));
        }
        let (up, down) = trail.went_in_an_hour();
        assert!((up - 3.0).abs() < 0.11 && down == 0.0, "{up} {down}: it came down from where it had gone up");
    }

    #[test]
    fn means_of_two_minutes_and_holes_stay_holes() {
        let mut trail = Trail::default();
        for s in (0..3_600).step_by(30).filter(|s| !(600..1_200).contains(s)) {
            trail.hear(30.0 + f64::from(s) / 3_600.0, Mono::from_ms(i64::from(s) * 1_000));
        }
        let points: Vec<_> = trail.points().collect();
        assert_eq!(points.len(), 25, "30 steps, 5 of them a hole");
        assert_eq!(points[0], (Mono::from_ms(60_000), 30.01), "0, 30, 60 and 90 s");
        assert!(points.windows(2).any(|w| w[1].0.since(w[0].0) == Span::min(12)), "the hole");
        assert!((points[24].1 - 30.98).abs() < 0.01);
    }

    #[test]
    fn it_is_bounded_whatever_it_hears() {
        let mut trail = Trail::default();
        for (i, celsius) in [1e300, -1e300, f64::NAN, 20.0].into_iter().cycle().take(4_000).enumerate() {
            trail.hear(celsius, Mono::from_ms(i as i64 * 100_000));
        }
        trail.hear(20.0, Mono::MAX);
        assert!(trail.means.len() <= MOST);
        trail.hear(20.0, Mono::from_ms(0));
        assert!(trail.points().count() <= MOST + 1);
    }
}
