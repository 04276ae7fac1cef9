//! What falls and rises have been like: depth, speed, share of the other end; whether a thermostat cycles; its power over time.

use super::tracker::Fall;
use crate::nature::sequential::Cusum;
use serde::{Deserialize, Serialize};

/// A mean and mean absolute deviation that forget slowly and clip what is strange.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct Spread {
    pub mean: f64,
    pub dev: f64,
    pub n: f64,
}

impl Spread {
    pub fn learn(&mut self, x: f64, pace: f64) {
        if !x.is_finite() {
            return;
        }
        self.n += 1.0;
        let pace = (1.0 / self.n).max(pace);
        if self.n < 1.5 {
            self.mean = x;
            self.dev = 0.3 * libm::fabs(x);
            return;
        }
        let limit = 3.0 * self.dev + 1e-6;
        let miss = (x - self.mean).clamp(-limit, limit);
        self.mean += pace * miss;
        self.dev += pace * (libm::fabs(miss) - self.dev);
    }
}

/// Falls (or rises, on the negative side) of one probe.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Falls {
    pub depth: Spread,
    pub top_speed: Spread,
    pub mean_speed: Spread,
    pub share: Spread,
    pub peak: Spread,
    pub excess: f64,
    pub n: f64,
    first_t: f64,
    /// Greatest speed over three minutes of the fall in progress.
    top_now: f64,
    top_of: f64,
}

impl Falls {
    /// The speed over the last minutes, while falling from the peak at `peak_t`.
    pub fn watch(&mut self, peak_t: f64, speed: Option<f64>) {
        if self.top_of != peak_t {
            (self.top_of, self.top_now) = (peak_t, 0.0);
        }
        if let Some(speed) = speed {
            self.top_now = self.top_now.max(speed);
        }
    }

    /// A clean fall that ended.
    pub fn learn(&mut self, t: f64, fall: &Fall, s_x: f64) {
        if !fall.turned || fall.depth < (5.0 * s_x).max(0.15) {
            return;
        }
        if self.n < 0.5 {
            self.first_t = t;
        }
        self.n += 1.0;
        let beyond = fall.depth - self.depth.mean;
        if self.depth.n > 5.0 && beyond > 0.0 {
            self.excess += 0.1 * (beyond.min(3.0 * self.depth.mean) - self.excess);
        }
        self.depth.learn(fall.depth, 0.05);
        if self.top_now > 0.0 && self.top_of == fall.peak_t {
            self.top_speed.learn(self.top_now, 0.1);
        }
        if fall.minutes > 1.0 {
            self.mean_speed.learn(fall.depth / fall.minutes, 0.1);
        }
        if let Some(share) = fall.other_share {
            self.share.learn(share, 0.1);
        }
        self.peak.learn(fall.peak, 0.15);
    }

    pub fn a_day(&self, t: f64) -> f64 {
        let minutes = (t - self.first_t).max(60.0);
        self.n * 1_440.0 / minutes
    }

    /// Whether these are the falls of a thermostat that switches: many, deep enough, alike.
    pub fn cycles(&self, t: f64, s_x: f64) -> bool {
        self.top_speed.n >= 6.0
            && self.a_day(t) > 6.0
            && self.top_speed.dev * 1.25 < 0.4 * self.top_speed.mean
            && self.depth.mean > (5.0 * s_x).max(0.4)
    }

    /// Greatest speed over three minutes of the last clean fall.
    pub fn last_top(&self) -> f64 {
        self.top_now
    }
}

/// The heater's power over the heat capacity beside it, cycle by cycle: fall and rise speeds add up to it, room and level
/// cancel. They do not cancel wholly, for the heater's own body stores: so only cycles whose fall is as fast as usual are judged.
/// A warmer or colder room changes that, a weak heater does not. One-sided CUSUM on its logarithm (Page 1954) for a loss to
/// 70 %: of standard scores, with half the shift as allowance.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Vigour {
    ln_q: Spread,
    /// Greatest speeds of its falls.
    #[serde(default)]
    falls: Spread,
    /// Minutes of its rises.
    #[serde(default)]
    minutes: Spread,
    loss: Cusum,
    /// The shift that a loss to 70 % is, in standard deviations: the sum times it is a likelihood ratio's logarithm.
    shift: f64,
    pub ratio: f64,
    last_fall: f64,
}

/// A rise must be as long as this share of what it usually is.
const AS_LONG: f64 = 0.9;
/// ln of the cycles of ten years is 13 (Lorden 1971); more, because cycles of one day are not independent.
const ENOUGH: f64 = 26.0;
/// So far a fall's greatest speed may be off its mean, as a share of it, or in mean deviations where that is more.
const ALIKE: f64 = 0.15;
const ALIKE_DEVS: f64 = 1.75;
/// From this suspicion on nothing is learned.
const LEARNS_UNTIL: f64 = 3.0;

impl Vigour {
    pub fn fell(&mut self, top_speed: f64) {
        if self.log_ratio() < LEARNS_UNTIL {
            self.falls.learn(top_speed, 0.02);
        }
        self.last_fall = top_speed;
    }

