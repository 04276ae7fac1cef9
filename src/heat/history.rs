//! The last hour of filtered levels: speeds over minutes, and whether a fall is even in time.
//!
//! After heat loss an enclosure falls along an exponential of many minutes, so equal windows hold nearly equal drops;
//! after a door most of the fall is over within minutes. That is the strongest single test there is.

use serde::{Deserialize, Serialize};

const KEPT: usize = 96;
/// Least minutes between kept levels.
const SPACING_MIN: f64 = 0.4;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct History {
    at: Vec<(f32, f32)>,
    newest: usize,
    origin: f64,
}

impl History {
    /// Keeps a level.
    pub fn keep(&mut self, t: f64, x: f64) {
        if self.at.is_empty() {
            self.at.reserve_exact(KEPT);
            self.origin = t;
        }
        if t - self.origin > 40_000.0 {
            // f32 resolves 1/256 min up to here: start again rather than blur.
            let shift = (t - self.origin) as f32;
            for entry in &mut self.at {
                entry.0 -= shift;
            }
            self.origin = t;
        }
        let entry = ((t - self.origin) as f32, x as f32);
        if self.at.len() < KEPT {
            if self.at.last().is_none_or(|last| f64::from(entry.0 - last.0) >= SPACING_MIN) {
                self.at.push(entry);
                self.newest = self.at.len() - 1;
            }
        } else if self.at.get(self.newest).is_none_or(|last| f64::from(entry.0 - last.0) >= SPACING_MIN) {
            self.newest = (self.newest + 1) % KEPT;
            self.at[self.newest] = entry;
        }
    }

    /// Bytes beside the struct itself.
    pub fn heap_bytes(&self) -> usize {
        self.at.capacity() * size_of::<(f32, f32)>()
    }

    pub fn clear(&mut self) {
        self.at.clear();
        self.newest = 0;
    }

    /// The level at minute `t`, between kept levels; `None` before the oldest.
    pub fn level(&self, t: f64) -> Option<f64> {
        let t = (t - self.origin) as f32;
        // The ring as it lies, each part in the order of time: a reading asks five times, and halving beats walking.
        let (newer, older) = self.at.split_at_checked(self.newest + 1)?;
        let not_later = |part: &[(f32, f32)]| part.partition_point(|entry| entry.0 <= t);
        let (before, next) = match not_later(newer) {
            0 => {
                let n = not_later(older);
                (older.get(n.checked_sub(1)?)?, older.get(n).or(newer.first()))
            }
            n => (newer.get(n - 1)?, newer.get(n)),
        };
        let Some(next) = next else { return Some(f64::from(before.1)) };
        let share = (t - before.0) / (next.0 - before.0).max(1e-6);
        Some(f64::from(before.1 + share * (next.1 - before.1)))
    }

    /// Mean fall in K/min over the last `minutes`.
    pub fn mean_fall(&self, t: f64, x: f64, minutes: f64) -> Option<f64> {
        Some((self.level(t - minutes)? - x) / minutes)
    }

    /// Drops of the last three windows of `w` minutes, oldest first.
    pub fn drops(&self, t: f64, x: f64, w: f64) -> Option<[f64; 3]> {
        let (a, b, c) = (self.level(t - 3.0 * w)?, self.level(t - 2.0 * w)?, self.level(t - w)?);
        Some([a - b, b - c, c - x])
    }
}

/// Whether three drops in a row are those of an even fall. `sign` is 1 for a fall, −1 for a rise; `strict` for a cycling
/// thermostat in the first minutes past its threshold, where a door in mid-fall shows as acceleration.
pub fn even(drops: [f64; 3], sign: f64, s_x: f64, strict: bool) -> bool {
    let [f1, f2, f3] = drops.map(|f| sign * f);
    let m = f1.max(f2);
    let plain = f3 >= 0.55 * m - 0.5 * s_x && f3 <= 1.5 * m + 0.5 * s_x && m > 1.5 * s_x && f1 >= 0.25 * m - 0.15 * s_x;
    plain && (!strict || (f1.max(f2).max(f3) <= 1.4 * f1 + 1.2 * s_x && f3 <= 1.2 * m + 0.8 * s_x))
}

/// What has lost so much of its speed within so many minutes has found its level: an animal that lay down on the probe, a
/// door that was closed. Without heat the air and the walls lose theirs over half an hour and more.
const FADED: f64 = 0.35;
const FADES_MIN: f64 = 15.0;

/// The fastest, K/min, of the fall that goes on, and when that was.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct Pace {
    fastest: f32,
    at: f32,
}

impl Pace {
    /// The speed, K/min, at minute `t` of the fall from the peak at minute `peak_t`.
    pub fn hear(&mut self, t: f64, peak_t: f64, speed: f64) {
        if f64::from(self.at) < peak_t || speed >= f64::from(self.fastest) {
            *self = Pace { fastest: speed as f32, at: t as f32 };
        }
    }

    /// Whether the fall has lost most of its speed, and lately.
    pub fn fades(&self, t: f64, speed: f64) -> bool {
        speed < FADED * f64::from(self.fastest) && t - f64::from(self.at) < FADES_MIN
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(f: impl Fn(f64) -> f64, until: f64) -> History {
        let mut h = History::default();
        let mut t = 0.0;
        while t <= until {
            h.keep(t, f(t));
            t += 0.5;
        }
        h
    }

    #[test]
    fn heat_loss_is_even_and_a_door_is_not() {
        // Heat loss: exponential with 25 min; door: exponential with 2 min.
        for (tau, at, want) in [(25.0, 60.0, true), (25.0, 70.0, true), (2.0, 57.0, false), (2.0, 60.0, false)] {
            let f = |t: f64| if t < 50.0 { 30.0 } else { 24.0 + 6.0 * libm::exp(-(t - 50.0) / tau) };
            let h = of(f, at);
            let drops = h.drops(at, f(at), 2.5).unwrap_or_default();
            assert_eq!(even(drops, 1.0, 0.05, false), want, "tau {tau}, at {at}: {drops:?}");
        }
    }

    #[test]
    fn a_fall_that_finds_its_level_fades_and_one_without_heat_does_not() {
        for (tau, fades) in [(4.0, true), (25.0, false)] {
            let mut pace = Pace::default();
            let speed = |t: f64| libm::exp(-t / tau) / tau;
            let any = (0..40).map(f64::from).any(|t| {
                pace.hear(t, 0.0, speed(t));
                pace.fades(t, speed(t))
            });
            assert_eq!(any, fades, "{tau}");
            pace.hear(50.0, 45.0, 0.001);
            assert!(!pace.fades(51.0, 0.001), "another fall begins anew");
        }
    }

    #[test]
    fn levels_in_between_are_interpolated_and_the_oldest_are_gone() {
        let h = of(|t| t, 100.0);
        assert!((h.level(90.25).unwrap_or(0.0) - 90.25).abs() < 1e-3);
        assert_eq!(h.level(10.0), None);
        // Wherever in the ring the newest lies, and between its two ends.
        for until in [40.0, 47.5, 48.0, 60.5, 95.0, 96.0, 143.5] {
            let h = of(|t| 2.0 * t, until);
            for back in 0..90 {
                let t = until - 0.5 * f64::from(back) - 0.125;
                let want = (t >= 0.0).then_some(2.0 * t);
                assert_eq!(h.level(t), want, "{t} of {until}");
            }
        }
        assert!((h.mean_fall(100.0, 100.0, 3.0).unwrap_or(0.0) + 1.0).abs() < 1e-3);
    }
}
