//! Who wants to be woken when: a heap of instants, at most one live entry a sleeper, so that a reading costs no heap work.
//!
//! A sleeper's real deadline usually moves later with every reading. It is not moved in the heap: when the entry comes up,
//! the sleeper is asked again, and put back if it is not yet due.

use crate::terms::id::EnclosureIx;
use crate::terms::time::{Mono, Span};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Who sleeps. The order decides who is woken first at one instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sleeper {
    Probes,
    Enclosure(EnclosureIx),
    Feed,
    Incidents,
    Desk,
}

impl Sleeper {
    /// Its place among the live entries.
    fn index(self) -> usize {
        match self {
            Sleeper::Probes => 0,
            Sleeper::Feed => 1,
            Sleeper::Incidents => 2,
            Sleeper::Desk => 3,
            Sleeper::Enclosure(ix) => 4 + ix.index(),
        }
    }
}

/// The shortest time between two wakes of one sleeper: nobody who fails to move on can stop the clock.
const SHORTEST: Span = Span::ms(100);

#[derive(Debug, Default)]
pub struct Timers {
    heap: BinaryHeap<Reverse<(Mono, Sleeper)>>,
    /// The entry that counts for each sleeper, by its index; older ones in the heap are husks.
    live: Vec<Option<Mono>>,
}

impl Timers {
    /// `sleeper` wants to be woken at `at` at the latest. An earlier wish stands; it will be asked again then.
    pub fn wish(&mut self, sleeper: Sleeper, at: Option<Mono>) {
        let Some(at) = at else { return };
        let live = self.live.get(sleeper.index()).copied().flatten();
        // With nearly every reading: what it waits for has moved away.
        if live.is_none_or(|before| before > at) {
            self.put(sleeper, at);
        }
    }

    fn put(&mut self, sleeper: Sleeper, at: Mono) {
        if self.live.len() <= sleeper.index() {
            self.live.resize(sleeper.index() + 1, None);
        }
        let Some(live) = self.live.get_mut(sleeper.index()) else { return };
        *live = Some(at);
        self.heap.push(Reverse((at, sleeper)));
    }

    /// The earliest instant at which anybody wants to be asked.
    pub fn next(&self) -> Option<Mono> {
        self.heap.peek().map(|Reverse((at, _))| *at)
    }

    /// Takes out the next sleeper that is due at `now`. The caller wakes it and wishes anew with [`Timers::again`].
    pub fn due(&mut self, now: Mono) -> Option<Sleeper> {
        while let Some(&Reverse((at, sleeper))) = self.heap.peek() {
            if at > now {
                return None;
            }
            self.heap.pop();
            if let Some(live) = self.live.get_mut(sleeper.index()).filter(|live| **live == Some(at)) {
                *live = None;
                return Some(sleeper);
            }
        }
        None
    }

    /// After a wake at `now`: sleep until `at`, but never so shortly that time stands still.
    pub fn again(&mut self, sleeper: Sleeper, at: Option<Mono>, now: Mono) {
        self.wish(sleeper, at.map(|at| at.max(now + SHORTEST)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_comes_up_once_and_the_earliest_counts() {
        let mut timers = Timers::default();
        let (a, b) = (Sleeper::Probes, Sleeper::Desk);
        timers.wish(a, Some(Mono::from_ms(50)));
        timers.wish(a, Some(Mono::from_ms(90)));
        timers.wish(a, Some(Mono::from_ms(20)));
        timers.wish(b, Some(Mono::from_ms(20)));
        assert_eq!(timers.next(), Some(Mono::from_ms(20)));
        assert_eq!(timers.due(Mono::from_ms(10)), None);
        assert_eq!([timers.due(Mono::from_ms(60)), timers.due(Mono::from_ms(60))], [Some(a), Some(b)]);
        assert_eq!(timers.due(Mono::from_ms(60)), None, "the husk at 50 says nothing");
        timers.again(b, Some(Mono::from_ms(0)), Mono::from_ms(60));
        assert_eq!(timers.next(), Some(Mono::from_ms(160)), "time goes on");
    }
}
