//! From which levels a side has always come back, and how far past them is too far: the reference and its threshold.
//!
//! Peaks over threshold with an exponential tail (Pickands 1975; on streams: Siffer et al. 2017, doi
//! 10.1145/3097983.3098144): every healthy return that undercuts the reference adds an excess; their mean is the scale `β`,
//! the threshold is where the expected number of false excesses a year meets the budget.

use super::rings::{Habit, Recent};
use super::tuning::Tuning;
use serde::{Deserialize, Serialize};

/// The least threshold of a level before its factor, K: an animal that lies down on a probe moves it by more than noise does.
pub const LEAST_K: f64 = 0.45;

/// The most, before its factor, K: whoever's level strays further in health is told by what was missed, not by a blind watch.
const MOST_K: f64 = 2.0;

/// Share of the days' disagreement that a level may go past their habit, and the most that this can be, K.
const UNSETTLED: f64 = 0.6;
const MOST_UNSETTLED_K: f64 = 2.0;

/// What the first day's excesses weigh from the second on.
const FIRST_DAY: f64 = 0.1;

/// How long returns are remembered, min: some intervals between them, within these.
const LEAST_REACH_MIN: f64 = 40.0;
const MOST_REACH_MIN: f64 = 180.0;

/// False excesses of one tracker in a year that noise may cause.
const BUDGET_A_YEAR: f64 = 0.03;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Levels {
    recent: Recent,
    habit: Habit,
    /// Returns counted and how many of them went below the reference.
    n: f64,
    n_positive: f64,
    sum_excess: f64,
    /// Mean minutes between returns.
    interval: f64,
    last_return: f64,
    /// How far the returns of these hours lie below the habit of theirs, K (0 or less): a turned dial, a colder room.
    shift: f64,
    /// Whether the excesses are those of days that had a day before them.
    #[serde(default)]
    settled: bool,
    beta: f64,
    h: f64,
}

/// A reference: the level, and how it is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reference {
    /// The lowest level of return; infinite when none is known.
    pub level: f64,
    pub recent: f64,
    pub habit: f64,
    /// The habit as the days had it, whatever the returns of late say.
    pub usual: f64,
    /// The lowest that any of the days had.
    pub lowest: f64,
    /// Days that speak for this clock time, 0 to 3, and by how much they differ, K.
    pub days: u8,
    pub range: f64,
}

impl Levels {
    pub fn reference(&mut self, t: f64, day: i32, minute: u16) -> Reference {
        let reach = if self.interval > 0.0 { 2.5 * self.interval } else { MOST_REACH_MIN };
        let reach = reach.clamp(LEAST_REACH_MIN, MOST_REACH_MIN);
        let (habit, days) = self.habit.lowest(day, minute);
        let usual = habit;
        let habit = habit + self.shift;
        let mut recent = self.recent.lowest(t, reach);
        if !recent.is_finite() && days == 0 {
            recent = self.recent.last();
        }
        let lowest = self.habit.with_yesterday();
        Reference { level: recent.min(habit), recent, habit, usual, lowest, days, range: self.habit.range() }
    }

    /// Every level of ordinary life, by clock time.
    pub fn live(&mut self, day: i32, minute: u16, x: f64) {
        self.habit.note(day, minute, x);
    }

    /// The lowest level of a day in the bin of this clock time, or in one so many bins before or after; `None`: not seen.
    pub fn of_hour(&self, day: i32, minute: u16, bins: i32) -> Option<f64> {
        self.habit.of_bin(day, minute, bins)
    }

    /// The lowest level of the earlier days at whatever hour.
    pub fn of_all_hours(&self, day: i32) -> f64 {
        self.habit.lowest_of_all(day)
    }

    /// A return from `level` against the reference of that moment. Only a clean one, outside any alarm, adds to the tail.
    pub fn returned(&mut self, t: f64, level: f64, reference: Reference, clean: bool) {
        self.recent.note(t, level);
        if reference.days > 0 {
            let below = (level - (reference.habit - self.shift)).clamp(-10.0, 0.0);
            self.shift += 0.3 * (below - self.shift);
        }
        if self.last_return > 0.0 {
            let since = (t - self.last_return).clamp(0.0, 600.0);
            self.interval += (since - self.interval) * (1.0 / (self.n + 1.0)).max(0.05);
        }
        self.last_return = t;
        if !clean {
            return;
        }
        if reference.days > 0 && !self.settled {
            // The first day knew no hours: what it took for an excess was most often the trough that every cycle has.
            self.settled = true;
            for sum in [&mut self.n, &mut self.n_positive, &mut self.sum_excess] {
                *sum *= FIRST_DAY;
            }
        }
        self.n += 1.0;
        let excess = reference.level - level;
        if excess.is_finite() && excess > 0.0 {
            self.n_positive += 1.0;
            self.sum_excess += excess.min(4.0 * self.beta.max(0.06));
        }
        if self.n_positive > 400.0 {
            self.n /= 2.0;
            self.n_positive /= 2.0;
            self.sum_excess /= 2.0;
        }
        self.h = 0.0;
    }

    /// How far past the reference is too far, K. Kept until the next return.
    pub fn threshold(&mut self, s_x: f64, least: f64, tuning: &Tuning) -> f64 {
        if self.h > 0.0 {
            return self.h;
        }
        let prior = (0.7 * s_x).max(0.06);
        self.beta = (8.0 * prior + self.sum_excess) / (8.0 + self.n_positive);
        let a_day = if self.interval > 0.0 { (1_440.0 / self.interval).max(20.0) } else { 20.0 };
        let share = (self.n_positive + 2.0) / (self.n + 8.0);
        let l = libm::log((365.0 * a_day * share / BUDGET_A_YEAR).max(400.0));
        self.h = tuning.threshold * (self.beta * libm::pow(l.max(3.0), 0.9)).clamp(least, MOST_K);
        self.h
    }

    /// What the days themselves disagree by at this hour is no fault, K: a dial turned yesterday, a lamp on other days only.
    pub fn unsettled(&self, reference: &Reference) -> f64 {
        if reference.habit <= reference.recent { (UNSETTLED * self.habit.spread()).min(MOST_UNSETTLED_K) } else { 0.0 }
    }

    /// Bytes beside the struct itself.
    pub fn heap_bytes(&self) -> usize {
        self.habit.heap_bytes()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_threshold_meets_the_budget_for_exponential_excesses() {
        // With an exponential tail of scale β the chance to pass h is e^(−h/β); rate × chance must be below the budget.
        let mut levels = Levels::default();
        let mut state = 7u64;
        for k in 0..4_000 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let u = ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
            levels.threshold(0.02, LEAST_K, &Tuning { threshold: 1.0, ..Tuning::default() });
            let reference = Reference { level: 30.0, ..Reference::default() };
            levels.returned(f64::from(k) * 30.0, 30.0 + 0.2 * libm::log(u), reference, true);
        }
        let tuning = Tuning { threshold: 1.5, ..Tuning::default() };
        let h = levels.threshold(0.02, LEAST_K, &tuning);
        let a_year = 365.0 * 48.0 * libm::exp(-h / 0.2);
        assert!(a_year < 0.2 && h < 5.0, "h {h}, {a_year} a year");
    }

    #[test]
    fn without_any_return_there_is_no_reference() {
        let mut levels = Levels::default();
        assert_eq!(levels.reference(10.0, 0, 600).level, f64::INFINITY);
    }
}
