//! How many readings came lately: minute by minute for the page, hour by hour for the daily mail.

use crate::terms::time::{Mono, Span};
use std::collections::VecDeque;

const MINUTES: usize = 120;
const HOURS: usize = 24;

#[derive(Clone, Debug)]
struct Ring {
    grain: Span,
    most: usize,
    /// Which grain since the clock's origin the last bin is, and when it ends: each reading asks, and a division is dear.
    at: i64,
    ends: Mono,
    bins: VecDeque<u32>,
}

impl Ring {
    fn new(grain: Span, most: usize) -> Ring {
        Ring { grain, most, at: 0, ends: Mono::default(), bins: VecDeque::with_capacity(most) }
    }

    fn move_to(&mut self, now: Mono) {
        if !self.bins.is_empty() && now < self.ends {
            return;
        }
        let at = now.as_ms().div_euclid(self.grain.as_ms());
        // The first reading opens the first bin: nothing was counted before.
        let ahead = if self.bins.is_empty() { 1 } else { at.saturating_sub(self.at) };
        if ahead <= 0 {
            return;
        }
        for _ in 0..ahead.min(self.most as i64) {
            if self.bins.len() == self.most {
                self.bins.pop_front();
            }
            self.bins.push_back(0);
        }
        self.at = at;
        self.ends = Mono::from_ms(at.saturating_add(1).saturating_mul(self.grain.as_ms()));
    }

    fn count(&mut self, now: Mono) {
        self.move_to(now);
        if let Some(bin) = self.bins.back_mut() {
            *bin = bin.saturating_add(1);
        }
    }
}

#[derive(Clone, Debug)]
pub struct Pulse {
    minutes: Ring,
    hours: Ring,
}

impl Default for Pulse {
    fn default() -> Pulse {
        Pulse { minutes: Ring::new(Span::min(1), MINUTES), hours: Ring::new(Span::h(1), HOURS) }
    }
}

impl Pulse {
    pub fn count(&mut self, now: Mono) {
        self.minutes.count(now);
        self.hours.count(now);
    }

    /// Accepted readings in each of the last minutes before `now`, oldest first.
    pub fn per_minute(&self, now: Mono) -> Vec<u32> {
        let mut ring = self.minutes.clone();
        if !ring.bins.is_empty() {
            ring.move_to(now);
        }
        ring.bins.into_iter().collect()
    }

    /// Accepted readings of the last 24 hours, to the hour.
    pub fn of_day(&self) -> u64 {
        self.hours.bins.iter().map(|n| u64::from(*n)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minutes_and_hours_are_counted_and_forgotten() {
        let mut pulse = Pulse::default();
        for s in 0..180 {
            pulse.count(Mono::from_ms(s * 1_000));
        }
        assert_eq!(pulse.per_minute(Mono::from_ms(200_000)), [60, 60, 60, 0]);
        assert_eq!(pulse.of_day(), 180);
        pulse.count(Mono::from_ms(3_600_000 * 100));
        assert_eq!(pulse.of_day(), 1);
    }
}
