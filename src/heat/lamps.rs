//! What a lamp that is heard tells of the heat: it went on or off at an hour at which it does not, and how far that moves the level.
//!
//! Its power, its switch or a light meter tell whether it burns. Each half hour remembers what the lamp did then a day ago; each
//! change teaches how far the level goes within an hour and a half of it. Where the lamp *is* the heat, its light
//! excuses nothing: that is asked in `tract/judging.rs`.

use super::NEVER;
use serde::{Deserialize, Serialize};

/// Beyond doubt: a plug's own use is about a watt; a dark room has a lux or so, a lit enclosure hundreds.
const DARK_W: f64 = 1.5;
const LIT_W: f64 = 5.0;
const LIT_LX: f64 = 100.0;
/// Shares of the lit level below which it is dark and above which it is lit. As in `finding/light_seen.rs`.
const OFF_BELOW: f64 = 0.2;
const ON_ABOVE: f64 = 0.4;
/// A lamp goes from one to the other at once; daylight takes longer, min.
const SUDDEN_MIN: f64 = 15.0;
/// A day's lit level fades by this share a report: a new lamp is known within days.
const FADES: f64 = 2e-4;
/// A word of a lamp holds for so long, min: what reports changes is silent for half a day.
const HOLDS_MIN: f64 = 900.0;
/// For so long after a change the level is followed, min: what is learned of it; and for how long it explains before anything is.
const FOLLOWS_MIN: f64 = 90.0;
const UNKNOWN_MIN: f64 = 45.0;
/// Changes before their depth is known; beyond so much of it, and K, it is not the lamp's doing.
const CHANGES: u8 = 2;
const DEEPER: f64 = 1.2;
const DEEPER_K: f64 = 0.4;
const BINS: usize = 48;

/// Who tells, the surest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Teller {
    Power,
    Switch,
    Meter,
}

/// How far the level goes after a change of one kind, K, and from how many that is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Effect {
    most: f64,
    changes: u8,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Lamps {
    teller: Option<Teller>,
    on: Option<bool>,
    heard_t: f64,
    changed_t: f64,
    /// Since when a meter has been between dark and lit; the lit level, lx.
    between_t: Option<f64>,
    lit_lx: f64,
    /// A bit for each half hour: whether it is known what the lamp did a day ago, and whether it was lit.
    known: u64,
    lit_then: u64,
    bin: usize,
    of_bin: bool,
    /// What it did a day ago in the half hour before this one.
    passed: Option<bool>,
    /// Level at the change, and furthest since.
    from: f64,
    furthest: f64,
    follows: bool,
    /// After it went off and on.
    effects: [Effect; 2],
}

/// What is told at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Told {
    pub on: bool,
    /// Minutes; very many where it was never seen to change.
    pub since_change: f32,
    /// It burns, or does not, otherwise than a day ago, and what has come of it is no more than what such a change does.
    pub explains: bool,
}

/// What was learned, for `explain`: K down and up after a change, from so many.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Learned {
    pub on: bool,
    pub down: Option<f64>,
    pub up: Option<f64>,
}

impl Default for Lamps {
    fn default() -> Lamps {
        Lamps {
            teller: None,
            on: None,
            heard_t: NEVER,
            changed_t: NEVER,
            between_t: None,
            lit_lx: 0.0,
            known: 0,
            lit_then: 0,
            bin: BINS,
            of_bin: false,
            passed: None,
            from: f64::NAN,
            furthest: 0.0,
            follows: false,
            effects: [Effect::default(); 2],
        }
    }
}

impl Lamps {
    pub fn power(&mut self, t: f64, watts: f64) {
        if watts.is_finite() && !(DARK_W..=LIT_W).contains(&watts) {
            self.hear(Teller::Power, t, watts > LIT_W);
        }
    }

    pub fn switched(&mut self, t: f64, on: bool) {
        self.hear(Teller::Switch, t, on);
    }

