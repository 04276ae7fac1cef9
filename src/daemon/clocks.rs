//! Whether this machine's clock on the wall can be right, and whether the machine slept.
//!
//! What is known of the true time is one instant: a mail server's date as a mail came in or, weaker, the last time that the
//! store was written (the true time is that or later). From there it is counted on by the time since the machine booted,
//! which goes on while the machine is suspended. The weaker knowledge is void where the clock was set back while the machine
//! ran, since the store may have been written while the clock was ahead; a clock without a battery falls back only as the
//! machine boots. Pure: every call is told what the clocks show.

use crate::terms::time::{Mono, Span, Wall};
use serde::{Deserialize, Serialize};

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
    /// Whether the system says that a time server has set the wall clock since it booted.
    pub is_set: bool,
}

impl Shown {
    /// When the machine booted, by its wall clock as it is now: moves only when that is set.
    fn began(&self) -> Wall {
        self.wall - self.up
    }
}

/// What the next process must know of our clocks: a row of the store.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Noted {
    boot: String,
    began: Wall,
    /// How far ahead the wall clock was; `None`: nobody who knows had said.
    ahead: Option<Span>,
}

#[derive(Clone, Copy, Debug)]
struct Known {
    wall: Wall,
    up: Span,
    /// How far ahead our clock was seen to be just then. A clock that has run ahead since is not called wrong for it: the
    /// host of a virtual machine may have slept, which no clock in here counts.
    ahead: Span,
    /// Whether somebody else's clock said so, and not our own of an earlier time.
    said_by_others: bool,
}

impl Known {
    fn off(&self, shown: Shown) -> Span {
        shown.wall.since(self.wall + (shown.up - self.up)).min(self.ahead)
    }
}

#[derive(Debug)]
pub struct Clocks {
    boot: String,
    known: Option<Known>,
    said: Span,
    last: Shown,
    noted: Option<Noted>,
}

impl Clocks {
    /// `boot`: names this boot of the machine. `stored`: when the store was last written, by this machine's clock of then, and
    /// what was noted of that clock.
    pub fn new(boot: String, stored: Option<(Wall, Option<Noted>)>, shown: Shown) -> Clocks {
        let known = stored.and_then(|(last, noted)| known(&boot, last, noted, shown));
        Clocks { boot, known, said: Span::ZERO, last: shown, noted: None }
    }

    /// A server dated something that came just now.
    pub fn server_says(&mut self, date: Wall, shown: Shown) {
        let ahead = shown.wall.since(date).max(Span::ZERO);
        self.known = Some(Known { wall: date, up: shown.up, ahead, said_by_others: true });
    }

    /// How far the wall clock is ahead of the truth as far as it is known, when that has changed.
    pub fn judge(&mut self, shown: Shown) -> Option<Span> {
        let set_back = is_set_back(self.last.began(), shown);
        self.known = self.known.filter(|known| known.said_by_others || !(set_back || shown.is_set));
        self.last = shown;
        let off = self.known.map_or(Span::ZERO, |known| known.off(shown));
        if size(off - self.said) < WORTH_SAYING {
            return None;
        }
        self.said = off;
        Some(off)
    }

    /// How long the machine slept since the last judgement, if it did. To be asked before it.
    pub fn slept(&self, shown: Shown) -> Option<Span> {
        let asleep = (shown.up - self.last.up) - shown.mono.since(self.last.mono);
        (asleep >= SHORTEST_SLEEP).then_some(asleep)
    }

    /// What is to be written for the next process, when it is news.
    pub fn note(&mut self, shown: Shown) -> Option<Noted> {
        let ahead = self.known.filter(|known| known.said_by_others).map(|known| known.off(shown));
        let noted = Noted { boot: self.boot.clone(), began: shown.began(), ahead };
        if self.noted.as_ref().is_some_and(|before| before.says_as_much_as(&noted)) {
            return None;
        }
        self.noted = Some(noted.clone());
        Some(noted)
    }
}

impl Noted {
    fn says_as_much_as(&self, other: &Noted) -> bool {
        let ahead = match (self.ahead, other.ahead) {
            (Some(a), Some(b)) => size(a - b) < WORTH_SAYING,
            (a, b) => a == b,
        };
        ahead && self.boot == other.boot && size(self.began.since(other.began)) < WORTH_SAYING
    }
}

/// What the store's last moment says of the true time.
fn known(boot: &str, last: Wall, noted: Option<Noted>, shown: Shown) -> Option<Known> {
    let Some(noted) = noted else {
        return Some(Known { wall: last, up: shown.up, ahead: Span::ZERO, said_by_others: false });
    };
    let wall = last - noted.ahead.unwrap_or(Span::ZERO);
    let ahead = noted.ahead.unwrap_or(Span::ZERO).max(Span::ZERO);
    if noted.boot != boot {
        return Some(Known { wall, up: shown.up, ahead: Span::ZERO, said_by_others: false });
    }
    match noted.ahead {
        Some(_) => Some(Known { wall, up: last.since(noted.began), ahead, said_by_others: true }),
        None if is_set_back(noted.began, shown) => None,
        None => Some(Known { wall, up: shown.up, ahead, said_by_others: false }),
    }
}

fn is_set_back(began: Wall, shown: Shown) -> bool {
    shown.began().since(began) <= Span::ZERO - WORTH_SAYING
}

