//! An enclosure's last days in a few numbers, for the letters: time in band, lowest and highest of either end, effort.

use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};

/// Days kept, today included.
const DAYS: usize = 8;
/// A reading speaks for the time since the one before, but for no longer than this.
const SPEAKS_FOR: Span = Span::min(15);

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Day {
    day: i32,
    watched: Span,
    in_band: Span,
    hot: Option<(f64, f64)>,
    cool: Option<(f64, f64)>,
    power_ws: f64,
    power_for: Span,
}

impl Day {
    const fn new(day: i32) -> Day {
        Day {
            day,
            watched: Span::ZERO,
            in_band: Span::ZERO,
            hot: None,
            cool: None,
            power_ws: 0.0,
            power_for: Span::ZERO,
        }
    }
}

/// Which end of the gradient a reading is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    Hot,
    Cool,
    Between,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Days {
    days: Vec<Day>,
    last: Option<Mono>,
    last_power: Option<(Mono, f64)>,
}

/// The sum of the days that are kept.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    /// Share of the watched time, 0–1.
    pub in_band: Option<f64>,
    pub hot: Option<(f64, f64)>,
    pub cool: Option<(f64, f64)>,
    /// Mean power of the heat, W.
    pub power_w: Option<f64>,
}

fn widen(range: &mut Option<(f64, f64)>, value: f64) {
    let (low, high) = range.unwrap_or((value, value));
    *range = Some((low.min(value), high.max(value)));
}

impl Days {
    fn today(&mut self, day: i32) -> &mut Day {
        let known = self.days.iter().rposition(|d| d.day == day);
        let at = known.unwrap_or_else(|| {
            if self.days.len() == DAYS {
                self.days.remove(0);
            }
            self.days.push(Day::new(day));
            self.days.len() - 1
        });
        &mut self.days[at]
    }

    /// A trusted temperature. `well`: every place of the enclosure is in its band by what is known now.
    pub fn hear(&mut self, end: End, celsius: f64, well: bool, day: i32, now: Now) {
        let span = self.last.map_or(Span::ZERO, |last| now.mono.since(last).clamp(Span::ZERO, SPEAKS_FOR));
        self.last = Some(now.mono);
        let today = self.today(day);
        today.watched = today.watched + span;
        if well {
            today.in_band = today.in_band + span;
        }
        match end {
            End::Hot => widen(&mut today.hot, celsius),
            End::Cool => widen(&mut today.cool, celsius),
            End::Between => {}
        }
    }

    pub fn hear_power(&mut self, power_w: f64, day: i32, now: Now) {
        if let Some((then, before)) = self.last_power.replace((now.mono, power_w)) {
            let span = now.mono.since(then).clamp(Span::ZERO, SPEAKS_FOR);
            let today = self.today(day);
            today.power_ws += before * span.as_s();
            today.power_for = today.power_for + span;
        }
    }

    pub fn sum(&self) -> Sum {
        let mut sum = Sum::default();
        let (mut watched, mut in_band, mut power, mut power_for) = (Span::ZERO, Span::ZERO, 0.0, Span::ZERO);
        for day in &self.days {
            (watched, in_band) = (watched + day.watched, in_band + day.in_band);
            (power, power_for) = (power + day.power_ws, power_for + day.power_for);
            for (low, high) in day.hot.into_iter() {
                widen(&mut sum.hot, low);
                widen(&mut sum.hot, high);
            }
            for (low, high) in day.cool.into_iter() {
                widen(&mut sum.cool, low);
                widen(&mut sum.cool, high);
            }
        }
        sum.in_band = (watched > Span::ZERO).then(|| in_band.as_s() / watched.as_s());
        sum.power_w = (power_for > Span::ZERO).then(|| power / power_for.as_s());
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_is_summed_and_a_hole_does_not_count() {
        let mut days = Days::default();
        for minute in 0..60i64 {
            days.hear(End::Hot, 30.0 + minute as f64 / 60.0, minute % 4 != 0, 1, Now::at(minute * 60_000));
        }
        days.hear(End::Cool, 24.0, true, 2, Now::at(90_000_000));
        let sum = days.sum();
        assert!((sum.in_band.unwrap() - (45.0 + 15.0) / (59.0 + 15.0)).abs() < 1e-9, "{sum:?}");
        assert_eq!(sum.cool, Some((24.0, 24.0)));
        for day in 3..30 {
            days.hear(End::Hot, 20.0, true, day, Now::at(100_000_000));
        }
        assert_eq!(days.sum().hot, Some((20.0, 20.0)), "old days are forgotten");
    }
}