    pub fn lit(&mut self, t: f64, lx: f64) {
        if !(0.0..=500_000.0).contains(&lx) {
            return;
        }
        self.lit_lx = (self.lit_lx * (1.0 - FADES)).max(lx);
        if self.lit_lx < LIT_LX {
            return;
        }
        let share = lx / self.lit_lx;
        if (OFF_BELOW..ON_ABOVE).contains(&share) {
            self.between_t.get_or_insert(t);
            return;
        }
        let sudden = self.between_t.take().is_none_or(|since| t - since < SUDDEN_MIN);
        self.hear(Teller::Meter, t, share >= ON_ABOVE);
        if !sudden && self.teller == Some(Teller::Meter) {
            self.follows = false;
        }
    }

    fn hear(&mut self, teller: Teller, t: f64, on: bool) {
        if self.teller.is_some_and(|surer| surer < teller) && t - self.heard_t < HOLDS_MIN {
            return;
        }
        let changed = self.teller == Some(teller) && self.on.is_some_and(|was| was != on);
        (self.teller, self.heard_t) = (Some(teller), t);
        self.on = Some(on);
        if changed {
            self.learn_effect();
            (self.changed_t, self.from, self.furthest, self.follows) = (t, f64::NAN, 0.0, true);
        }
    }

    /// The level of the warm end, °C, at a minute of the local day. `learn`: nothing is wrong.
    pub fn level(&mut self, t: f64, minute: u16, celsius: f64, learn: bool) {
        let Some(on) = self.on.filter(|_| t - self.heard_t < HOLDS_MIN) else { return };
        let bin = usize::from(minute) / 30 % BINS;
        if bin != self.bin {
            self.passed = self.a_day_ago(self.bin);
            if self.bin < BINS {
                let bit = 1 << self.bin;
                self.known |= bit;
                self.lit_then = if self.of_bin { self.lit_then | bit } else { self.lit_then & !bit };
            }
            self.bin = bin;
        }
        self.of_bin = on;
        if !self.follows {
            return;
        }
        if self.from.is_nan() {
            self.from = celsius;
        }
        let moved = if on { celsius - self.from } else { self.from - celsius };
        self.furthest = self.furthest.max(moved);
        if !learn {
            self.follows = false;
        } else if t - self.changed_t > FOLLOWS_MIN {
            self.learn_effect();
        }
    }

    fn a_day_ago(&self, bin: usize) -> Option<bool> {
        (bin < BINS && self.known >> bin & 1 == 1).then(|| self.lit_then >> bin & 1 == 1)
    }

    /// A change that was followed to its end, or to the next: how far the level went.
    fn learn_effect(&mut self) {
        if let (true, Some(on)) = (self.follows, self.on) {
            let effect = &mut self.effects[usize::from(on)];
            effect.most = self.furthest.max(0.9 * effect.most);
            effect.changes = effect.changes.saturating_add(1);
        }
        self.follows = false;
    }

    /// What it tells now of a level; `None`: no lamp is heard.
    pub fn told(&self, t: f64, celsius: f64) -> Option<Told> {
        let on = self.on.filter(|_| t - self.heard_t < HOLDS_MIN)?;
        let since_change = t - self.changed_t;
        let near = [self.passed, self.a_day_ago(self.bin), self.a_day_ago((self.bin + 1) % BINS)];
        let unlike = near.into_iter().all(|then| then == Some(!on)) && self.changed_t > NEVER;
        let effect = self.effects[usize::from(on)];
        let moved = if on { celsius - self.from } else { self.from - celsius };
        let within = match effect.changes {
            known if known >= CHANGES => moved <= DEEPER * effect.most + DEEPER_K,
            _ => since_change < UNKNOWN_MIN,
        };
        Some(Told { on, since_change: since_change as f32, explains: unlike && within })
    }

    pub fn learned(&self) -> Option<Learned> {
        let [down, up] = self.effects.map(|e| (e.changes >= CHANGES).then_some(e.most));
        Some(Learned { on: self.on?, down, up })
    }
}

#[cfg(test)]
mod tests;
