//! The front end of one probe: its noise, its step, its usual interval; level and slope; spikes; silence that asserts a value.
//!
//! Level and slope come from a Kalman filter with white acceleration (Bar-Shalom, Li, Kirubarajan 2001, ch. 6, from memory).
//! The noise is `1.4826 · median |second difference| / √6` (Rousseeuw and Croux 1993, from memory), the median by
//! stochastic approximation, so that nothing is stored.

use serde::{Deserialize, Serialize};

/// Strength of the white acceleration, K²/min³. Higher follows doors, lower smooths; from simulation, no source.
const ACCELERATION: f64 = 0.003;
/// The least noise that is ever assumed, K.
const LEAST_NOISE: f64 = 0.02;
/// The longest gap over which level and slope are carried on, min.
const LONGEST_CARRY_MIN: f64 = 30.0;

/// Level and slope at a reading, with their spreads.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// Minutes since the watch began.
    pub t: f64,
    /// °C (or the negative of it, for the high side).
    pub x: f64,
    /// K/min.
    pub v: f64,
    pub s_x: f64,
    pub s_v: f64,
    /// Raw difference to the reading before and the minutes between: what a filter would smooth away.
    pub jump: f64,
    pub dt: f64,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Front {
    x: f64,
    v: f64,
    p: [f64; 3],
    t: f64,
    last: f64,
    before: f64,
    held_back: bool,
    count: u32,
    second_diff: f64,
    step: f64,
    equal_share: f64,
    short_interval: f64,
    long_interval: f64,
    usual_interval: f64,
}

impl Default for Front {
    fn default() -> Front {
        Front {
            x: 0.0,
            v: 0.0,
            p: [1.0, 0.0, 0.02],
            t: 0.0,
            last: 0.0,
            before: 0.0,
            held_back: false,
            count: 0,
            second_diff: 0.1,
            step: f64::INFINITY,
            equal_share: 0.2,
            short_interval: 1.0,
            long_interval: 1.0,
            usual_interval: 1.0,
        }
    }
}

impl Front {
    /// One trusted reading at minute `t`: hands out no sample (held back, repeated, earlier than the last), one, or two (a
    /// sensor that reports changes kept silent: its old value held until just before).
    pub fn hear(&mut self, t: f64, raw: f64, out: &mut [Sample; 2]) -> usize {
        if !raw.is_finite() || !t.is_finite() || (self.count > 0 && t <= self.t) {
            return 0;
        }
        if self.count == 0 {
            self.seat(t, raw);
            self.learn(raw, 1.0);
            out[0] = self.sample(1.0);
            return 1;
        }
        let dt = t - self.t;
        let mut n = 0;
        if self.reports_changes() && dt > 2.2 * self.usual_interval && dt > 1.0 {
            let held_until = t - self.usual_interval.min(dt / 2.0);
            self.update(held_until, self.last, 2.0);
            out[n] = self.sample(held_until - (t - dt));
            n += 1;
        }
        let s = self.predicted_spread(t);
        let miss = raw - (self.x + self.v * (t - self.t).min(LONGEST_CARRY_MIN));
        if miss.abs() > 6.0 * s + 1.0 {
            if !self.held_back {
                self.held_back = true;
                return n;
            }
            let jump_dt = dt.max(1e-3);
            let jump = raw - self.last;
            self.seat(t, raw);
            self.last = raw;
            let mut sample = self.sample(jump_dt);
            sample.jump = jump;
            out[n] = sample;
            return n + 1;
        }
        self.held_back = false;
        self.learn(raw, dt);
        let jump = raw - self.last;
        self.update(t, raw, 1.0);
        self.last = raw;
        let mut sample = self.sample(dt);
        sample.jump = jump;
        out[n] = sample;
        n + 1
    }

    fn seat(&mut self, t: f64, raw: f64) {
        self.x = raw;
        self.v = 0.0;
        self.p = [self.noise_var(), 0.0, 0.02];
        self.t = t;
        self.held_back = false;
        if self.count == 0 {
            self.last = raw;
            self.before = raw;
        }
    }

    fn learn(&mut self, raw: f64, dt: f64) {
        self.count = self.count.saturating_add(1);
        let diff = (raw - self.last).abs();
        if self.count > 1 {
            if diff > 1e-4 {
                self.step = self.step.min(diff);
            }
            let pace = (1.0 / f64::from(self.count)).max(0.004);
            self.equal_share += pace * (f64::from(u8::from(diff <= 1e-4)) - self.equal_share);
            let dt = dt.min(240.0);
            quantile(&mut self.short_interval, dt, 0.1, pace.max(0.01));
            quantile(&mut self.long_interval, dt, 0.9, pace.max(0.01));
            quantile(&mut self.usual_interval, dt, 0.5, pace.max(0.01));
        }
        if self.count > 2 && dt < 10.0 {
            let second = (raw - 2.0 * self.last + self.before).abs();
            let pace = (2.0 / f64::from(self.count)).max(0.01);
            quantile(&mut self.second_diff, second, 0.5, pace);
        }
        self.before = self.last;
    }

    fn reports_changes(&self) -> bool {
        self.count > 20 && self.equal_share < 0.1 && self.long_interval > 2.5 * self.short_interval
    }

    fn noise_var(&self) -> f64 {
        let sigma = self.sigma();
        sigma * sigma
    }

    /// Standard deviation of a reading, K.
    pub fn sigma(&self) -> f64 {
        let from_step = if self.step.is_finite() { self.step.min(1.0) * 0.288_675 } else { 0.0 };
        (self.second_diff * 0.605_3).max(from_step).clamp(LEAST_NOISE, 1.0)
    }

    /// The smallest difference between readings, K.
    pub fn step(&self) -> f64 {
        if self.step.is_finite() { self.step.min(1.0) } else { 0.0 }
    }

