//! What looked like a fault and healed: each enclosure's own false starts, which a true fault must outdo.
//!
//! Peaks over threshold of the very statistic that a verdict rests on: the depth of an excursion at the moments when all else
//! spoke for a fault. What went back by itself was none, whatever it was: the sun at its hour, an overshoot after misting.

use serde::{Deserialize, Serialize};

/// How much further than the deepest that healed a fault must go.
const BEYOND: f64 = 1.3;
/// What healed counts half after this long, min: 20 days.
const HALF_LIFE_MIN: f64 = 28_800.0;

#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct Healed {
    now: f32,
    deepest: f32,
    at: f32,
}

impl Healed {
    /// All but depth speaks for a fault, at this depth (K).
    pub fn looks(&mut self, depth: f64) {
        self.now = self.now.max(depth as f32);
    }

    /// The level is back: what there was has healed.
    pub fn back(&mut self, t: f64) {
        if self.now > 0.0 {
            self.deepest = self.now.max(self.left(t) as f32);
            self.at = t as f32;
            self.now = 0.0;
        }
    }

    fn left(&self, t: f64) -> f64 {
        if self.deepest <= 0.0 {
            return 0.0;
        }
        f64::from(self.deepest) * libm::exp2(-(t - f64::from(self.at)).max(0.0) / HALF_LIFE_MIN)
    }

    /// How deep a fault must go, K; at most `most`.
    pub fn bar(&self, t: f64, most: f64) -> f64 {
        (BEYOND * self.left(t)).min(most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_healed_raises_the_bar_and_fades_and_what_goes_on_does_not() {
        let mut healed = Healed::default();
        healed.looks(1.0);
        assert_eq!(healed.bar(10.0, 9.0), 0.0, "it may still be a fault");
        healed.back(10.0);
        assert!((healed.bar(10.0, 9.0) - 1.3).abs() < 1e-6);
        assert_eq!(healed.bar(10.0, 0.7), 0.7, "a repaired fault must not blind the watch");
        assert!((healed.bar(10.0 + HALF_LIFE_MIN, 9.0) - 0.65).abs() < 1e-3);
        healed.looks(0.2);
        healed.back(20.0);
        assert!(healed.bar(20.0, 9.0) > 1.29, "the deepest counts");
    }
}
