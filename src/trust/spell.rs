//! A spell of readings that were not believed: when it is long enough to call the probe faulty, and when it is over.

use super::Fault;
use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};

/// Doubted readings, and over how long, that make a fault.
const DOUBTED: u16 = 3;
const DOUBTED_LASTS: Span = Span::min(10);
/// The same for readings that were merely unsure. Two senders on one topic looked like that for half an hour.
const UNSURE: u16 = 8;
const UNSURE_LASTS: Span = Span::min(40);
/// A spell in which nothing was disbelieved for so long is over.
const FORGOTTEN: Span = Span::h(1);
/// What is not believed and never followed by anything is told after this, or after so many usual intervals: a probe that
/// reports on change asserts its last value by its silence.
const ASSERTED: Span = Span::min(30);
const ASSERTED_INTERVALS: f64 = 2.5;
/// Believed readings in a row that end a spell, and how long they must last to end the fault.
const GOOD: u16 = 3;
const GOOD_LASTS: Span = Span::min(10);

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Spell {
    /// Since the first unsure one.
    since: Option<Now>,
    unsure: u16,
    /// The last doubt that is certain, and since the first of them.
    doubted: Option<(Fault, Now)>,
    doubts: u16,
    last: Option<Mono>,
    good: u16,
    good_since: Option<Mono>,
}

impl Spell {
    /// A believed reading. Whether a spell is over by it; `stands`: it had become a fault.
    pub fn believe(&mut self, at: Mono, stands: bool) -> bool {
        if self.since.is_none() {
            return false;
        }
        self.good = self.good.saturating_add(1);
        let since = *self.good_since.get_or_insert(at);
        self.good >= GOOD && (!stands || at.since(since) >= GOOD_LASTS)
    }

    /// A reading that is not believed; `doubt`: for certain, and why. Since when it is a fault, if it is long enough.
    pub fn disbelieve(&mut self, doubt: Option<Fault>, now: Now, silence_limit: Span, stands: bool) -> Option<Now> {
        if !stands && self.last.is_some_and(|last| now.mono.since(last) > FORGOTTEN.max(silence_limit)) {
            *self = Spell::default();
        }
        self.last = Some(now.mono);
        (self.good, self.good_since) = (0, None);
        let since = *self.since.get_or_insert(now);
        self.unsure = self.unsure.saturating_add(1);
        let unsure = self.unsure >= UNSURE && now.mono.since(since.mono) >= UNSURE_LASTS;
        if let Some(fault) = doubt {
            let since = self.doubted.map_or(now, |(_, since)| since);
            self.doubted = Some((fault, since));
            self.doubts = self.doubts.saturating_add(1);
            if self.doubts >= DOUBTED && now.mono.since(since.mono) >= DOUBTED_LASTS {
                return Some(since);
            }
        }
        unsure.then_some(since)
    }

    /// The last doubt that is certain, and since when.
    pub fn doubted(&self) -> Option<(Fault, Now)> {
        self.doubted
    }

    /// When what it asserts by silence has been disbelieved for long enough.
    pub fn assertion_due(&self, usual: Span) -> Option<Mono> {
        let last = self.last.filter(|_| self.doubted.is_some() && self.good == 0)?;
        Some(last + ASSERTED.max(usual.times(ASSERTED_INTERVALS)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trust::Doubt;

    const FAULT: Option<Fault> = Some(Fault::Unbelievable(Doubt::Sentinel));

    fn minute(m: i64) -> Now {
        Now::at(m * 60_000)
    }

    #[test]
    fn doubts_weigh_more_than_what_is_unsure() {
        let mut spell = Spell::default();
        let sure: Vec<_> = (0..12).map(|m| spell.disbelieve(FAULT, minute(m), Span::min(12), false)).collect();
        assert_eq!(sure.iter().position(Option::is_some), Some(10));
        let mut spell = Spell::default();
        let unsure: Vec<_> = (0..60).map(|m| spell.disbelieve(None, minute(m), Span::min(12), false)).collect();
        assert_eq!(unsure.iter().position(Option::is_some), Some(40));
        assert_eq!(unsure[40], Some(minute(0)));
    }

    #[test]
    fn old_doubts_are_forgotten_and_good_readings_end_a_spell() {
        let mut spell = Spell::default();
        for hour in 0..20 {
            assert_eq!(
                spell.disbelieve(FAULT, minute(hour * 90), Span::min(12), false),
                None,
                "now and then is nothing"
            );
        }
        let at = |m: i64| minute(2_000 + m).mono;
        assert!(!spell.believe(at(0), false) && !spell.believe(at(1), false) && spell.believe(at(2), false));
        assert!(!spell.believe(at(3), true) && spell.believe(at(10), true), "a fault takes ten minutes to end");
    }
}
