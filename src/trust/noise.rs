//! Noise that grew: readings that zigzag far beyond the probe's own habit for most of an hour.
//!
//! The size of a zigzag is the smaller of two neighbouring differences of opposite sign. Heat that rises or falls gives
//! zero, so that a lamp, a door or a thermostat leaves no trace as long as it is slower than the readings.

use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// How long it must last, and how long it must be quiet again. Two senders that shared a topic for half an hour (seen in an
/// open recording) are not worth a mail; nobody is in danger meanwhile, for wild readings are held.
const LASTS: Span = Span::min(40);
const CALM: Span = Span::min(30);
/// Readings before the habit counts as known.
const KNOWN_AFTER: u16 = 200;
/// So many times the habit is no habit.
const TIMES: f32 = 6.0;
/// Below this mean zigzag nobody is misled, K (or % of humidity divided by 4).
const HARMLESS: f32 = 0.35;
/// Slower probes see real swings as zigzag.
const SLOWEST: Span = Span::s(150);
/// One wild reading counts no more than this.
const CLIP: f32 = 5.0;
/// The mean zigzag of independent normal noise, in its standard deviations. Counted over 200,000 draws; rounding to as much as
/// one deviation changes it by a hundredth.
const ZIGZAG: f32 = 0.566;

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    last: Option<(Mono, f32)>,
    difference: f32,
    now: f32,
    habit: f32,
    known: u16,
    /// Beyond habit (or, while it stands, back to it) since.
    since: Option<Mono>,
    stands: bool,
}

impl Noise {
    /// Any plausible reading, believed or not. Whether the noise stands afterwards.
    pub fn hear(&mut self, value: f64, scale: f32, at: Mono) -> bool {
        let value = value as f32 / scale;
        let Some((then, last)) = self.last.replace((at, value)) else { return self.stands };
        let difference = value - last;
        let zigzag = if difference * self.difference < 0.0 { difference.abs().min(self.difference.abs()) } else { 0.0 };
        self.difference = difference;
        if at.since(then) > SLOWEST {
            return self.stands;
        }
        self.now += (zigzag.min(CLIP) - self.now) / 16.0;
        let bound = (TIMES * self.habit).max(HARMLESS);
        let beyond = if self.stands { self.now > bound / 2.0 } else { self.now > bound };
        if !beyond && !self.stands {
            self.known = self.known.saturating_add(1);
            let weight = f32::from(self.known.min(2_000)).max(16.0);
            self.habit += (zigzag.min(CLIP) - self.habit) / weight;
        }
        if beyond == self.stands {
            self.since = None;
        } else {
            let since = *self.since.get_or_insert(at);
            let lasts = at.since(since) >= if self.stands { CALM } else { LASTS };
            if lasts && self.known >= KNOWN_AFTER {
                self.stands = beyond;
                self.since = None;
            }
        }
        self.stands
    }

    pub fn stands(&self) -> bool {
        self.stands
    }

    /// Usual standard deviation, in the units of [`Noise::hear`].
    pub fn deviation(&self) -> f32 {
        self.habit / ZIGZAG
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reading every 30 s from a function of the minute; the minutes at which the noise began and ended.
    fn run(minutes: i64, level: impl Fn(f64) -> f64) -> Vec<i64> {
        let (mut noise, mut edges, mut stood) = (Noise::default(), Vec::new(), false);
        for i in 0..minutes * 2 {
            let stands = noise.hear(level(i as f64 / 2.0), 1.0, Mono::from_ms(i * 30_000));
            if stands != stood {
                edges.push(i / 2);
                stood = stands;
            }
        }
        edges
    }

    /// A fixed sequence between −1 and 1 that looks like noise.
    fn dice(minute: f64) -> f64 {
        let i = (minute * 2.0) as u64;
        let x = (i.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407)) >> 33;
        (x % 2_001) as f64 / 1_000.0 - 1.0
    }

    #[test]
    fn grown_noise_is_found_and_its_end_too() {
        let edges = run(1_200, |m| 25.0 + dice(m) * if (600.0..900.0).contains(&m) { 3.0 } else { 0.05 });
        assert!(
            matches!(edges[..], [begin, end] if (638..650).contains(&begin) && (928..950).contains(&end)),
            "{edges:?}"
        );
    }

    #[test]
    fn heat_is_no_noise() {
        let cycle = |m: f64| if m % 12.0 < 6.0 { m % 12.0 } else { 12.0 - m % 12.0 };
        assert_eq!(run(1_000, |m| if m < 400.0 { 22.0 } else { 26.0 + cycle(m) }), [] as [i64; 0]);
        assert_eq!(run(1_000, |m| if m % 97.0 < 0.5 { 6.0 } else { 22.0 }), [] as [i64; 0], "single glitches");
    }
}
