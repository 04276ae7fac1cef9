//! Spells: power that is away, power that is full. How surprising it is that one goes on, by what ended them in health.
//!
//! Under a thermostat power always comes back by the time the level has sunk to where heat is called for, and always lets go by
//! the time it has risen to where that ends. Three things speak when a spell does neither, each as `−ln P` of being so extreme in
//! health: how far the level is past where spells end; how long it has been there; and that the spell began too early, the level
//! short of where it usually turns *and* the time before it short.

use serde::{Deserialize, Serialize};

/// Events before a tail says anything.
const ENOUGH: u16 = 8;
/// No single surprise says more than this: each has its own rare causes that no tail foresees.
pub const MOST_OF_ONE: f64 = 10.0;
/// The level itself must surprise by this much, and the rest may add so much each: days of sun, lamps and draughts move times.
const LEAST_OF_LEVEL: f64 = 5.0;
const LEAST_OF_LEVEL_ALONE: f64 = 8.5;
pub const MOST_OF_REST: f64 = 5.0;
/// The least scale of a level, K: what lies down on a probe.
const LEAST_K: f64 = 0.15;
/// Last ends of spells that are remembered, and for how long the newest counts, min.
const TURNS: usize = 2;
const TURNS_HOLD_MIN: f64 = 720.0;
/// The least scale of a time, min, beside the plug's interval.
const LEAST_MIN: f64 = 0.5;

/// The upper tail of something: a level that one in ten goes past, and by how much on the mean (peaks over threshold, with
/// an exponential tail as in `levels.rs`; the level by Robbins and Monro 1951).
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
pub struct Tail {
    level: f32,
    excess: f32,
    n: u16,
}

/// The share that goes past the level of a tail.
const PAST: f64 = 0.1;

impl Tail {
    /// `least`: the least scale that is believed.
    pub fn learn(&mut self, x: f64, least: f64) {
        self.learn_at(x, least, 0.3);
    }

    /// The same with a pace of one's own: how far the level moves with each event, in scales.
    pub fn learn_at(&mut self, x: f64, least: f64, pace: f64) {
        if !x.is_finite() {
            return;
        }
        let (level, scale) = (f64::from(self.level), f64::from(self.excess).max(least));
        self.n = self.n.saturating_add(1);
        if self.n == 1 || (self.n <= ENOUGH && x > level) {
            (self.level, self.excess) = (x as f32, least as f32);
        } else if x > level {
            self.level += (pace * scale * (1.0 - PAST)) as f32;
            self.excess += (0.1 * ((x - level).min(5.0 * scale) - f64::from(self.excess))) as f32;
        } else {
            self.level -= (pace * scale * PAST) as f32;
        }
    }

    /// `−ln P` of a value this high in health; 0 below the level, and while too little is known.
    pub fn above(&self, x: f64, least: f64) -> f64 {
        let by = x - f64::from(self.level);
        if self.n < ENOUGH || by.is_nan() || by <= 0.0 {
            return 0.0;
        }
        // Few events know their own spread badly.
        let scale = f64::from(self.excess).max(least) * (1.0 + 6.0 / f64::from(self.n));
        by / scale - libm::log(PAST)
    }

    /// What one in ten goes past.
    pub fn level(&self) -> Option<f64> {
        (self.n >= ENOUGH).then_some(f64::from(self.level))
    }
}

/// What is seen beside a spell.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    pub t: f64,
    /// How far the level is past every turn on the side to which it moves in a spell, and on the other side, K; mostly negative.
    pub own: Option<f64>,
    pub other: Option<f64>,
    /// The level itself, with the sign by which it grows in a spell.
    pub level: Option<f64>,
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
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Spells {
    since: Option<f64>,
    ended: Option<f64>,
    /// Since when the level has been where spells end.
    due: Option<f64>,
    premature: f32,
    ends: Tail,
    waits: Tail,
    starts: Tail,
    /// Of the negative: how short the time between spells is.
    between: Tail,
    length: Tail,
    /// Levels at the last ends, newest last, NaN while unknown; and how far past all of them spells go in health.
    turns: [f32; TURNS],
    turned: f64,
    beyond: Tail,
}

