//! Whether this machine's clock on the wall can be right, and whether the machine slept.
//!
//! What is known of the true time is one instant: a mail server's date as a mail came in or, weaker, the last time that the
//! store was written (the true time is that or later). From there it is counted on by the time since the machine booted,
//! which goes on while the machine is suspended. Pure: every call is told what the clocks show.

use crate::terms::time::{Mono, Span, Wall};

/// A clock that changes by less since we last said something is not worth a word.
const WORTH_SAYING: Span = Span::min(1);
/// Shorter stops than this are no sleep: a busy machine, a debugger.
const SHORTEST_SLEEP: Span = Span::min(1);

/// What this machine's clocks show at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shown {
    pub wall: Wall,
    /// Stands still while the machine is suspended.
    pub mono: Mono,
    /// Since the machine booted, suspended or not.
    pub up: Span,
}

#[derive(Clone, Copy, Debug)]
struct Known {
    wall: Wall,
    up: Span,
    /// How far ahead our clock was seen to be just then. A clock that has run ahead since is not called wrong for it: the
    /// host of a virtual machine may have slept, which no clock in here counts.
    ahead: Span,
}

#[derive(Debug)]
pub struct Clocks {
    known: Option<Known>,
    said: Span,
    last: Shown,
}

impl Clocks {
    /// `stored`: when the store was last written, by this machine's clock of then.
    pub fn new(stored: Option<Wall>, shown: Shown) -> Clocks {
        let known = stored.map(|wall| Known { wall, up: shown.up, ahead: Span::ZERO });
        Clocks { known, said: Span::ZERO, last: shown }
    }

    /// A server dated something that came just now.
    pub fn server_says(&mut self, date: Wall, shown: Shown) {
        let ahead = shown.wall.since(date).max(Span::ZERO);
        self.known = Some(Known { wall: date, up: shown.up, ahead });
    }

    /// How far the wall clock is ahead of the truth as far as it is known, when that has changed.
    pub fn judge(&mut self, shown: Shown) -> Option<Span> {
        let known = self.known?;
        let off = shown.wall.since(known.wall + (shown.up - known.up)).min(known.ahead);
        let change = off - self.said;
        if change.max(Span::ZERO - change) < WORTH_SAYING {
            return None;
        }
        self.said = off;
        Some(off)
    }

    /// How long the machine slept since the last call, if it did.
    pub fn slept(&mut self, shown: Shown) -> Option<Span> {
        let asleep = (shown.up - self.last.up) - shown.mono.since(self.last.mono);
        self.last = shown;
        (asleep >= SHORTEST_SLEEP).then_some(asleep)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Minutes on the wall, of the monotonic clock, and since boot.
    fn shown(wall: i64, mono: i64, up: i64) -> Shown {
        Shown { wall: Wall::from_ms(wall * 60_000), mono: Mono::from_ms(mono * 60_000), up: Span::min(up) }
    }

    #[test]
    fn a_clock_without_a_battery_is_behind_what_was_stored_until_it_is_set() {
        let mut clocks = Clocks::new(Some(Wall::from_ms(1_000 * 60_000)), shown(10, 0, 1));
        assert_eq!(clocks.judge(shown(10, 0, 1)), Some(Span::min(-990)));
        assert_eq!(clocks.judge(shown(20, 10, 11)), None, "it is as wrong as before");
        // Away for an hour nobody knows of: later than stored is all that can be said.
        assert_eq!(clocks.judge(shown(1_071, 11, 12)), Some(Span::ZERO), "set by the network");
        assert_eq!(Clocks::new(None, shown(10, 0, 1)).judge(shown(10, 0, 1)), None);
    }

    #[test]
    fn a_servers_date_tells_how_far_off_and_goes_on_telling() {
        let mut clocks = Clocks::new(Some(Wall::from_ms(0)), shown(500, 0, 1));
        assert_eq!(clocks.judge(shown(500, 0, 1)), None);
        clocks.server_says(Wall::from_ms(440 * 60_000), shown(500, 0, 1));
        assert_eq!(clocks.judge(shown(500, 0, 1)), Some(Span::min(60)), "an hour ahead");
        assert_eq!(clocks.judge(shown(470, 30, 31)), Some(Span::ZERO), "set right");
        assert_eq!(clocks.judge(shown(110, 30, 31)), Some(Span::min(-360)), "set wrong");
    }

    #[test]
    fn a_sleep_is_no_wrong_clock() {
        let mut clocks = Clocks::new(None, shown(500, 0, 1));
        clocks.server_says(Wall::from_ms(500 * 60_000), shown(500, 0, 1));
        assert_eq!(clocks.slept(shown(510, 10, 11)), None);
        let after = shown(990, 10, 491);
        assert_eq!(clocks.slept(after), Some(Span::min(480)));
        assert_eq!(clocks.judge(after), None);
        assert_eq!(clocks.slept(after), None, "told once");
        // Its host slept: nothing in here has counted the hours, and the network has set the wall clock.
        assert_eq!((clocks.slept(shown(1_500, 11, 492)), clocks.judge(shown(1_500, 11, 492))), (None, None));
    }
}