    /// A rise that ended completes a cycle. Returns whether the heater has grown weak.
    pub fn rose(&mut self, top_speed: f64, minutes: f64) -> bool {
        let usual = self.minutes;
        self.minutes.learn(minutes, 0.02);
        if usual.n >= 12.0 && minutes < AS_LONG * usual.mean {
            // A heater that has grown weak needs longer; one that is hardly needed stops before it is at its full speed.
            self.last_fall = 0.0;
            return self.weak();
        }
        let q = self.last_fall + top_speed;
        let off = (self.last_fall - self.falls.mean).abs();
        let alike = off <= (ALIKE_DEVS * self.falls.dev).max(ALIKE * self.falls.mean);
        if !(self.last_fall > 0.0 && top_speed > 0.0) {
            return self.weak();
        }
        self.last_fall = 0.0;
        let ln_q = libm::log(q);
        if self.ln_q.n < 12.0 {
            self.ln_q.learn(ln_q, 0.02);
            return false;
        }
        if !alike {
            self.learn(ln_q);
            return self.weak();
        }
        let s = (1.25 * self.ln_q.dev).max(0.05);
        let z = ((self.ln_q.mean - ln_q) / s).clamp(-3.0, 3.0);
        self.shift = (0.356_675 / s).min(3.0);
        self.loss.add(z, self.shift / 2.0);
        self.loss.up = self.loss.up.min(3.0 * ENOUGH / self.shift);
        self.ratio += 0.2 * (libm::exp(ln_q - self.ln_q.mean) - self.ratio);
        self.learn(ln_q);
        self.weak()
    }

    fn learn(&mut self, ln_q: f64) {
        if self.log_ratio() < LEARNS_UNTIL {
            self.ln_q.learn(ln_q, 0.02);
        }
    }

    pub fn weak(&self) -> bool {
        self.log_ratio() > ENOUGH
    }

    fn log_ratio(&self) -> f64 {
        self.loss.up * self.shift
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sum_takes_as_long_as_siegmunds_formula_says() {
        // Scatter of half the loss: shift 2, allowance 1, h = 26/2 → 13.7 cycles (Siegmund 1985; its values are checked against
        // the handbook's tables in `nature::sequential`). Learning goes on for the first cycles of the loss and takes a little
        // of it for normal, and scores are clipped at 3: up to two fifths more.
        let mut state = 11u64;
        let mut uniform = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        };
        let mut normal = move || libm::sqrt(-2.0 * libm::log(uniform())) * libm::cos(std::f64::consts::TAU * uniform());
        let (loss, runs) = (0.356_675, 200);
        let mut cycles = 0;
        for _ in 0..runs {
            let mut vigour = Vigour::default();
            let mut cycle = |vigour: &mut Vigour, loss: f64| {
                let q = libm::exp(0.5 * 0.356_675 * normal() - loss);
                // What is missing of the power is missing of the rises.
                vigour.fell(0.3);
                vigour.rose(q - 0.3, 10.0)
            };
            for _ in 0..400 {
                cycle(&mut vigour, 0.0);
            }
            cycles += 1;
            while !cycle(&mut vigour, loss) {
                cycles += 1;
            }
        }
        let mean = f64::from(cycles) / f64::from(runs);
        let siegmund = crate::nature::sequential::run_length_one_sided(2.0, 1.0, ENOUGH / 2.0);
        assert!((siegmund - 13.7).abs() < 0.1 && mean > 0.85 * siegmund && mean < 1.4 * siegmund, "{mean} {siegmund}");
    }

    #[test]
    fn a_loss_to_seventy_percent_is_found_within_a_dozen_cycles_and_scatter_is_not() {
        let mut vigour = Vigour::default();
        let mut wobble = 0u32;
        let mut speed = |scale: f64| {
            wobble = wobble.wrapping_mul(747_796_405).wrapping_add(2_891_336_453);
            scale * (0.3 + 0.03 * (f64::from(wobble >> 16) / 65_536.0 - 0.5))
        };
        for _ in 0..3_000 {
            vigour.fell(speed(1.0));
            assert!(!vigour.rose(speed(1.0), 10.0));
        }
        let mut found = None;
        for k in 0..30 {
            vigour.fell(speed(1.0));
            if vigour.rose(speed(0.4), 14.0) {
                found = Some(k);
                break;
            }
        }
        assert!(found.is_some_and(|k| k < 12), "{found:?}");
    }

    #[test]
    fn rises_that_stop_short_are_no_weak_heater() {
        let mut vigour = Vigour::default();
        for _ in 0..40 {
            vigour.fell(0.1);
            assert!(!vigour.rose(0.1, 10.0));
        }
        for _ in 0..100 {
            vigour.fell(0.07);
            assert!(!vigour.rose(0.07, 6.0), "it is hardly needed");
        }
        let weak = (0..100).find(|_| {
            vigour.fell(0.1);
            vigour.rose(0.04, 14.0)
        });
        assert!(weak.is_some_and(|k| k < 60), "{weak:?}");
    }

    #[test]
    fn falls_that_a_warmer_room_has_slowed_are_no_weak_heater() {
        let mut vigour = Vigour::default();
        for _ in 0..40 {
            vigour.fell(0.1);
            assert!(!vigour.rose(0.1, 10.0));
        }
        for _ in 0..300 {
            vigour.fell(0.05);
            assert!(!vigour.rose(0.105, 10.0), "what the falls lack the rises do not wholly gain");
        }
    }
}
