//! The battery of a sender: when it is low by its own beginning, and when it was replaced.

use crate::terms::quantity::Unit;
use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// Two primary cells in series, or one lithium coin: sensors misread below this, V (seen in the open lab recording: every
/// mote that fell below it read up to 122 °C between 1.7 and 9.5 days later).
const LOW_V: f64 = 2.4;
/// Senders that begin above this have another chemistry, V.
const TWO_CELLS_UP_TO_V: f64 = 3.75;
/// What of its highest level counts as low where 2.4 V does not apply.
const LOW_SHARE: f64 = 0.84;
const LOW_PERCENT: f64 = 10.0;
/// What of its highest level counts as replaced. A cold night and a warm noon move a fading cell by 0.2 V (seen in the same
/// recording), so that only as good as new is new.
const REPLACED: f64 = 0.985;
/// A level must be low (or high again) for so long, and so many readings.
const LASTS: Span = Span::min(60);
const LEAST: u8 = 3;

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Battery {
    highest: f64,
    level: f64,
    since: Option<Mono>,
    count: u8,
    low: bool,
}

impl Battery {
    /// A level in V or %. Whether it is low afterwards.
    pub fn hear(&mut self, told: f64, unit: Unit, at: Mono) -> bool {
        self.level += (told - self.level) * if self.highest == 0.0 { 1.0 } else { 0.1 };
        self.highest = self.highest.max(self.level);
        let bound = self.bound(unit);
        let beyond = if self.low { self.level > REPLACED * self.highest } else { self.level < bound };
        if !beyond {
            (self.since, self.count) = (None, 0);
            return self.low;
        }
        self.count = self.count.saturating_add(1);
        let since = *self.since.get_or_insert(at);
        if self.count >= LEAST && at.since(since) >= LASTS {
            self.low = !self.low;
            if !self.low {
                self.highest = self.level;
            }
            (self.since, self.count) = (None, 0);
        }
        self.low
    }

    fn bound(&self, unit: Unit) -> f64 {
        match unit {
            Unit::Percent => LOW_PERCENT,
            _ if (LOW_V..=TWO_CELLS_UP_TO_V).contains(&self.highest) => LOW_V,
            _ => LOW_SHARE * self.highest,
        }
    }

    pub fn low(&self) -> bool {
        self.low
    }

    /// Smoothed, as told.
    pub fn level(&self) -> f64 {
        self.level
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn low_and_replaced() {
        let mut battery = Battery::default();
        let mut at = Mono::from_ms(0);
        let mut hear = |v: f64, times: i32| {
            (0..times)
                .map(|_| {
                    at = at + Span::min(10);
                    battery.hear(v, Unit::Volt, at)
                })
                .last()
        };
        assert_eq!(hear(2.7, 200), Some(false));
        assert_eq!(hear(2.41, 200), Some(false));
        assert_eq!(hear(2.3, 1), Some(false), "one reading is noise");
        assert_eq!(hear(2.38, 60), Some(true));
        assert_eq!(hear(2.45, 60), Some(true), "a warm day is no new battery");
        assert_eq!(hear(2.6, 60), Some(true));
        assert_eq!(hear(3.0, 60), Some(false));
    }

    #[test]
    fn other_chemistries_by_their_own_beginning() {
        for (start, low, unit) in [(4.15, 3.4, Unit::Volt), (1.5, 1.2, Unit::Volt), (100.0, 9.0, Unit::Percent)] {
            let mut battery = Battery::default();
            let levels = std::iter::repeat_n(start, 100).chain(std::iter::repeat_n(low, 100));
            let found = levels.enumerate().position(|(i, v)| battery.hear(v, unit, Mono::from_ms(i as i64 * 600_000)));
            assert!(found.is_some_and(|i| i > 100), "{start}: {found:?}");
        }
    }
}
