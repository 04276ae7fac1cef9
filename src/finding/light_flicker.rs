//! How often a lamp changes, against how often it usually does.

use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// So many changes within an hour are a flicker, and four times what is usual here: a lamp under a thermostat blinks in health.
const FLICKERS: f64 = 6.0;
pub const FLICKER_WINDOW: Span = Span::h(1);
/// Hours of this lamp before its usual changes are known.
const FLICKER_KNOWN_H: f64 = 6.0;

/// How often the lamp changes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Flicker {
    raw: Option<bool>,
    /// Changes of the last hour as a sum that fades.
    recent: f64,
    at: Option<Mono>,
    usual_an_hour: f64,
    known_h: f64,
    stands: bool,
}

impl Flicker {
    /// Changes of the last hour, as a sum that fades.
    pub const fn recent(&self) -> f64 {
        self.recent
    }

    /// Whether it has come to stand (true) or is over (false).
    pub fn hear(&mut self, on: bool, planned: bool, now: Mono) -> Option<bool> {
        let passed = self.at.map_or(Span::ZERO, |then| now.since(then)).max(Span::ZERO);
        self.at = Some(now);
        self.recent *= libm::exp(-passed.as_s() / FLICKER_WINDOW.as_s());
        let changed = self.raw.replace(on).is_some_and(|before| before != on);
        self.recent += f64::from(u8::from(changed));
        let usual = self.usual_an_hour;
        if planned && !self.stands && passed < Span::h(2) {
            let hours = passed.as_h();
            self.known_h += hours;
            // A day's mean; while young, the mean of all there is.
            let share = (hours / self.known_h.clamp(0.01, 24.0)).min(1.0);
            self.usual_an_hour += share * (self.recent - self.usual_an_hour);
        }
        let much = FLICKERS.max(4.0 * usual);
        if !self.stands && planned && self.known_h >= FLICKER_KNOWN_H && self.recent >= much {
            self.stands = true;
            return Some(true);
        }
        if self.stands && self.recent < 0.5 {
            self.stands = false;
            return Some(false);
        }
        None
    }
}
