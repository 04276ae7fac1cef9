//! Pseudo-random numbers for the simulator: small, seeded, the same on every machine.

/// SplitMix64 (Steele, Lea, Flood 2014; constants from memory).
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64, stream: u64) -> Chance {
        let mut c = Chance(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ stream.wrapping_mul(0xD1B5_4A32_D192_ED03));
        c.next();
        c.next();
        c
    }
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// Uniform in 0..1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    /// Uniform in the logarithm.
    pub fn log_within(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }
    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }
    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[(self.next() % of.len() as u64) as usize]
    }
    /// Exponential with this mean.
    pub fn wait(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.unit()).ln()
    }
    /// Standard normal: sum of twelve uniforms less six (tails to ±6, enough for sensor noise).
    pub fn normal(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..3 {
            let bits = self.next();
            for k in 0..4 {
                sum += (((bits >> (16 * k)) & 0xFFFF) as f64 + 0.5) / 65_536.0;
            }
        }
        sum
    }
}
