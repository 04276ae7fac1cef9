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
    /// How long it was known whether light is as planned, and how long it was.
    #[serde(default)]
    light_known: Span,
    #[serde(default)]
    light_right: Span,
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
            light_known: Span::ZERO,
            light_right: Span::ZERO,
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

/// How it went at a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Went {
    /// The place that spoke is in its band.
    pub well: bool,
    /// `None`: no light is planned, or nothing tells of it.
    pub lit_as_planned: Option<bool>,
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
    /// Mean power of the last days against that of the first ones, W; `None`: too few of them.
    pub power_change_w: Option<f64>,
    /// Share of the time in which light was as planned, 0–1.
    pub light: Option<f64>,
    /// Of each of the last [`WEEK`] days, oldest first: minutes out of band; `None`: not watched.
    pub out_min: [Option<f64>; WEEK],
}

/// Days of a letter.
pub const WEEK: usize = 7;
/// Days at either end of a week whose effort is compared.
const ENDS: usize = 2;
/// A day's effort counts when it was known for so long.
const DAYS_WORK: Span = Span::h(12);

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

    /// A trusted temperature.
    pub fn hear(&mut self, end: End, celsius: f64, went: Went, day: i32, now: Now) {
        let span = self.last.map_or(Span::ZERO, |last| now.mono.since(last).clamp(Span::ZERO, SPEAKS_FOR));
        self.last = Some(now.mono);
        let today = self.today(day);
        today.watched = today.watched + span;
        if went.well {
            today.in_band = today.in_band + span;
        }
        if let Some(right) = went.lit_as_planned {
            today.light_known = today.light_known + span;
            today.light_right = today.light_right + if right { span } else { Span::ZERO };
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
        sum.power_change_w = self.power_change_w();
        let known = self.days.iter().fold(Span::ZERO, |sum, d| sum + d.light_known);
        let right = self.days.iter().fold(Span::ZERO, |sum, d| sum + d.light_right);
        sum.light = (known > Span::ZERO).then(|| right.as_s() / known.as_s());
        let last = self.days.last().map_or(0, |d| d.day);
        for day in &self.days {
            let ago = usize::try_from(last - day.day).unwrap_or(WEEK);
            if let Some(slot) = WEEK.checked_sub(ago + 1).and_then(|i| sum.out_min.get_mut(i)) {
                *slot = (day.watched > Span::ZERO).then(|| (day.watched - day.in_band).as_min());
            }
        }
        sum
    }

    fn power_change_w(&self) -> Option<f64> {
        let means: Vec<f64> =
            self.days.iter().filter(|d| d.power_for >= DAYS_WORK).map(|d| d.power_ws / d.power_for.as_s()).collect();
        let mean = |those: &[f64]| those.iter().sum::<f64>() / those.len() as f64;
        // A change needs days between its ends.
        (means.len() > 2 * ENDS).then(|| mean(&means[means.len() - ENDS..]) - mean(&means[..ENDS]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_week_is_summed_and_a_hole_does_not_count() {
        let mut days = Days::default();
        for minute in 0..60i64 {
            let went = Went { well: minute % 4 != 0, lit_as_planned: Some(minute % 2 == 0) };
            days.hear(End::Hot, 30.0 + minute as f64 / 60.0, went, 1, Now::at(minute * 60_000));
        }
        let well = Went { well: true, lit_as_planned: None };
        days.hear(End::Cool, 24.0, well, 2, Now::at(90_000_000));
        let sum = days.sum();
        assert!((sum.in_band.unwrap() - (45.0 + 15.0) / (59.0 + 15.0)).abs() < 1e-9, "{sum:?}");
        assert_eq!(sum.cool, Some((24.0, 24.0)));
        assert_eq!(sum.out_min, [None, None, None, None, None, Some(14.0), Some(0.0)]);
        assert!((sum.light.unwrap() - 29.0 / 59.0).abs() < 1e-9, "{sum:?}");
        for day in 3..30 {
            days.hear(End::Hot, 20.0, well, day, Now::at(100_000_000));
        }
        assert_eq!(days.sum().hot, Some((20.0, 20.0)), "old days are forgotten");
    }

    #[test]
    fn a_heater_that_works_harder_by_the_day_shows_and_two_days_are_no_week() {
        let mut days = Days::default();
        for hour in 0..7 * 24i64 {
            let (day, power_w) = ((hour / 24) as i32, 40.0 + 2.0 * (hour / 24) as f64);
            for minute in 0..60 {
                days.hear_power(power_w, day, Now::at((hour * 60 + minute) * 60_000));
            }
            if hour == 47 {
                assert_eq!(days.sum().power_change_w, None);
            }
        }
        // 40 and 42 W at first, 50 and 52 W at last.
        assert!((days.sum().power_change_w.unwrap() - 10.0).abs() < 0.1, "{:?}", days.sum());
    }
}
