//! Whether every part of the house still moves: only then is the service manager's watchdog fed.
//!
//! A part that stands still (a poll that never returns, a disk that hangs, a post that waits for ever) would otherwise
//! look like a calm house. When the watchdog is not fed, the service manager kills and restarts us.

use std::time::Duration;

/// No healthy part needs as long for one round: the longest, a post whose four mails all hang, needs 60 s.
pub const STANDS_STILL: Duration = Duration::from_secs(150);

/// The parts of a house that must go round, in the order of their counts. The engine's loop is the one that asks.
pub const PARTS: [&str; 3] = ["the link to the broker", "the store", "the post"];

/// When each of `N` parts was last seen to have moved.
#[derive(Debug)]
pub struct Pulse<const N: usize> {
    seen: [(u64, Duration); N],
}

impl<const N: usize> Pulse<N> {
    /// `now`: real time since any origin.
    pub fn new(now: Duration) -> Pulse<N> {
        Pulse { seen: [(0, now); N] }
    }

    /// Takes each part's count of rounds. Gives the first part that stands still, if one does.
    pub fn feel(&mut self, rounds: [u64; N], now: Duration) -> Option<usize> {
        let mut still = None;
        for (part, (count, (seen, at))) in rounds.into_iter().zip(&mut self.seen).enumerate() {
            if *seen != count {
                (*seen, *at) = (count, now);
            } else if now.saturating_sub(*at) >= STANDS_STILL {
                still = still.or(Some(part));
            }
        }
        still
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_part_that_stands_still_is_felt() {
        for ix in 0..PARTS.len() {
            let mut pulse = Pulse::new(Duration::ZERO);
            let mut rounds = [0; 3];
            for s in 0..400_u64 {
                for (i, count) in rounds.iter_mut().enumerate() {
                    *count += u64::from(i != ix || s < 100);
                }
                let still = pulse.feel(rounds, Duration::from_secs(s));
                assert_eq!(still, (s >= 99 + STANDS_STILL.as_secs()).then_some(ix), "{s}");
            }
            rounds[ix] += 1;
            assert_eq!(pulse.feel(rounds, Duration::from_secs(400)), None, "it moves again");
        }
    }
}
