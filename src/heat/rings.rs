//! What a level has been before: lowest levels by clock time over the last days, and lowest returns of the last three hours.
//!
//! Levels are kept as 0.01 K in 16 bits; a bin that was never set is [`UNSET`]. The high side uses the same rings on the
//! negative of its level.

use serde::{Deserialize, Serialize};

/// Minutes of one bin of the habit.
const BIN_MIN: u16 = 20;
const BINS: usize = 72;
/// Today and three days before.
const DAYS: usize = 4;
/// Bins to either side of the clock time that count as the same hour.
const REACH: i32 = 1;
/// Of the bins in reach, how many must be set on a day for it to count.
const LEAST_SET: usize = 3;
const UNSET: i16 = i16::MAX;
const NO_DAY: i32 = i32::MIN;

fn pack(x: f64) -> i16 {
    if x.is_finite() { libm::floor(x * 100.0).clamp(-32_000.0, 32_000.0) as i16 } else { UNSET }
}

fn unpack(bin: i16) -> f64 {
    if bin == UNSET { f64::INFINITY } else { f64::from(bin) / 100.0 }
}

/// The lowest level by clock time, over three days; learned from every level, faults too: one bad day of three is outvoted.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Habit {
    bins: Vec<i16>,
    day: [i32; DAYS],
    cached_for: (i32, u16),
    cached: f64,
    /// How far the lowest day lies below the one that counts, and below the highest, K.
    cached_spread: f32,
    cached_range: f32,
    /// How far yesterday lies below the level that counts, K (0 or less: above it).
    cached_yesterday: f32,
    cached_days: u8,
}

impl Default for Habit {
    fn default() -> Habit {
        Habit {
            bins: Vec::new(),
            day: [NO_DAY; DAYS],
            cached_for: (NO_DAY, 0),
            cached: f64::INFINITY,
            cached_spread: 0.0,
            cached_range: 0.0,
            cached_yesterday: 0.0,
            cached_days: 0,
        }
    }
}

impl Habit {
    /// Bytes beside the struct itself.
    pub fn heap_bytes(&self) -> usize {
        self.bins.capacity() * size_of::<i16>()
    }

    fn slot(day: i32) -> usize {
        day.rem_euclid(DAYS as i32) as usize
    }

    fn bin(&self, day: i32, bin: i32) -> i16 {
        let (day, bin) = (day.saturating_add(bin.div_euclid(BINS as i32)), bin.rem_euclid(BINS as i32) as usize);
        let slot = Habit::slot(day);
        if self.day[slot] != day { UNSET } else { self.bins.get(slot * BINS + bin).copied().unwrap_or(UNSET) }
    }

    /// Notes a level at this local time.
    pub fn note(&mut self, day: i32, minute: u16, x: f64) {
        if self.bins.is_empty() {
            self.bins = vec![UNSET; BINS * DAYS]; // once, when this side first speaks
        }
        let slot = Habit::slot(day);
        if self.day[slot] != day {
            if self.day[slot] > day {
                return; // the calendar went back by days: keep what is there
            }
            self.day[slot] = day;
            if let Some(bins) = self.bins.get_mut(slot * BINS..(slot + 1) * BINS) {
                bins.fill(UNSET);
            }
        }
        let bin = usize::from(minute / BIN_MIN).min(BINS - 1);
        if let Some(b) = self.bins.get_mut(slot * BINS + bin) {
            *b = (*b).min(pack(x));
        }
    }

    /// The lowest level that belongs to this clock time (median of three days, the lower of two) and of how many days it
    /// is; infinite and 0 when this hour was not seen on an earlier day.
    pub fn lowest(&mut self, day: i32, minute: u16) -> (f64, u8) {
        let bin = (minute / BIN_MIN).min(BINS as u16 - 1);
        if self.cached_for != (day, bin) {
            self.cached_for = (day, bin);
            let mut of_day = [f64::INFINITY; DAYS - 1];
            let mut known = 0;
            let mut yesterday = None;
            for ago in 1..DAYS as i32 {
                if let Some(lowest) = self.lowest_of(day.saturating_sub(ago), i32::from(bin)) {
                    yesterday = yesterday.or((ago == 1).then_some(lowest));
                    of_day[known] = lowest;
                    known += 1;
                }
            }
            of_day.sort_by(f64::total_cmp);
            self.cached = if known == 3 { of_day[1] } else { of_day[0] };
            self.cached_spread = if known > 0 { (self.cached - of_day[0]) as f32 } else { 0.0 };
            self.cached_range = if known > 0 { (of_day[known - 1] - of_day[0]) as f32 } else { 0.0 };
            self.cached_yesterday = yesterday.map_or(0.0, |x| (self.cached - x) as f32);
            self.cached_days = known as u8;
        }
        (self.cached, self.cached_days)
    }

    /// The lowest level of one bin alone, counted from that of the clock time.
    pub fn of_bin(&self, day: i32, minute: u16, bins: i32) -> Option<f64> {
        let bin = i32::from((minute / BIN_MIN).min(BINS as u16 - 1)) + bins;
        Some(self.bin(day, bin)).filter(|b| *b != UNSET).map(unpack)
    }

    /// The lowest level of the earlier days at whatever hour; infinite when there is none.
    pub fn lowest_of_all(&self, day: i32) -> f64 {
        let earlier =
            (1..DAYS as i32).map(|ago| day.saturating_sub(ago)).filter(|day| self.day[Habit::slot(*day)] == *day);
        let bins = earlier.flat_map(|day| {
            let slot = Habit::slot(day);
            self.bins.get(slot * BINS..(slot + 1) * BINS).unwrap_or_default()
        });
        unpack(bins.copied().min().unwrap_or(UNSET))
    }