fn size(span: Span) -> Span {
    span.max(Span::ZERO - span)
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOOT: &str = "this boot";

    /// Minutes on the wall, of the monotonic clock, and since boot.
    fn shown(wall: i64, mono: i64, up: i64) -> Shown {
        Shown { wall: at(wall), mono: Mono::from_ms(mono * 60_000), up: Span::min(up), is_set: false }
    }

    fn at(min: i64) -> Wall {
        Wall::from_ms(min * 60_000)
    }

    fn clocks(stored: Option<i64>, shown: Shown) -> Clocks {
        Clocks::new(BOOT.into(), stored.map(|min| (at(min), None)), shown)
    }

    #[test]
    fn a_clock_without_a_battery_is_behind_what_was_stored_until_it_is_set() {
        let mut clocks = clocks(Some(1_000), shown(10, 0, 1));
        assert_eq!(clocks.judge(shown(10, 0, 1)), Some(Span::min(-990)));
        assert_eq!(clocks.judge(shown(20, 10, 11)), None, "it is as wrong as before");
        // Away for an hour nobody knows of: later than stored is all that can be said.
        assert_eq!(clocks.judge(shown(1_071, 11, 12)), Some(Span::ZERO), "set by the network");
        assert_eq!(self::clocks(None, shown(10, 0, 1)).judge(shown(10, 0, 1)), None);
    }

    #[test]
    fn a_servers_date_tells_how_far_off_and_goes_on_telling() {
        let mut clocks = clocks(Some(0), shown(500, 0, 1));
        assert_eq!(clocks.judge(shown(500, 0, 1)), None);
        clocks.server_says(at(440), shown(500, 0, 1));
        assert_eq!(clocks.judge(shown(500, 0, 1)), Some(Span::min(60)), "an hour ahead");
        assert_eq!(clocks.judge(shown(470, 30, 31)), Some(Span::ZERO), "set right");
        assert_eq!(clocks.judge(shown(110, 30, 31)), Some(Span::min(-360)), "set wrong");
    }

    #[test]
    fn a_sleep_is_no_wrong_clock() {
        let mut clocks = clocks(None, shown(500, 0, 1));
        clocks.server_says(at(500), shown(500, 0, 1));
        let mut look = |shown| (clocks.slept(shown), clocks.judge(shown));
        assert_eq!(look(shown(510, 10, 11)), (None, None));
        assert_eq!(look(shown(990, 10, 491)), (Some(Span::min(480)), None));
        assert_eq!(look(shown(990, 10, 491)), (None, None), "told once");
        // Its host slept: nothing in here has counted the hours, and the network has set the wall clock.
        assert_eq!(look(shown(1_500, 11, 492)), (None, None));
    }

    /// The next process over the same store, which was last written just before.
    fn restarted(mut before: Clocks, last: Shown, boot: &str, now: Shown) -> Clocks {
        let noted = before.note(last).expect("nothing was noted before");
        let noted = serde_json::from_str(&serde_json::to_string(&noted).unwrap()).unwrap();
        Clocks::new(boot.into(), Some((last.wall, Some(noted))), now)
    }

    #[test]
    fn a_clock_that_was_ahead_and_was_put_right_is_not_called_behind() {
        // Five hours ahead, put right while we were stopped for two minutes.
        let (wrong, right) = (shown(800, 20, 100), shown(502, 0, 102));
        let mut after = restarted(clocks(None, shown(780, 0, 80)), wrong, BOOT, right);
        assert_eq!(after.judge(right), None);
        // Put right while we watched, after a start over what was written while it was ahead.
        let mut after = restarted(clocks(None, shown(780, 0, 80)), wrong, BOOT, shown(801, 0, 101));
        assert_eq!((after.judge(shown(802, 1, 102)), after.judge(shown(503, 2, 103))), (None, None));
        // Put right by a time server before we began, as the machine booted anew.
        let set = Shown { is_set: true, ..shown(520, 0, 2) };
        let mut after = restarted(clocks(None, shown(780, 0, 80)), wrong, "next boot", set);
        assert_eq!(after.judge(set), None);
        // One that fell back as the machine booted has no battery, and nobody has set it yet.
        let mut after = restarted(clocks(None, shown(780, 0, 80)), wrong, "next boot", shown(10, 0, 2));
        assert_eq!(after.judge(shown(10, 0, 2)), Some(Span::min(-790)));
    }

    #[test]
    fn what_a_server_said_outlives_a_restart() {
        let known_ahead = || {
            let mut clocks = clocks(None, shown(780, 0, 80));
            clocks.server_says(at(480), shown(780, 0, 80));
            assert_eq!(clocks.judge(shown(780, 0, 80)), Some(Span::min(300)));
            clocks
        };
        let last = shown(800, 20, 100);
        let mut as_wrong = restarted(known_ahead(), last, BOOT, shown(805, 0, 105));
        assert_eq!(as_wrong.judge(shown(805, 0, 105)), Some(Span::min(300)));
        let mut put_right = restarted(known_ahead(), last, BOOT, shown(505, 0, 105));
        assert_eq!(put_right.judge(shown(505, 0, 105)), None);
        // After a boot the time away is unknown: the true time is that of the last moment, which was five hours ahead, or later.
        let mut booted = restarted(known_ahead(), last, "next boot", shown(560, 0, 1));
        assert_eq!(booted.judge(shown(560, 0, 1)), None);
        let mut fell_back = restarted(known_ahead(), last, "next boot", shown(10, 0, 1));
        assert_eq!(fell_back.judge(shown(10, 0, 1)), Some(Span::min(-490)));
    }

    #[test]
    fn only_news_are_noted() {
        let mut clocks = clocks(None, shown(500, 0, 1));
        assert!(clocks.note(shown(500, 0, 1)).is_some());
        assert_eq!(clocks.note(shown(530, 30, 31)), None, "time goes on");
        assert!(clocks.note(shown(230, 30, 31)).is_some(), "set back");
        clocks.server_says(at(240), shown(240, 40, 41));
        assert!(clocks.note(shown(240, 40, 41)).is_some(), "somebody who knows has said");
        assert_eq!(clocks.note(shown(250, 50, 51)), None);
    }
}
