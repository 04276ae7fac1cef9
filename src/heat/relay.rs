//! What a relay's word says beside the warmth: told to be on, and the level goes on sinking.
//!
//! In health the level turns within minutes of the relay, not far below where it stood. Four surprises (`spell.rs`) in two pairs,
//! each pair of two kinds so that one odd event cannot be both: the level past every turn, and too late for one; the level
//! back by more than it ever sags in between, and the relay not moving for longer than ever.

use super::spell::{MOST_OF_ONE, Seen, Tail, scale_k, scale_min};
use serde::{Deserialize, Serialize};

/// Moves of the relay before it is known to drive the heat: one that never moves drives nothing.
const LEAST_MOVES: u32 = 20;

/// The level's answers to a relay that closes.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Answer {
    /// Furthest below every return since then, K, when that was, and the least after it.
    furthest: f32,
    furthest_t: f64,
    back: f32,
    depth: Tail,
    lag: Tail,
    sag: Tail,
    length: Tail,
}

impl Answer {
    fn begin(&mut self, t: f64, own: f64) {
        (self.furthest, self.back, self.furthest_t) = (own as f32, own as f32, t);
    }

    fn follow(&mut self, t: f64, own: f64) {
        if own as f32 > self.furthest {
            (self.furthest, self.back, self.furthest_t) = (own as f32, own as f32, t);
        }
        self.back = self.back.min(own as f32);
    }

    fn end(&mut self, since: f64, own: f64, s: &Seen) {
        self.depth.learn(f64::from(self.furthest), scale_k(s));
        self.lag.learn(self.furthest_t - since, scale_min(s));
        self.sag.learn(own - f64::from(self.back), scale_k(s));
        self.length.learn(s.t - since, scale_min(s));
    }

    fn surprise(&self, since: f64, own: f64, s: &Seen) -> f64 {
        let still = s.t - self.furthest_t < 1.5 * s.every.max(1.0);
        let past = if still {
            self.depth.above(own, scale_k(s)).min(MOST_OF_ONE)
                + self.lag.above(s.t - since, scale_min(s)).min(MOST_OF_ONE)
        } else {
            0.0
        };
        let sagged = self.sag.above(own - f64::from(self.back), scale_k(s)).min(MOST_OF_ONE)
            + self.length.above(s.t - since, scale_min(s)).min(MOST_OF_ONE);
        past.max(sagged)
    }
}

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Relay {
    pub on: Option<bool>,
    /// Minute of its last move.
    pub moved: f64,
    moves: u32,
    begun: bool,
    answer: Answer,
}

impl Relay {
    pub fn switched(&mut self, on: bool, s: &Seen) {
        if self.on == Some(on) {
            return;
        }
        if let Some(own) = s.own.filter(|_| self.begun && s.learn && self.on == Some(true)) {
            self.answer.end(self.moved, own, s);
        }
        self.moves = self.moves.saturating_add(1);
        (self.on, self.moved, self.begun) = (Some(on), s.t, false);
        self.follow(s);
    }

    /// The level beside it, how far below every return.
    pub fn follow(&mut self, s: &Seen) {
        let (Some(true), Some(own)) = (self.on, s.own) else { return };
        if self.begun {
            self.answer.follow(s.t, own);
        } else {
            self.answer.begin(s.t, own);
            self.begun = true;
        }
    }

    /// `−ln P` in health of how the level answers a relay that is on. What rises under one that is off may be the sun.
    pub fn surprise(&self, s: &Seen) -> f64 {
        match s.own {
            Some(own) if self.drives() && self.begun && self.on == Some(true) => {
                self.answer.surprise(self.moved, own, s)
            }
            _ => 0.0,
        }
    }

    /// Whether it moves, so that its word means something.
    pub fn drives(&self) -> bool {
        self.moves > LEAST_MOVES
    }

    pub fn moves(&self) -> u32 {
        self.moves
    }

    /// A gap: what goes on is not known.
    pub fn cut(&mut self) {
        self.begun = false;
    }

    /// Keeps its word and forgets what the level does at it.
    pub fn forget(&mut self) {
        *self = Relay { on: self.on, moved: self.moved, ..Relay::default() };
    }
}
