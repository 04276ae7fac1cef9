//! What only time can say of a reading: how long heat has been absent, and what looked like a fault before and healed.

use super::healed::Healed;
use super::picture::Picture;
use super::{high, low};
use serde::{Deserialize, Serialize};

/// A depth that healed asks at most for this many thresholds, and of heat from outside for so many K.
const MOST_HEALED: f64 = 2.5;
const MOST_OUTSIDE_K: f64 = 8.0;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Doubts {
    absent_since: Option<f64>,
    #[serde(default)]
    late_since: Option<f64>,
    #[serde(default)]
    stays_since: Option<f64>,
    above_since: Option<f64>,
    low: Healed,
    high: Healed,
    outside: Healed,
}

impl Doubts {
    /// Learns from a reading and completes its picture.
    pub fn weigh(&mut self, p: &mut Picture) {
        self.absent_since = low::is_absent(p).then(|| self.absent_since.unwrap_or(p.t));
        p.absent_min = self.absent_since.map(|since| p.t - since);
        self.late_since = p.late.then(|| self.late_since.unwrap_or(p.t));
        p.late_min = self.late_since.map(|since| p.t - since);
        self.stays_since = p.stays.then(|| self.stays_since.unwrap_or(p.t));
        p.stays_min = self.stays_since.map(|since| p.t - since);
        if p.low.undercut < 0.0 {
            self.low.back(p.t);
        } else if low::looks_lost(p) {
            self.low.looks(p.low.undercut);
        }
        let blind = !p.sees_doors;
        if p.high.undercut < 0.0 {
            self.high.back(p.t);
            self.outside.back(p.t);
        } else {
            // One probe alone cannot tell what it was: all that ever went up and came down counts.
            if high::looks_endless(p) || (blind && p.high.past(1.0)) {
                self.high.looks(p.high.undercut);
            }
            if high::looks_outside(p) {
                self.outside.looks(p.high.undercut);
            }
        }
        // With a cool side the share and the gradient say enough of a fall; waiting for depth would only cost time.
        if blind && p.low.past(0.2) {
            p.healed.low = self.low.bar(p.t, MOST_HEALED * p.low.threshold);
        }
        if p.high.past(0.2) || blind {
            let most = if blind { MOST_OUTSIDE_K } else { MOST_HEALED * p.high.threshold };
            p.healed.high = self.high.bar(p.t, most);
            p.healed.outside = self.outside.bar(p.t, MOST_OUTSIDE_K);
        }
        self.above_since = high::is_above(p).then(|| self.above_since.unwrap_or(p.t));
        p.above_min = self.above_since.map(|since| p.t - since);
    }
}
