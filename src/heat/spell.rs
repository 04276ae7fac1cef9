//! Spells: power that is away, power that is full. How surprising it is that one goes on, by what ended them in health.
//!
//! Under a thermostat power always comes back by the time the level has sunk to where heat is called for, and always lets go by
//! the time it has risen to where that ends. Three things speak when a spell does neither, each as `−ln P` of being so extreme in
//! health: how far the level is past where spells end; how long it has been there; and that the spell began too early, the level
//! short of where it usually turns *and* the time before it short. Tails are exponential on both sides of a learned mean.

use serde::{Deserialize, Serialize};

/// Events before a tail says anything.
const ENOUGH: u16 = 8;
/// No single surprise says more than this: each has its own rare causes that no tail foresees.
pub const MOST_OF_ONE: f64 = 10.0;
/// The least scale of a level, K: what lies down on a probe.
const LEAST_K: f64 = 0.12;
/// The least scale of a time, min, beside the plug's interval.
const LEAST_MIN: f64 = 0.5;
const LN_2: f64 = core::f64::consts::LN_2;

/// A mean and a mean deviation: a Laplace distribution that forgets slowly.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct Tail {
    mean: f32,
    dev: f32,
    n: u16,
}

impl Tail {
    /// `least`: the least scale that is believed.
    pub fn learn(&mut self, x: f64, least: f64) {
        if !x.is_finite() {
            return;
        }
        let (mean, dev) = (f64::from(self.mean), f64::from(self.dev).max(least));
        self.n = self.n.saturating_add(1);
        if self.n == 1 {
            (self.mean, self.dev) = (x as f32, least as f32);
            return;
        }
        let pace = (1.0 / f64::from(self.n)).max(0.02);
        let miss = (x - mean).clamp(-5.0 * dev, 5.0 * dev);
        self.mean = (mean + pace * miss) as f32;
        self.dev += (pace * (libm::fabs(miss) - f64::from(self.dev))) as f32;
    }

    /// `−ln P` of a value this high in health; 0 below the mean, and while too little is known.
    pub fn above(&self, x: f64, least: f64) -> f64 {
        self.beyond(x - f64::from(self.mean), least)
    }

    /// `−ln P` of a value this low.
    pub fn below(&self, x: f64, least: f64) -> f64 {
        self.beyond(f64::from(self.mean) - x, least)
    }

    fn beyond(&self, by: f64, least: f64) -> f64 {
        if self.n < ENOUGH || by.is_nan() || by <= 0.0 {
            return 0.0;
        }
        // Few events know their own spread badly.
        let scale = f64::from(self.dev).max(least) * (1.0 + 6.0 / f64::from(self.n));
        LN_2 + by / scale
    }

    pub fn deviation(&self) -> f64 {
        f64::from(self.dev)
    }

    pub fn mean(&self) -> Option<f64> {
        (self.n >= ENOUGH).then_some(f64::from(self.mean))
    }
}

/// What is seen beside a spell.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    pub t: f64,
    /// How far the level is past every turn on the side to which it moves in a spell, and on the other side, K; mostly negative.
    pub own: Option<f64>,
    pub other: Option<f64>,
    pub s_x: f64,
    /// Usual minutes between the plug's reports.
    pub interval: f64,
    /// Usual minutes between levels.
    pub every: f64,
    pub learn: bool,
    /// The longest spell at this clock time, min, and of how many days.
    pub clock: (f64, u8),
}

/// One kind of spell: since when it lasts, and how such spells begin and end in health.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Spells {
    since: Option<f64>,
    ended: Option<f64>,
    /// Since when the level has been where spells end.
    due: Option<f64>,
    premature: f32,
    ends: Tail,
    waits: Tail,
    starts: Tail,
    between: Tail,
    length: Tail,
}

impl Spells {
    /// A report: whether the spell goes on.
    pub fn step(&mut self, on: bool, s: &Seen) {
        match (on, self.since) {
            (true, None) => self.begin(s),
            (true, Some(_)) => self.follow(s),
            (false, Some(since)) => self.end(since, s),
            (false, None) => {}
        }
    }

    fn begin(&mut self, s: &Seen) {
        (self.since, self.due, self.premature) = (Some(s.t), None, 0.0);
        let short = s.other.map(|u| -u);
        let time = self.ended.map(|ended| s.t - ended);
        if let (Some(short), Some(time)) = (short, time) {
            // A spell that belongs to this hour (a night that is let cool) begins when it will.
            let of_the_hour =
                self.length.mean().is_none_or(|mean| s.clock.0 > (2.5 * mean).max(mean + 3.0 * s.interval));
            if s.clock.1 > 0 && !of_the_hour {
                let by_time = self.between.below(time, self.scale_min(s, &self.between));
                self.premature = self.starts.above(short, scale_k(s)).min(by_time) as f32;
            }
            if s.learn {
                self.starts.learn(short, scale_k(s));
                self.between.learn(time, scale_min(s));
            }
        }
        self.follow(s);
    }

    /// Time has passed, or the level moved, while the spell goes on.
    pub fn follow(&mut self, s: &Seen) {
        let (Some(_), Some(own), Some(mean)) = (self.since, s.own, self.ends.mean()) else { return };
        if own >= mean {
            self.due.get_or_insert(s.t);
        } else if own < mean - 2.0 * scale_k(s) {
            self.due = None;
        }
    }

    fn end(&mut self, since: f64, s: &Seen) {
        if s.learn {
            if let Some(own) = s.own {
                self.ends.learn(own, scale_k(s));
                self.waits.learn(self.due.map_or(0.0, |due| s.t - due), scale_min(s));
            }
            self.length.learn(s.t - since, scale_min(s));
        }
        (self.since, self.due, self.premature, self.ended) = (None, None, 0.0, Some(s.t));
    }

    fn scale_min(&self, s: &Seen, of: &Tail) -> f64 {
        scale_min(s).max(0.1 * f64::from(of.mean))
    }

    /// How surprising it is that the spell still goes on, `−ln P`.
    pub fn surprise(&self, s: &Seen) -> f64 {
        if self.since.is_none() {
            return 0.0;
        }
        let level = s.own.map_or(0.0, |own| self.ends.above(own, scale_k(s)));
        let wait = self.due.map_or(0.0, |due| self.waits.above(s.t - due, scale_min(s)));
        level.min(MOST_OF_ONE) + wait.min(MOST_OF_ONE) + f64::from(self.premature)
    }

    /// Minutes for which it has lasted.
    pub fn lasted(&self, t: f64) -> Option<f64> {
        self.since.map(|since| t - since)
    }

    /// Spells that ended in health.
    pub fn known(&self) -> u16 {
        self.length.n
    }

    /// Mean length, min.
    pub fn usual_min(&self) -> Option<f64> {
        self.length.mean()
    }

    /// How far past every turn the level usually is when a spell ends, K (negative: short of it).
    pub fn usual_end_k(&self) -> Option<f64> {
        self.ends.mean()
    }

    /// A gap: what goes on is not known.
    pub fn cut(&mut self) {
        (self.since, self.due, self.premature, self.ended) = (None, None, 0.0, None);
    }
}

pub fn scale_k(s: &Seen) -> f64 {
    (0.7 * s.s_x).max(LEAST_K)
}

pub fn scale_min(s: &Seen) -> f64 {
    s.interval.clamp(LEAST_MIN, 5.0)
}
