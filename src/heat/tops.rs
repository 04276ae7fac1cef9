//! What a source takes while it is on, run by run: one that always takes the same and now takes less has grown weak.

use super::cycle::Spread;
use serde::{Deserialize, Serialize};

/// Reports of the same power in a row, and how far they may differ: a plug that reports means over pulses or over short cycles
/// shows no power that anything takes while on.
const SAME_REPORTS: u8 = 3;
const SAME_SHARE: f64 = 0.03;
/// A run below this share of what runs always had is a low one; so many of them more than of others are weakness.
const LOW: f64 = 0.85;
const LOW_RUNS: u32 = 12;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Tops {
    /// Of the run that goes on: when it began, its last report, W (0: there is no run), how many alike came in a row, and the
    /// highest power that so many agree on.
    since: f64,
    last: f64,
    same: u8,
    top: f64,
    /// The tops of runs, W.
    usual: Spread,
    low: u32,
}

impl Tops {
    /// A report of power at minute `t`; `none`: nothing is on. `interval` between reports, min.
    pub fn hear(&mut self, watts: f64, none: bool, t: f64, interval: f64) {
        if none {
            if self.last > 0.0 {
                self.end(t, interval);
            }
            return;
        }
        let goes_on = self.last > 0.0;
        let alike = goes_on && (watts - self.last).abs() <= SAME_SHARE * self.last;
        self.since = if goes_on { self.since } else { t };
        self.same = if alike { self.same.saturating_add(1) } else { 1 };
        self.last = watts;
        if self.same >= SAME_REPORTS {
            self.top = self.top.max(watts);
        }
    }

    fn end(&mut self, t: f64, interval: f64) {
        let top = self.top;
        self.cut();
        // A mean over an interval shows full power only where the interval lies inside the run.
        if t - self.since < 3.0 * interval || top <= 0.0 {
            return;
        }
        if self.steady().is_some_and(|usual| top < LOW * usual) {
            self.low = (self.low + 1).min(100);
        } else {
            self.low = self.low.saturating_sub(2);
            self.usual.learn(top, 0.02);
        }
    }

    /// What goes on is cut off.
    pub fn cut(&mut self) {
        (self.last, self.same, self.top) = (0.0, 0, 0.0);
    }

    /// What it takes whenever it is on, W, if that is always the same.
    pub fn steady(&self) -> Option<f64> {
        (self.usual.n > 30.0 && self.usual.dev < SAME_SHARE * self.usual.mean).then_some(self.usual.mean)
    }

    /// Whether it has been seen to come and go.
    pub fn runs(&self) -> bool {
        self.usual.n >= 3.0
    }

    /// Whether a report at `t` lies well inside a run.
    pub fn inside(&self, t: f64, interval: f64) -> bool {
        self.last > 0.0 && t - self.since > 2.0 * interval + 1.0
    }

    pub fn weak(&self) -> bool {
        self.low >= LOW_RUNS
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs of ten one-minute reports and ten without power between them.
    fn runs(tops: &mut Tops, t: &mut f64, count: u32, watts: impl Fn(u32) -> f64) {
        for report in 0..count * 20 {
            *t += 1.0;
            let on = report % 20 < 10;
            tops.hear(if on { watts(report) } else { 0.0 }, !on, *t, 1.0);
        }
    }

    #[test]
    fn a_source_that_takes_a_fifth_less_in_a_dozen_runs_is_weak() {
        let (mut tops, mut t) = (Tops::default(), 0.0);
        runs(&mut tops, &mut t, 40, |_| 100.0);
        assert_eq!(tops.steady(), Some(100.0));
        runs(&mut tops, &mut t, 11, |_| 80.0);
        assert!(!tops.weak());
        runs(&mut tops, &mut t, 1, |_| 80.0);
        assert!(tops.weak());
        runs(&mut tops, &mut t, 2, |_| 100.0);
        assert!(!tops.weak(), "it was changed");
    }

    #[test]
    fn means_over_pulses_tell_nothing_however_low_they_are() {
        let (mut tops, mut t) = (Tops::default(), 0.0);
        runs(&mut tops, &mut t, 40, |_| 31.0);
        // A mean over pulses takes another value at each report.
        runs(&mut tops, &mut t, 60, |report| 31.0 * f64::from(1 + report * 7 % 5) / 6.0);
        assert!(!tops.weak());
        assert_eq!(tops.steady(), Some(31.0));
    }
}