    /// How far the days disagree about the hour last asked for, K: the lowest of them below the one that counts.
    pub fn spread(&self) -> f64 {
        f64::from(self.cached_spread)
    }

    /// The level of yesterday where it was lower than what counts, else that, for the hour last asked for.
    pub fn with_yesterday(&self) -> f64 {
        self.cached - f64::from(self.cached_yesterday).max(0.0)
    }

    /// The whole range of the days at that hour, K.
    pub fn range(&self) -> f64 {
        f64::from(self.cached_range)
    }

    fn lowest_of(&self, day: i32, bin: i32) -> Option<f64> {
        let mut set = 0;
        let mut lowest = UNSET;
        for b in bin - REACH..=bin + REACH {
            let value = self.bin(day, b);
            if value != UNSET {
                set += 1;
                lowest = lowest.min(value);
            }
        }
        (set >= LEAST_SET).then(|| unpack(lowest))
    }
}

/// Bins of ten minutes in three hours.
const RECENT: usize = 18;

/// Lowest returns in bins of ten minutes over three hours.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Recent {
    bins: [i16; RECENT],
    newest: i64,
    last: f64,
}

impl Default for Recent {
    fn default() -> Recent {
        Recent { bins: [UNSET; RECENT], newest: 0, last: f64::INFINITY }
    }
}

impl Recent {
    fn advance(&mut self, t: f64) {
        let bin = (t / 10.0) as i64;
        if bin - self.newest > RECENT as i64 || bin < self.newest {
            self.bins = [UNSET; RECENT];
            self.newest = bin;
        }
        while self.newest < bin {
            self.newest += 1;
            self.bins[self.newest.rem_euclid(RECENT as i64) as usize] = UNSET;
        }
    }

    pub fn note(&mut self, t: f64, x: f64) {
        self.advance(t);
        let bin = &mut self.bins[self.newest.rem_euclid(RECENT as i64) as usize];
        *bin = (*bin).min(pack(x));
        self.last = x;
    }

    /// The lowest of the last `minutes`; infinite when there was none.
    pub fn lowest(&mut self, t: f64, minutes: f64) -> f64 {
        self.advance(t);
        let n = ((minutes / 10.0) as usize + 1).clamp(1, RECENT);
        // The ring as it lies: up to the newest, and what of the window is left behind it.
        let (to_newest, older) = self.bins.split_at(self.newest.rem_euclid(RECENT as i64) as usize + 1);
        let wrapped = n.saturating_sub(to_newest.len()).min(older.len());
        let lowest = |bins: &[i16]| bins.iter().fold(UNSET, |lowest, bin| lowest.min(*bin));
        let newest = lowest(&to_newest[to_newest.len().saturating_sub(n)..]);
        unpack(newest.min(lowest(&older[older.len() - wrapped..])))
    }

    /// The newest of all, however old.
    pub fn last(&self) -> f64 {
        self.last
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fill(habit: &mut Habit, day: i32, level: f64) {
        for minute in (0..1_440).step_by(20) {
            habit.note(day, minute, level);
        }
    }

    #[test]
    fn one_bad_day_of_three_is_outvoted_and_of_two_the_lower_counts() {
        let mut habit = Habit::default();
        assert_eq!(habit.lowest(9, 600), (f64::INFINITY, 0));
        fill(&mut habit, 9, 30.0);
        assert_eq!(habit.lowest(10, 600), (30.0, 1));
        fill(&mut habit, 10, 21.0);
        assert_eq!(habit.lowest(11, 600), (21.0, 2));
        fill(&mut habit, 11, 30.5);
        assert_eq!(habit.lowest(12, 600), (30.0, 3));
        assert_eq!(habit.lowest(20, 600), (f64::INFINITY, 0), "days of a gap are forgotten");
        habit.note(12, 700, 9.0);
        assert_eq!((habit.lowest_of_all(12), habit.lowest_of_all(9)), (21.0, f64::INFINITY), "today does not count");
    }

    #[test]
    fn the_hour_reaches_over_midnight() {
        let mut habit = Habit::default();
        fill(&mut habit, 4, 30.0);
        fill(&mut habit, 5, 30.0);
        habit.note(5, 10, 25.0);
        assert_eq!(habit.lowest(6, 10).0, 25.0);
        let mut next = habit.clone();
        assert_eq!(
            next.lowest(5, 1_439).0,
            25.0,
            "the first minutes of today are within half an hour of yesterday's last"
        );
    }

    #[test]
    fn the_lowest_of_a_window_is_that_of_its_bins_wherever_the_ring_begins() {
        let mut recent = Recent::default();
        let level = |bin: i64| 30.0 + ((bin * 7) % 11) as f64;
        for bin in 0..60_i64 {
            let t = bin as f64 * 10.0 + 5.0;
            recent.note(t, level(bin));
            for minutes in [0.0, 40.0, 95.0, 180.0] {
                let first = (bin - (minutes / 10.0) as i64).max(bin - 17).max(0);
                let lowest = (first..=bin).map(level).fold(f64::INFINITY, f64::min);
                assert_eq!(recent.lowest(t, minutes), lowest, "bin {bin}, {minutes} min");
            }
        }
    }

    #[test]
    fn recent_returns_fall_out_of_the_window() {
        let mut recent = Recent::default();
        recent.note(5.0, 29.0);
        recent.note(65.0, 30.0);
        assert_eq!(recent.lowest(66.0, 100.0), 29.0);
        assert_eq!(recent.lowest(66.0, 40.0), 30.0);
        assert_eq!(recent.lowest(400.0, 180.0), f64::INFINITY);
        assert_eq!(recent.last(), 30.0);
    }
}
