//! From suspicion to verdict and back: what must hold before it is said, what replaces what, when it is over.

use super::low::Suspicion;
use super::picture::Picture;
use super::tuning::Tuning;
use super::verdict::Cause;
use super::verdict::Way;
use serde::{Deserialize, Serialize};

/// Minutes a level must be back before a verdict ends.
const CALM_MIN: f64 = 5.0;
/// A suspicion that noise interrupts for no longer than this, min, has not lapsed.
const LAPSE_MIN: f64 = 2.5;

/// One side's verdict, if any, and the suspicion that may become one.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Standing {
    pub now: Option<Stood>,
    /// Cause, minute of its first and of its newest sign.
    pending: Option<(Cause, f64, f64)>,
    calm_since: Option<f64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stood {
    pub cause: Cause,
    pub way: Way,
    /// Minute at which it was said and at which the trouble began.
    pub said: f64,
    pub since: f64,
    /// Turns of the level since then that a controller makes.
    pub turns: u32,
}

/// What became of a verdict with this reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Turn {
    Nothing,
    Stands(Stood),
    /// Another cause instead: the new and the old.
    Instead(Stood, Cause),
    Over(Cause),
}

impl Standing {
    /// Hears the suspicion of this reading (`None`: none) and whether the level is back.
    pub fn hear(&mut self, s: Option<Suspicion>, back: bool, since: f64, p: &Picture, tuning: &Tuning) -> Turn {
        if let Some(s) = s
            && self.ripe(&s, p, tuning)
            && self.replaces(s.cause)
        {
            let since = self.now.map_or(since, |old| old.since.min(since));
            let stood = Stood { cause: s.cause, way: s.way, said: p.t, since, turns: 0 };
            let old = self.now.replace(stood);
            self.pending = None;
            self.calm_since = None;
            return old.map_or(Turn::Stands(stood), |old| Turn::Instead(stood, old.cause));
        }
        if self.pending.is_some_and(|(_, _, newest)| p.t - newest > LAPSE_MIN.max(2.2 * p.interval)) {
            self.pending = None;
        }
        let Some(now) = self.now else { return Turn::Nothing };
        if !back {
            self.calm_since = None;
            return Turn::Nothing;
        }
        if p.t - *self.calm_since.get_or_insert(p.t) < CALM_MIN {
            return Turn::Nothing;
        }
        self.now = None;
        self.calm_since = None;
        Turn::Over(now.cause)
    }

    fn ripe(&mut self, s: &Suspicion, p: &Picture, tuning: &Tuning) -> bool {
        if !s.holds_first {
            return true;
        }
        let needed = match s.way {
            Way::Watts => 0.5,
            _ if p.cycler => tuning.held_cycler_min,
            _ => tuning.held_min,
        };
        let from = match self.pending {
            Some((cause, from, _)) if cause == s.cause => from,
            _ => p.t,
        };
        self.pending = Some((s.cause, from, p.t));
        p.t - from >= needed
    }

    /// Whether this cause may be said over the one that stands: nothing twice, and never from urgent back to less.
    fn replaces(&self, cause: Cause) -> bool {
        match self.now {
            None => true,
            Some(old) => cause.is_urgent() && !old.cause.is_urgent(),
        }
    }

    pub fn turned(&mut self) {
        if let Some(now) = &mut self.now {
            now.turns = now.turns.saturating_add(1);
        }
    }

    /// Forgets a suspicion that a gap cut off; what stands goes on standing.
    pub fn cut(&mut self) {
        self.pending = None;
        self.calm_since = None;
    }
}
