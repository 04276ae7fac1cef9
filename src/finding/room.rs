//! What a room's own air has been like lately, and whether it is now colder or warmer than the days before say.
//!
//! It raises nothing: an enclosure that has left its band because its room has is told by that name (`explain.rs`).

use crate::terms::time::{Now, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// One bin of the memory.
const BIN: Span = Span::min(30);
/// Three days.
const MOST_BINS: usize = 144;
const A_DAY: i64 = 48;
/// Four hours.
const LATELY: i64 = 8;
/// At the same hour of an earlier day, give or take so many bins: airing and heating do not keep to the minute.
const ABOUT: i64 = 4;
/// So far outside what the days before saw, K. Ours: a window open for a while takes less off the air of a heated room.
const UNUSUAL_K: f64 = 1.5;

/// The lowest and highest of half an hour, °C.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Bin {
    at: i64,
    low: f64,
    high: f64,
}

/// A room that is unlike itself, °C: now, and the nearest to it that was usual.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Unlike {
    pub now_c: f64,
    pub usual_c: f64,
}

impl Unlike {
    pub fn is_cold(&self) -> bool {
        self.now_c < self.usual_c
    }
}

/// What a room's own probe tells.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Says {
    /// There is none, or it has not seen a day yet.
    #[default]
    Nothing,
    AsUsual,
    Unlike(Unlike),
}

/// The memory of one room's air.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Air {
    bins: VecDeque<Bin>,
}

impl Air {
    /// A trusted reading of the room's air, and what it tells.
    pub fn hear(&mut self, celsius: f64, now: Now) -> Says {
        if !celsius.is_finite() {
            return Says::Nothing;
        }
        // The clock on the wall: what is remembered outlives the process.
        let at = now.wall.as_ms().div_euclid(BIN.as_ms());
        match self.bins.back_mut().filter(|bin| bin.at >= at) {
            Some(bin) => (bin.low, bin.high) = (bin.low.min(celsius), bin.high.max(celsius)),
            None => {
                if self.bins.len() == MOST_BINS {
                    self.bins.pop_front();
                }
                self.bins.push_back(Bin { at, low: celsius, high: celsius });
            }
        }
        match self.usual(at) {
            None => Says::Nothing,
            Some((low, _)) if celsius < low - UNUSUAL_K => Says::Unlike(Unlike { now_c: celsius, usual_c: low }),
            Some((_, high)) if celsius > high + UNUSUAL_K => Says::Unlike(Unlike { now_c: celsius, usual_c: high }),
            Some(_) => Says::AsUsual,
        }
    }

    /// How far it went up and down within about an hour of the last four, K: the first is 0 or more, the second 0 or less.
    pub fn went_in_an_hour(&self) -> Option<(f64, f64)> {
        let last = self.bins.back()?.at;
        let lately = || self.bins.iter().rev().take_while(|bin| last - bin.at < LATELY);
        let pairs = lately()
            .flat_map(|now| lately().filter(|then| (1..=2).contains(&(now.at - then.at))).map(move |then| (then, now)));
        Some(pairs.fold((0.0, 0.0), |(up, down), (then, now)| {
            (f64::max(up, now.high - then.low), f64::min(down, now.low - then.high))
        }))
    }

    /// The range of about this hour on earlier days, once there is one.
    fn usual(&self, at: i64) -> Option<(f64, f64)> {
        self.bins.front().filter(|oldest| at - oldest.at >= A_DAY)?;
        let about_now = |bin: &&Bin| {
            let back = at - bin.at;
            back > A_DAY / 2 && (back + ABOUT).rem_euclid(A_DAY) <= 2 * ABOUT
        };
        self.bins.iter().filter(about_now).fold(None, |range: Option<(f64, f64)>, bin| {
            let (low, high) = range.unwrap_or((bin.low, bin.high));
            Some((low.min(bin.low), high.max(bin.high)))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(air: &mut Air, from_h: i64, hours: i64, level: impl Fn(i64) -> f64) -> Vec<(i64, Unlike)> {
        let minutes = (from_h * 60..(from_h + hours) * 60).step_by(5);
        let unlike = |m| match air.hear(level(m), Now::at(m * 60_000)) {
            Says::Unlike(unlike) => Some((m, unlike)),
            _ => None,
        };
        minutes.filter_map(unlike).collect()
    }

    #[test]
    fn a_night_like_the_nights_before_is_usual_and_a_failed_boiler_is_not() {
        let mut air = Air::default();
        // 21 °C by day, 17 °C at night.
        let usual = |m: i64| if (m / 60) % 24 < 7 { 17.0 } else { 21.0 };
        assert_eq!(day(&mut air, 0, 72, usual), [], "a set-back is the room's own");
        let failed = day(&mut air, 72 + 7, 6, |m| 17.0 - (m - 79 * 60) as f64 / 90.0);
        let (minute, unlike) = failed.first().expect("it falls below every morning");
        assert!(unlike.is_cold() && *minute < (72 + 10) * 60, "{unlike:?} at {minute}");
        let hot = day(&mut air, 72 + 14, 1, |_| 24.0);
        assert!(hot.first().is_some_and(|(_, u)| !u.is_cold() && u.usual_c == 21.0), "{hot:?}");
    }

    #[test]
    fn how_far_it_went_within_an_hour_of_late() {
        let mut air = Air::default();
        assert_eq!(air.went_in_an_hour(), None);
        // Three hours still, half an hour of 3 K down, an hour still.
        day(&mut air, 0, 5, |m| 21.0 - ((m - 180).clamp(0, 30) as f64) / 10.0);
        assert_eq!(air.went_in_an_hour(), Some((0.0, -3.0)));
        day(&mut air, 5, 5, |_| 18.0);
        assert_eq!(air.went_in_an_hour(), Some((0.0, 0.0)), "long ago");
    }

    #[test]
    fn a_room_that_is_not_known_is_never_unlike_itself() {
        let mut air = Air::default();
        assert_eq!(day(&mut air, 0, 23, |m| 20.0 - m as f64 / 120.0), []);
    }
}
