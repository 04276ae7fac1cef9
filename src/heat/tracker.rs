//! One side of one level: falls from a peak, returns from a trough, and how far the level has gone past every return.
//!
//! Under a thermostat the level is defended, not its course: falling fast is half of healthy life, being below every
//! level of return and still falling never is. The high side is the same tracker on the negative of its level.

use super::levels::{LEAST_K, Levels, Reference};
use super::tuning::Tuning;
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Tracker {
    pub levels: Levels,
    pub peak: f64,
    pub peak_t: f64,
    pub min: f64,
    pub min_t: f64,
    /// The other end's level at the peak, for its share in the fall; NaN when unknown.
    other_at_peak: f64,
    held_since: f64,
    held_noted: f64,
    started: bool,
    /// Minute since which the undercut has been past the threshold.
    pub past_since: Option<f64>,
    pub undercut: f64,
    pub threshold: f64,
    #[serde(skip)]
    pub reference: Reference,
}

/// What the tracker is told about a reading beside its level.
#[derive(Clone, Copy, Debug)]
pub struct Now {
    pub t: f64,
    pub day: i32,
    pub minute: u16,
    pub s_x: f64,
    pub step: f64,
    pub v: f64,
    /// Natural speed of a fall, K/min: slower than a fifth of it is holding.
    pub natural: f64,
    /// The other end's level (as the tracker's sign has it), NaN when unknown.
    pub other: f64,
    /// Whether levels may be learned at all, and whether this fall is clean enough for the tail.
    pub learn: bool,
    pub clean: bool,
    /// Whether the clock-time habit takes this level.
    pub live: bool,
    /// 1.3 for a gradient, whose noise is that of two probes.
    pub slack: f64,
}

/// A fall that ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fall {
    pub depth: f64,
    pub peak: f64,
    pub peak_t: f64,
    pub minutes: f64,
    pub other_share: Option<f64>,
    /// Whether it ended by a rise, not by holding.
    pub turned: bool,
}

impl Default for Tracker {
    fn default() -> Tracker {
        Tracker {
            levels: Levels::default(),
            peak: 0.0,
            peak_t: 0.0,
            min: 0.0,
            min_t: 0.0,
            other_at_peak: f64::NAN,
            held_since: f64::INFINITY,
            held_noted: f64::NEG_INFINITY,
            started: false,
            past_since: None,
            undercut: f64::NEG_INFINITY,
            threshold: 1.0,
            reference: Reference::default(),
        }
    }
}

impl Tracker {
    /// One level. Returns the fall that ended with it, if one did.
    pub fn step(&mut self, x: f64, now: &Now, tuning: &Tuning) -> Option<Fall> {
        if !self.started {
            self.begin(x, now);
        }
        self.reference = self.levels.reference(now.t, now.day, now.minute);
        let least = self.levels.threshold(now.s_x * now.slack, LEAST_K, tuning);
        self.threshold = least.max(self.levels.unsettled(&self.reference));
        if now.live {
            self.levels.live(now.day, now.minute, x);
        }
        if x > self.peak {
            (self.peak, self.peak_t, self.other_at_peak) = (x, now.t, now.other);
            (self.min, self.min_t) = (x, now.t);
        }
        if x < self.min {
            (self.min, self.min_t) = (x, now.t);
        }
        // First how far it is past: a level that was reached by a jump, far below, is no return from there.
        self.undercut = if self.reference.level.is_finite() { self.reference.level - x } else { f64::NEG_INFINITY };
        let ended = self.ended(x, now);
        if self.undercut >= self.threshold {
            self.past_since.get_or_insert(now.t);
        } else if self.undercut < 0.8 * self.threshold {
            self.past_since = None;
        }
        ended
    }

    fn begin(&mut self, x: f64, now: &Now) {
        (self.peak, self.peak_t, self.other_at_peak) = (x, now.t, now.other);
        (self.min, self.min_t) = (x, now.t);
        self.started = true;
    }

    fn ended(&mut self, x: f64, now: &Now) -> Option<Fall> {
        let mut need = now.slack * (3.0 * now.s_x).max(0.12).max(0.7 * now.step);
        if self.undercut.is_finite() && self.undercut > 0.5 * self.threshold {
            need = need.max(0.5 * (self.reference.level - self.min));
        }
        let turned = self.peak - self.min >= need && x > self.min + need;
        let held = self.held(now);
        if !turned && !held {
            return None;
        }
        let fall = Fall {
            depth: self.peak - self.min,
            peak: self.peak,
            peak_t: self.peak_t,
            minutes: self.min_t - self.peak_t,
            other_share: self.share(self.min, now.other),
            turned,
        };
        if now.learn {
            self.levels.returned(now.t, self.min, self.reference, now.clean);
        }
        self.begin(x, now);
        Some(fall)
    }

    /// A level that is held counts as a return, at most every ten minutes.
    fn held(&mut self, now: &Now) -> bool {
        if now.v < -0.2 * now.natural {
            self.held_since = f64::INFINITY;
            return false;
        }
        if self.held_since.is_infinite() {
            self.held_since = now.t;
        }
        let old = self.past_since.is_some_and(|since| now.t - since > 60.0);
        let shallow = self.undercut.is_nan() || self.undercut < 0.5 * self.threshold || old;
        if now.t - self.held_since < 4.0 || now.t - self.held_noted < 10.0 || !shallow {
            return false;
        }
        self.held_noted = now.t;
        true
    }

    /// Which share of the fall so far the other end has taken, 0 when it rose; `None` when unknown or the fall is slight.
    pub fn share(&self, x: f64, other: f64) -> Option<f64> {
        let drop = self.peak - x;
        let taken = self.other_at_peak - other;
        (drop > 0.1 && taken.is_finite()).then(|| (taken / drop).clamp(-1.0, 2.0))
    }

    /// How far the other end was below at the peak of the fall that goes on; NaN when unknown.
    pub fn apart_at_peak(&self) -> f64 {
        self.peak - self.other_at_peak
    }

    /// The fall in progress is cut off: a gap, a moved probe.
    pub fn cut(&mut self) {
        self.started = false;
        self.past_since = None;
        self.undercut = f64::NEG_INFINITY;
        self.held_since = f64::INFINITY;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The least undercut, K, of the half hour after a jump at this minute from 30 to 21 °C.
    fn least_after(jump_min: i32) -> f64 {
        let mut tracker = Tracker::default();
        let mut least = f64::INFINITY;
        for minute in (0..jump_min + 30).step_by(2) {
            let now = Now {
                t: f64::from(minute),
                day: minute / 1_440,
                minute: (minute % 1_440) as u16,
                s_x: 0.03,
                step: 0.1,
                // A filter that was re-seated shows no speed.
                v: 0.0,
                natural: 0.2,
                other: f64::NAN,
                learn: true,
                clean: true,
                live: true,
                slack: 1.0,
            };
            tracker.step(if minute < jump_min { 30.0 } else { 21.0 }, &now, &Tuning::default());
            least = if minute < jump_min { least } else { least.min(tracker.undercut) };
        }
        least
    }

    #[test]
    fn a_level_that_was_reached_by_a_jump_is_no_return_from_there() {
        for jump_min in (600..620).step_by(2) {
            assert!(least_after(jump_min) > 8.0, "at {jump_min}: {:.1} K", least_after(jump_min));
        }
    }
}
