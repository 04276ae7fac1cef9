//! Where a place is heading: level and slope of its last minutes, by a straight line through readings that fade with age.
//!
//! Weighted least squares with weights e^(−age/τ), kept as five sums relative to the newest reading, so that each reading
//! costs a few multiplications and nothing is stored. (Recursive least squares with exponential forgetting; textbook.)

use super::bands::Course;
use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// How fast readings fade. Ours: long enough that 0.1 K steps of a reading a minute give a slope to 0.02 K/min, short
/// enough to see a dead heater within its first ten minutes.
const FADE_MIN: f64 = 6.0;
/// After a hole this long the old course says nothing.
const FORGET: Span = Span::min(40);

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Line {
    last: Option<(Mono, f64)>,
    /// Sums of weight, w·t, w·y, w·t², w·t·y; t in minutes before the newest reading, y relative to it in K.
    sums: [f64; 5],
}

impl Line {
    /// A trusted reading. Readings that are not later than the last count as at its time.
    pub fn hear(&mut self, celsius: f64, now: Mono) {
        if !celsius.is_finite() {
            return;
        }
        let [mut w, mut t, mut y, mut tt, mut ty] = match self.last {
            Some((then, _)) if now.since(then) > FORGET => [0.0; 5],
            _ => self.sums,
        };
        if let Some((then, before)) = self.last {
            let dt = now.since(then).as_min().max(0.0);
            let dy = before - celsius;
            let fade = libm::exp(-dt / FADE_MIN);
            // Every old point moves dt into the past and dy up, then fades.
            ty += dy * t - dt * y - dt * dy * w;
            tt += -2.0 * dt * t + dt * dt * w;
            t -= dt * w;
            y += dy * w;
            [w, t, y, tt, ty] = [w, t, y, tt, ty].map(|sum| sum * fade);
        }
        self.sums = [w + 1.0, t, y, tt, ty];
        self.last = Some((now, celsius));
    }

    /// The newest reading, °C.
    pub fn level(&self) -> Option<f64> {
        self.last.map(|(_, celsius)| celsius)
    }

    pub fn at(&self) -> Option<Mono> {
        self.last.map(|(at, _)| at)
    }

    /// The slope, or a standstill while there are too few readings to tell.
    pub fn course(&self) -> Course {
        let [w, t, y, tt, ty] = self.sums;
        let spread = w * tt - t * t;
        if w < 2.0 || spread < 1.0 { Course::default() } else { Course { k_per_min: (w * ty - t * y) / spread } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_fall_is_measured_exactly_and_a_hole_forgotten() {
        let mut line = Line::default();
        for s in (0..1_200).step_by(30) {
            line.hear(30.0 - 0.15 * f64::from(s) / 60.0, Mono::from_ms(i64::from(s) * 1_000));
        }
        assert!((line.course().k_per_min + 0.15).abs() < 1e-9, "{:?}", line.course());
        line.hear(25.0, Mono::from_ms(3 * 3_600_000));
        assert_eq!(line.course(), Course::default());
    }

    #[test]
    fn steps_of_a_coarse_sensor_leave_little_slope() {
        let mut line = Line::default();
        for minute in 0..60 {
            line.hear(if minute % 2 == 0 { 30.0 } else { 30.1 }, Mono::from_ms(minute * 60_000));
        }
        assert!(line.course().k_per_min.abs() < 0.02, "{:?}", line.course());
    }
}