impl Default for Spells {
    fn default() -> Spells {
        Spells {
            since: None,
            ended: None,
            due: None,
            premature: 0.0,
            ends: Tail::default(),
            waits: Tail::default(),
            starts: Tail::default(),
            between: Tail::default(),
            length: Tail::default(),
            turns: [f32::NAN; TURNS],
            turned: 0.0,
            beyond: Tail::default(),
        }
    }
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
            if s.clock.1 > 0 && !self.of_the_hour(s) {
                let by_time = self.between.above(-time, scale_min(s));
                self.premature = self.starts.above(short, scale_k(s)).min(by_time) as f32;
            }
            if s.learn {
                self.starts.learn(short, scale_k(s));
                self.between.learn(-time, scale_min(s));
            }
        }
        self.follow(s);
    }

    /// Time has passed, or the level moved, while the spell goes on.
    pub fn follow(&mut self, s: &Seen) {
        let (Some(_), Some(own), Some(turn)) = (self.since, s.own, self.ends.level()) else { return };
        if own >= turn {
            self.due.get_or_insert(s.t);
        } else if own < turn - 2.0 * scale_k(s) {
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
            if let Some(past) = self.past_turns(s) {
                self.beyond.learn(past, scale_k(s));
            }
        }
        if let Some(level) = s.level {
            self.turns.rotate_left(1);
            self.turns[TURNS - 1] = level as f32;
            self.turned = s.t;
        }
        (self.since, self.due, self.premature, self.ended) = (None, None, 0.0, Some(s.t));
    }

    /// Whether longer spells belong to this hour: a night that is let cool.
    fn of_the_hour(&self, s: &Seen) -> bool {
        self.length.level().is_none_or(|usual| s.clock.0 > (1.5 * usual).max(usual + 3.0 * s.interval))
    }

    /// How far the level is past all of its last turns, K.
    fn past_turns(&self, s: &Seen) -> Option<f64> {
        if s.t - self.turned > TURNS_HOLD_MIN || self.turns.iter().any(|turn| turn.is_nan()) {
            return None;
        }
        let furthest = self.turns.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        s.level.map(|level| level - f64::from(furthest))
    }

    /// How surprising it is that the spell still goes on, `−ln P`; 0 while the level alone is not surprising, whatever the rest.
    pub fn surprise(&self, s: &Seen) -> f64 {
        if self.since.is_none() {
            return 0.0;
        }
        let by_hour = s.own.map_or(0.0, |own| self.ends.above(own, scale_k(s)));
        let of_late = self.past_turns(s).map_or(0.0, |past| self.beyond.above(past, scale_k(s)));
        // Past what its hour had on other days alone is a dial of late, past its last turns alone a night that is let cool.
        let level = of_late.min(by_hour);
        // Where long spells belong to the hour only the level speaks, and an animal on the probe must not be enough.
        let least = if self.of_the_hour(s) { LEAST_OF_LEVEL_ALONE } else { LEAST_OF_LEVEL };
        if level < least {
            return 0.0;
        }
        let wait = self.due.map_or(0.0, |due| self.waits.above(s.t - due, scale_min(s)));
        level.min(MOST_OF_ONE) + wait.min(MOST_OF_REST) + f64::from(self.premature).min(MOST_OF_REST)
    }

    /// Minutes for which it has lasted.
    pub fn lasted(&self, t: f64) -> Option<f64> {
        self.since.map(|since| t - since)
    }

    /// Spells that ended in health.
    pub fn known(&self) -> u16 {
        self.length.n
    }

    /// What one in ten outlasts, min.
    pub fn long_min(&self) -> Option<f64> {
        self.length.level()
    }

    /// How far past every turn the level is when a late one in ten ends, K (negative: short of it).
    pub fn late_end_k(&self) -> Option<f64> {
        self.ends.level()
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tail_says_how_rare_a_value_is() {
        // Exponential with scale 1: what is passed with probability e^−x has a surprise of x.
        let mut tail = Tail::default();
        let mut state = 9u64;
        for _ in 0..20_000 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let u = ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
            tail.learn(-libm::log(u), 0.01);
        }
        assert_eq!(tail.above(1.0, 0.01), 0.0);
        for x in [4.0, 6.0, 9.0] {
            let surprise = tail.above(x, 0.01);
            assert!((surprise / x - 1.0).abs() < 0.3, "{surprise} for {x}");
        }
        assert_eq!(Tail::default().above(1e9, 0.01), 0.0, "nothing is known yet");
    }

    fn seen(t: f64, level: f64) -> Seen {
        // Heat is called for at 29 °C; `own` counts from there.
        Seen {
            t,
            own: Some(29.0 - level),
            other: Some(level - 31.0),
            level: Some(-level),
            s_x: 0.05,
            interval: 0.5,
            every: 1.0,
            learn: true,
            clock: (10.0, 3),
        }
    }

    /// Twenty minutes of power from 29 to 31 °C, then twenty without.
    fn saw(t: f64) -> (bool, f64) {
        let phase = t.rem_euclid(40.0);
        if phase < 20.0 { (false, 29.0 + 0.1 * phase) } else { (true, 33.0 - 0.1 * phase) }
    }

    #[test]
    fn no_power_surprises_only_below_where_it_always_came() {
        let mut spells = Spells::default();
        let mut t = 0.0;
        while t < 2_000.0 {
            let (without, level) = saw(t);
            spells.step(without, &seen(t, level));
            assert!(spells.surprise(&seen(t, level)) < 12.0, "at {t}");
            t += 0.5;
        }
        // From here on no power, and the level goes on falling at 0.1 K a minute.
        let mut level = 29.0;
        let mut told = None;
        while told.is_none() && level > 20.0 {
            spells.step(true, &seen(t, level));
            told = (spells.surprise(&seen(t, level)) >= 12.0).then_some(29.0 - level);
            (t, level) = (t + 0.5, level - 0.05);
        }
        assert!(told.is_some_and(|k| (0.3..1.5).contains(&k)), "{told:?}");
    }
}
