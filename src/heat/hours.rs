//! The longest spell of something by clock time, over three days: one byte for each half hour.
//!
//! A time switch, a night that is let cool, a lamp that warms for hours: what lasted this long at this hour before is no news.

use serde::{Deserialize, Serialize};

const BIN_MIN: u16 = 30;
const BINS: usize = 48;
/// Today and three days before.
const DAYS: usize = 4;
const UNSET: u8 = 0;
const NO_DAY: i32 = i32::MIN;
/// Steps of an octave: 6 %.
const STEPS: f64 = 12.0;

fn pack(minutes: f64) -> u8 {
    1 + libm::round(STEPS * libm::log2(1.0 + minutes.max(0.0))).min(250.0) as u8
}

fn unpack(code: u8) -> f64 {
    libm::exp2(f64::from(code - 1) / STEPS) - 1.0
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Longest {
    bins: Vec<u8>,
    day: [i32; DAYS],
    cached_for: (i32, u16),
    cached: (f64, u8),
}

impl Default for Longest {
    fn default() -> Longest {
        Longest { bins: Vec::new(), day: [NO_DAY; DAYS], cached_for: (NO_DAY, 0), cached: (0.0, 0) }
    }
}

impl Longest {
    /// Bytes beside the struct itself.
    pub fn heap_bytes(&self) -> usize {
        self.bins.capacity()
    }

    fn slot(day: i32) -> usize {
        day.rem_euclid(DAYS as i32) as usize
    }

    /// A spell has lasted for so many minutes at this local time.
    pub fn note(&mut self, day: i32, minute: u16, minutes: f64) {
        if self.bins.is_empty() {
            self.bins = vec![UNSET; BINS * DAYS]; // once, when the plug first speaks
        }
        let slot = Longest::slot(day);
        if self.day[slot] > day {
            return; // the calendar went back by days: keep what is there
        }
        if self.day[slot] != day {
            self.day[slot] = day;
            if let Some(bins) = self.bins.get_mut(slot * BINS..(slot + 1) * BINS) {
                bins.fill(UNSET);
            }
        }
        if let Some(bin) = self.bins.get_mut(slot * BINS + usize::from(minute / BIN_MIN).min(BINS - 1)) {
            *bin = (*bin).max(pack(minutes));
        }
    }

    /// The longest within half an hour to an hour of this clock time, min (median of three days, the longer of two), and of
    /// how many days it is; 0 days: this hour was not seen on an earlier day.
    pub fn at(&mut self, day: i32, minute: u16) -> (f64, u8) {
        let bin = (minute / BIN_MIN).min(BINS as u16 - 1);
        if self.cached_for != (day, bin) {
            self.cached_for = (day, bin);
            let mut of_day = [0u8; DAYS - 1];
            let mut known = 0;
            for ago in 1..DAYS as i32 {
                if let Some(longest) = self.of_day(day.saturating_sub(ago), i32::from(bin)) {
                    of_day[known] = longest;
                    known += 1;
                }
            }
            of_day[..known].sort_unstable();
            let counts = match known {
                0 => UNSET,
                3 => of_day[1],
                n => of_day[n - 1],
            };
            self.cached = (if counts == UNSET { 0.0 } else { unpack(counts) }, known as u8);
        }
        self.cached
    }

    fn of_day(&self, day: i32, bin: i32) -> Option<u8> {
        let mut longest = UNSET;
        for b in bin - 1..=bin + 1 {
            let day = day.saturating_add(b.div_euclid(BINS as i32));
            let slot = Longest::slot(day);
            let at = slot * BINS + b.rem_euclid(BINS as i32) as usize;
            let code = self.bins.get(at).copied().filter(|code| self.day[slot] == day && *code != UNSET)?;
            longest = longest.max(code);
        }
        Some(longest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fill(longest: &mut Longest, day: i32, minutes: f64) {
        for minute in (0..1_440).step_by(20) {
            longest.note(day, minute, minutes);
        }
    }

    #[test]
    fn one_odd_day_of_three_is_outvoted_and_of_two_the_longer_counts() {
        let mut longest = Longest::default();
        assert_eq!(longest.at(9, 600), (0.0, 0));
        fill(&mut longest, 9, 3.0);
        let (minutes, days) = longest.at(10, 600);
        assert!((minutes - 3.0).abs() < 0.2 && days == 1, "{minutes}");
        fill(&mut longest, 10, 200.0);
        assert!((longest.at(11, 600).0 - 200.0).abs() < 12.0);
        fill(&mut longest, 11, 0.0);
        let (minutes, days) = longest.at(12, 600);
        assert!((minutes - 3.0).abs() < 0.2 && days == 3, "{minutes}");
        assert_eq!(longest.at(20, 600).1, 0, "days of a gap are forgotten");
    }

    #[test]
    fn a_night_reaches_over_midnight_and_half_an_hour_beside_it() {
        let mut longest = Longest::default();
        fill(&mut longest, 4, 0.0);
        fill(&mut longest, 5, 0.0);
        longest.note(5, 10, 90.0);
        assert!(longest.at(6, 45).0 > 80.0 && longest.at(6, 10).0 > 80.0);
        assert_eq!(longest.at(6, 75).0, 0.0);
        assert!(longest.at(5, 1_430).0 > 80.0, "the first minutes of today are near yesterday's last");
    }
}
