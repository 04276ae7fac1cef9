//! Heat that comes or goes at an hour: a timer, lamps with the light, the end of a night's set-back. Each day the level rises
//! there within the half hour; on the day when it does not, the heat is missing although nothing has fallen. Of the level's
//! negative, in the evening: heat that should have gone and stays.
//!
//! The habit of `levels.rs` reaches half an hour to either side of the clock, and so learns of such an hour only after it; here single
//! bins of the same rings are set against one another, day by day.

use super::levels::Levels;

/// Least rise that an hour must bring on every known day, K.
const LEAST_K: f64 = 2.0;
/// So many earlier days must have brought it.
const LEAST_DAYS: usize = 2;
/// Less than this share of it has come today.
const HAS_NOT_COME: f64 = 0.25;
/// And so much of it is missing against the lowest of the days.
const IS_MISSING: f64 = 0.5;
/// How many bins before this one the level was still as before the hour.
const BEFORE: [i32; 2] = [2, 3];

/// Whether a rise that this hour brings on every known day has not come today, at a level `x`, °C; `slack`: K of noise. Heat that
/// stays: the two sides exchanged, and `−x`.
pub fn is_late(low: &Levels, high: &Levels, day: i32, minute: u16, x: f64, slack: f64) -> bool {
    BEFORE.iter().any(|&back| {
        let Some(then) = high.of_hour(day, minute, -back).map(|x| -x) else { return false };
        let (mut least, mut lowest, mut known) = (f64::INFINITY, f64::INFINITY, 0);
        for ago in 1..=3 {
            let day = day.saturating_sub(ago);
            let Some((now, before)) = low.of_hour(day, minute, 0).zip(high.of_hour(day, minute, -back)) else {
                continue;
            };
            (least, lowest, known) = (least.min(now + before), lowest.min(now), known + 1);
            // Most hours bring no rise: the first day already tells.
            if least < LEAST_K {
                return false;
            }
        }
        known >= LEAST_DAYS
            && least >= LEAST_K.max(slack)
            && x - then < HAS_NOT_COME * least
            && lowest - x > IS_MISSING * least
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three days on which heat comes at a minute, then a day on which it never comes: minutes after the hour at which it
    /// is late first.
    fn late_after(on: [u16; 3]) -> Option<i32> {
        let (mut low, mut high) = (Levels::default(), Levels::default());
        let level = |on: u16, minute: u16| 22.0 + 0.25 * f64::from(minute.saturating_sub(on)).min(40.0);
        let mut note = |day: i32, minute: u16, x: f64| {
            low.live(day, minute, x);
            high.live(day, minute, -x);
            is_late(&low, &high, day, minute, x, 0.5)
        };
        for (day, on) in (10..).zip(on) {
            for minute in 0..1_440 {
                assert!(!note(day, minute, level(on, minute)), "day {day}, minute {minute}");
            }
        }
        (0..1_440).find(|&minute| note(13, minute, 22.0)).map(|minute| i32::from(minute) - i32::from(on[2]))
    }

    #[test]
    fn heat_that_a_timer_brings_is_missed_within_half_an_hour() {
        for on in [480, 490, 499] {
            let late = late_after([on; 3]);
            assert!(late.is_some_and(|m| (8..=30).contains(&m)), "on at {on}: {late:?}");
        }
    }

    #[test]
    fn what_comes_at_another_hour_each_day_is_not_due() {
        assert_eq!(late_after([440, 520, 600]), None);
    }
}
