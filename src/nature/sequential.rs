//! Sequential statistics: the cumulative sum of Page 1954, how long it runs without a change, and how fast any method can be.

use serde::{Deserialize, Serialize};

/// Which way a mean has moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Shift {
    Up,
    Down,
}

/// A two-sided cumulative sum of standard scores; with one side looked at it is the one-sided one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Cusum {
    pub up: f64,
    pub down: f64,
}

impl Cusum {
    /// Takes a standard score with the allowance `k` (half the shift that matters, in standard deviations). No number: nothing.
    pub fn add(&mut self, z: f64, k: f64) {
        if z.is_finite() {
            self.up = (self.up + z - k).max(0.0);
            self.down = (self.down - z - k).max(0.0);
        }
    }

    /// The side that has passed the decision interval `h`, the further one when both have.
    pub fn past(&self, h: f64) -> Option<Shift> {
        match (self.up > h, self.down > h) {
            (false, false) => None,
            (true, false) => Some(Shift::Up),
            (false, true) => Some(Shift::Down),
            (true, true) => Some(if self.up >= self.down { Shift::Up } else { Shift::Down }),
        }
    }
}

/// Siegmund's approximation of the one-sided average run length at a true shift `delta` (1985; k and h as in [`Cusum`]):
/// `(e^(−2Δb) + 2Δb − 1)/(2Δ²)`, `Δ = delta − k`, `b = h + 1.166`.
pub fn run_length_one_sided(delta: f64, k: f64, h: f64) -> f64 {
    let (shift, b) = (delta - k, h + 1.166);
    if shift.abs() < 1e-6 {
        return b * b;
    }
    (libm::exp(-2.0 * shift * b) + 2.0 * shift * b - 1.0) / (2.0 * shift * shift)
}

/// The two-sided average run length: `1/ARL = 1/ARL(δ) + 1/ARL(−δ)`.
pub fn run_length_two_sided(delta: f64, k: f64, h: f64) -> f64 {
    1.0 / (1.0 / run_length_one_sided(delta, k, h) + 1.0 / run_length_one_sided(-delta, k, h))
}

/// The fewest samples, on average and in the worst case, in which any method can see a shift of `delta` standard deviations
/// when it may cry wolf once in `gamma` samples: `ln γ / I`, `I = δ²/2` (Lorden 1971, Moustakides 1986).
pub fn least_delay(gamma: f64, delta: f64) -> f64 {
    libm::log(gamma) / (delta * delta / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn run_lengths_of_the_handbook() {
        // Montgomery's table, the same in the NIST/SEMATECH handbook: two-sided, k = 0.5. Siegmund's formula is an
        // approximation: within 4 % of the table, or 0.3 samples where runs are short.
        let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0];
        let table =
            [(4.0, [168.0, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34]), (5.0, [465.0, 139.0, 38.0, 17.0, 10.4, 5.75, 4.01])];
        for (h, row) in table {
            for (delta, want) in shifts.into_iter().zip(row) {
                let ours = run_length_two_sided(delta, 0.5, h);
                assert!((ours - want).abs() < (0.04 * want).max(0.3), "h {h} shift {delta}: {ours} for {want}");
            }
        }
    }

    #[test]
    fn siegmund_without_a_shift() {
        // Siegmund's formula by hand at zero shift, k = 0.5; the integral equation gives 335.4 and 930.9.
        for (h, want, exact) in [(4.0, 338.1, 335.4), (5.0, 938.2, 930.9)] {
            let ours = run_length_one_sided(0.0, 0.5, h);
            assert!((ours - want).abs() < 0.1, "{ours}");
            assert!((ours / exact - 1.0).abs() < 0.01);
        }
        assert!((run_length_one_sided(0.5, 0.5, 4.0) - 5.166 * 5.166).abs() < 1e-9, "the limit at Δ = 0");
    }

    /// Standard normal numbers without a library: a 64-bit congruential generator (Knuth's MMIX constants), Box and Muller.
    fn normals() -> impl Iterator<Item = f64> {
        let mut state = 0x5eed_u64;
        let mut uniform = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        };
        std::iter::repeat_with(move || {
            let (u, v) = (uniform(), uniform());
            libm::sqrt(-2.0 * libm::log(u)) * libm::cos(std::f64::consts::TAU * v)
        })
    }

    #[test]
    fn our_sum_runs_as_long_as_it_should() {
        // One-sided, k = 0.5, h = 4, no shift: 335.4 (integral equation); two-sided: 168 (Montgomery). 4,000 runs: ±1.6 % (1 s).
        let mut z = normals();
        let mut mean = |past: fn(&Cusum) -> bool| {
            let runs = 4_000;
            let total: u32 = (0..runs)
                .map(|_| {
                    let mut sum = Cusum::default();
                    let mut n = 0;
                    while !past(&sum) {
                        sum.add(z.next().unwrap_or(0.0), 0.5);
                        n += 1;
                    }
                    n
                })
                .sum();
            f64::from(total) / f64::from(runs)
        };
        let one = mean(|c| c.up > 4.0);
        let two = mean(|c| c.past(4.0).is_some());
        assert!((one / 335.4 - 1.0).abs() < 0.06, "{one}");
        assert!((two / 168.0 - 1.0).abs() < 0.06, "{two}");
    }

    #[test]
    fn the_bound_of_lorden() {
        // For one false alarm a year of one-minute samples ln γ = 13.17 (computed).
        let gamma = 365.25 * 1_440.0;
        assert!((libm::log(gamma) - 13.17).abs() < 0.005);
        assert!((least_delay(gamma, 1.0) - 26.35).abs() < 0.01, "{}", least_delay(gamma, 1.0));
        assert!((least_delay(gamma, 2.0) * 4.0 - least_delay(gamma, 1.0)).abs() < 1e-9);
    }

    #[test]
    fn no_number_is_no_sample() {
        let mut sum = Cusum::default();
        sum.add(f64::NAN, 0.5);
        sum.add(f64::INFINITY, 0.5);
        assert_eq!(sum, Cusum::default());
    }
}
