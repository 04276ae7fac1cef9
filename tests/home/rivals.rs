//! The yardsticks beside the detector: the ideal that knows every true parameter, the one that sees watts alone, a plain band.

/// The ceiling: it knows the course of the enclosure with and without the fault (doors, command, dials and all) and adds up
/// the Gaussian log-likelihood ratio of the readings, allowing for noise and a drift of 0.05 K/√min; it alarms at
/// ln(10 years of minute readings), the bound of Lorden (1971) for a mean time of 10 years between false alarms.
#[derive(Clone, Debug)]
pub struct Ideal {
    sum: f64,
    drift: [f64; 2],
    var: f64,
    last_min: Option<f64>,
}

/// ln of the minutes in ten years.
const TEN_YEARS: f64 = 15.475;

impl Ideal {
    pub fn new() -> Ideal {
        Ideal { sum: 0.0, drift: [0.0; 2], var: 0.01, last_min: None }
    }

    /// A temperature: what was read, what the sound and the faulty enclosure would truly have had. Returns whether it alarms.
    pub fn level(&mut self, at_min: f64, read: f64, sound: f64, faulty: f64, sigma: f64) -> bool {
        let dt = self.last_min.map_or(1.0, |last| at_min - last);
        self.last_min = Some(at_min);
        self.var += 0.0025 * dt;
        let s = self.var + sigma * sigma;
        let gain = self.var / s;
        let miss = [read - sound - self.drift[0], read - faulty - self.drift[1]];
        self.sum = (self.sum + (miss[0] * miss[0] - miss[1] * miss[1]) / (2.0 * s)).max(0.0);
        for (drift, miss) in self.drift.iter_mut().zip(miss) {
            *drift += gain * miss;
        }
        self.var *= 1.0 - gain;
        self.sum > TEN_YEARS
    }

    /// A plug's report, known to 3 % and 1 W.
    pub fn watts(&mut self, read: f64, sound: f64, faulty: f64) -> bool {
        let s = 1.0 + 0.03 * sound.max(faulty);
        let llr = ((read - sound).powi(2) - (read - faulty).powi(2)) / (2.0 * s * s);
        self.sum = (self.sum + llr.clamp(-20.0, 20.0)).max(0.0);
        self.sum > TEN_YEARS
    }
}

/// A careful band check: median of three readings, outside for five minutes.
#[derive(Clone, Debug)]
pub struct Band {
    pub low: f64,
    pub high: f64,
    last: [f64; 3],
    since_min: Option<f64>,
}

impl Band {
    pub fn new(low: f64, high: f64) -> Band {
        Band { low, high, last: [f64::NAN; 3], since_min: None }
    }

    /// Whether it alarms at this reading.
    pub fn level(&mut self, at_min: f64, read: f64) -> bool {
        self.last = [self.last[1], self.last[2], read];
        let mut sorted = self.last;
        sorted.sort_by(f64::total_cmp);
        let outside = sorted[1] < self.low || sorted[1] > self.high;
        if !outside {
            self.since_min = None;
            return false;
        }
        at_min - *self.since_min.get_or_insert(at_min) >= 5.0
    }
}

/// What watts alone can tell without the command and without the level: it knows the longest that this power has lasted within
/// an hour of this clock time on any day, to the second, and alarms when that is outlasted.
#[derive(Clone, Debug)]
pub struct Lasting {
    longest_s: [i64; 24],
    run_s: i64,
}

impl Lasting {
    pub fn new() -> Lasting {
        Lasting { longest_s: [0; 24], run_s: 0 }
    }

    /// A step in health: whether the power is as it would be in the fault.
    pub fn learn(&mut self, like_fault: bool, at_s: i64) {
        self.step(like_fault);
        let hour = at_s.rem_euclid(86_400) as usize / 3_600;
        self.longest_s[hour] = self.longest_s[hour].max(self.run_s);
    }

    pub fn step(&mut self, like_fault: bool) {
        self.run_s = if like_fault { self.run_s + super::STEP_S } else { 0 };
    }

    /// Whether it has lasted longer than ever at this time.
    pub fn alarms(&self, at_s: i64) -> bool {
        let hour = at_s.rem_euclid(86_400) as usize / 3_600;
        let longest = [23, 24, 25].into_iter().map(|k| self.longest_s[(hour + k) % 24]).max();
        self.run_s > longest.unwrap_or(0) + super::STEP_S
    }
}
