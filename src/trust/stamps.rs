//! A sender's own clock: tells late batches from a clock that is simply wrong, by how it advances against arrivals.

use crate::terms::time::{Now, Span, Wall};
use serde::{Deserialize, Serialize};

/// An age that differs from the sender's usual one by more than this is late. Longer than any queue that is still "now".
pub const LATE_AFTER: Span = Span::min(2);
/// So many readings in a row must advance as the arrivals do before an age is the sender's clock and not a backlog.
const CLOCK_PROVED_BY: u8 = 3;

/// What is known of one sender's clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stamps {
    /// Arrival minus stamp when nothing is late.
    usual_age: Option<Span>,
    /// The last late one: arrival and stamp.
    late: Option<(Wall, Wall)>,
    steady: u8,
}

impl Stamps {
    /// Whether a reading belongs to the past. Without a stamp: never.
    pub fn late(&mut self, measured: Option<Wall>, now: Now) -> bool {
        let Some(measured) = measured else { return false };
        let age = now.wall.since(measured);
        let usual = self.usual_age.unwrap_or(Span::ZERO);
        if age - usual <= LATE_AFTER {
            // On time, or the clock was set: an older reading cannot look younger than a fresh one.
            self.usual_age = Some(age);
            self.late = None;
            self.steady = 0;
            return false;
        }
        let steady = self.late.is_some_and(|(arrival, stamp)| {
            let (came, said) = (now.wall.since(arrival), measured.since(stamp));
            let apart = (came - said).as_s().abs();
            came >= Span::s(1) && apart <= (0.2 * came.as_s()).max(2.0)
        });
        self.steady = if steady { self.steady.saturating_add(1) } else { 0 };
        self.late = Some((now.wall, measured));
        if self.steady < CLOCK_PROVED_BY {
            return true;
        }
        self.usual_age = Some(age);
        self.late = None;
        self.steady = 0;
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(s: i64) -> Now {
        Now::at(1_767_600_000_000 + s * 1_000)
    }

    #[test]
    fn a_backlog_is_late_and_then_it_is_not() {
        let mut stamps = Stamps::default();
        assert!(!stamps.late(Some(at(0).wall), at(1)));
        for i in 0..60 {
            let measured = at(60 + i * 60).wall;
            let now = at(3_720) + Span::ms(i * 200);
            assert_eq!(stamps.late(Some(measured), now), now.wall.since(measured) > Span::s(121), "{i}");
        }
        assert!(!stamps.late(Some(at(3_780).wall), at(3_781)));
    }

    #[test]
    fn a_wrong_clock_is_recognised_by_its_advance() {
        let mut stamps = Stamps::default();
        let late: Vec<bool> = (0..6).map(|i| stamps.late(Some(Wall::from_ms(i * 30_000)), at(i * 30))).collect();
        assert_eq!(late, [true, true, true, false, false, false], "1970, but it runs");
        // Set right later on, and ahead of us: never late.
        assert!(!stamps.late(Some(at(500).wall), at(500)));
        assert!(!stamps.late(Some(at(9_000).wall), at(530)));
        assert!(!stamps.late(None, at(560)));
    }
}