    /// Usual minutes between readings.
    pub fn interval(&self) -> f64 {
        self.usual_interval.clamp(0.02, 60.0)
    }

    pub fn count(&self) -> u32 {
        self.count
    }

    /// The last raw reading.
    pub fn last_raw(&self) -> f64 {
        self.last
    }

    fn predicted_spread(&self, t: f64) -> f64 {
        let dt = (t - self.t).clamp(0.0, LONGEST_CARRY_MIN);
        let p00 = self.p[0] + 2.0 * dt * self.p[1] + dt * dt * self.p[2] + ACCELERATION * dt * dt * dt / 3.0;
        libm::sqrt((p00 + self.noise_var()).max(0.0))
    }

    fn update(&mut self, t: f64, raw: f64, weight: f64) {
        let dt = (t - self.t).clamp(0.0, LONGEST_CARRY_MIN);
        let [p00, p01, p11] = self.p;
        let q = ACCELERATION;
        let p00 = p00 + 2.0 * dt * p01 + dt * dt * p11 + q * dt * dt * dt / 3.0;
        let p01 = p01 + dt * p11 + q * dt * dt / 2.0;
        let p11 = p11 + q * dt;
        let s = p00 + self.noise_var() * weight;
        let (k0, k1) = (p00 / s, p01 / s);
        let predicted = self.x + self.v * dt;
        let miss = raw - predicted;
        self.x = predicted + k0 * miss;
        self.v += k1 * miss;
        self.p = [(1.0 - k0) * p00, (1.0 - k0) * p01, p11 - k1 * p01];
        self.t = t;
    }

    fn sample(&self, dt: f64) -> Sample {
        Sample {
            t: self.t,
            x: self.x,
            v: self.v,
            s_x: libm::sqrt(self.p[0].max(0.0)),
            s_v: libm::sqrt(self.p[2].max(0.0)),
            jump: 0.0,
            dt,
        }
    }

    /// Level and slope carried on to minute `t` by at most five minutes; `None` when nothing was heard for `oldest` minutes.
    pub fn at(&self, t: f64, oldest: f64) -> Option<Sample> {
        let age = t - self.t;
        if self.count == 0 || age > oldest {
            return None;
        }
        let mut sample = self.sample(0.0);
        sample.x += self.v * age.clamp(0.0, 5.0);
        sample.t = t;
        Some(sample)
    }

    /// How long a value holds: a sensor that reports changes may keep silent for hours.
    pub fn holds_min(&self) -> f64 {
        (4.0 * self.long_interval).clamp(15.0, 130.0)
    }
}

/// One step of stochastic approximation of a quantile, in proportion to the estimate (Robbins and Monro 1951).
pub(super) fn quantile(estimate: &mut f64, x: f64, p: f64, pace: f64) {
    let up = if x > *estimate { p } else { p - 1.0 };
    *estimate = (*estimate * (1.0 + 2.0 * pace * up)).clamp(1e-3, 1e4);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(front: &mut Front, every: f64, n: usize, f: impl Fn(f64) -> f64) -> Vec<Sample> {
        let mut got = Vec::new();
        let mut out = [Sample::default(); 2];
        for k in 0..n {
            let t = k as f64 * every;
            let m = front.hear(t, f(t), &mut out);
            got.extend_from_slice(&out[..m]);
        }
        got
    }

    #[test]
    fn finds_level_and_slope_of_a_ramp() {
        let mut front = Front::default();
        let got = feed(&mut front, 1.0, 200, |t| 30.0 - 0.1 * t);
        let last = got.last().copied().unwrap_or_default();
        assert!((last.x - (30.0 - 19.9)).abs() < 0.02, "{last:?}");
        assert!((last.v + 0.1).abs() < 0.005, "{last:?}");
    }

    #[test]
    fn holds_back_one_spike_and_follows_a_true_step() {
        let mut front = Front::default();
        feed(&mut front, 1.0, 100, |_| 30.0);
        let mut out = [Sample::default(); 2];
        assert_eq!(front.hear(100.0, 85.0, &mut out), 0);
        assert_eq!(front.hear(101.0, 30.0, &mut out), 1);
        assert!((out[0].x - 30.0).abs() < 0.1);
        assert_eq!(front.hear(102.0, 20.0, &mut out), 0);
        assert_eq!(front.hear(103.0, 20.0, &mut out), 1);
        assert!((out[0].x - 20.0).abs() < 0.1);
    }

    #[test]
    fn measures_steps_and_noise() {
        let mut front = Front::default();
        feed(&mut front, 1.0, 2_000, |t| 30.0 + if (t as i64) % 3 == 0 { 0.0625 } else { 0.0 });
        assert!((front.step() - 0.0625).abs() < 1e-9);
        let mut noisy = Front::default();
        let mut state = 1u64;
        let mut out = [Sample::default(); 2];
        for k in 0..5_000 {
            let mut sum = -6.0;
            for _ in 0..12 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (state >> 33) as f64 / (1u64 << 31) as f64;
            }
            noisy.hear(f64::from(k), 30.0 + 0.2 * sum, &mut out);
        }
        assert!((noisy.sigma() - 0.2).abs() < 0.03, "{}", noisy.sigma());
    }

    #[test]
    fn refuses_what_is_no_reading_and_what_is_not_later() {
        let mut front = Front::default();
        feed(&mut front, 1.0, 10, |_| 30.0);
        let mut out = [Sample::default(); 2];
        for (t, x) in [(9.0, 31.0), (5.0, 31.0), (10.0, f64::NAN), (f64::NAN, 30.0), (11.0, f64::INFINITY)] {
            assert_eq!(front.hear(t, x, &mut out), 0);
        }
    }
}
