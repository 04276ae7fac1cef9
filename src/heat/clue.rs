//! What passes between a plug and the enclosure: the level it looks at, what it shows, why it is doubted.

use super::Context;
use serde::{Deserialize, Serialize};

/// Why a plug is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// It never showed any power.
    NoPower,
    /// The warmth rises and falls again and again, the power does not.
    DoesNotFollow,
    /// Its power is far from what the keeper states: another device, or another unit.
    NotAsStated,
}

/// What the plug shows now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Clue {
    /// No power although it always flows at this hour: of a source without a thermostat, or while its relay is on.
    pub missing: bool,
    /// `−ln P` in health that power still stays away, and that full power still goes on, at this level.
    pub lost: f64,
    pub endless: f64,
    /// Power flows at least as usual and has for minutes (a falling level then lacks its heat).
    pub flowing: bool,
    /// No power at all.
    pub none: bool,
    /// Full power at an hour that never had any, of a source without a thermostat.
    pub untimely: bool,
    /// Clearly more power than it ever took.
    pub surges: bool,
    /// Full power while the relay is off.
    pub welded: bool,
    /// Full power, of a source whose power comes and goes.
    pub full: bool,
    /// Full power has sunk against its learned mean.
    pub weak: bool,
    pub watts: f64,
    pub usual: f64,
    /// Known to run without a thermostat: then its watts alone say whether it runs as planned.
    pub unsteered: bool,
    /// What a relay that drives the heat was told.
    pub told_on: Option<bool>,
}

impl Clue {
    /// Whether it says anything of heat that is lost or has no end: what watts alone can say begins with one of these.
    pub fn speaks(&self) -> bool {
        self.missing || self.none || self.lost > 0.0 || self.welded || self.surges || self.endless > 0.0
    }
}

/// The enclosure's level beside a report: °C, spread, and what time it is.
#[derive(Clone, Copy, Debug)]
pub struct Beside {
    pub t: f64,
    pub day: i32,
    pub minute: u16,
    /// The level, °C, and how far it is below every return and above every turn of this hour, K.
    pub level: Option<f64>,
    pub below: Option<f64>,
    pub above: Option<f64>,
    pub s_x: f64,
    pub v: f64,
    /// Usual minutes between levels.
    pub every: f64,
    /// Whether the level rises and falls as under a thermostat that switches.
    pub cycles: bool,
    /// Whether habits by clock time are learned (always, but for hands in), and whether what is clean is.
    pub live: bool,
    pub learn: bool,
}

impl Beside {
    /// No level is known.
    pub fn nothing(t: f64, context: &Context) -> Beside {
        Beside {
            t,
            day: context.day,
            minute: context.local_minute.min(1_439),
            level: None,
            below: None,
            above: None,
            s_x: 0.1,
            v: 0.0,
            every: 1.0,
            cycles: false,
            live: !context.hands_in,
            learn: !context.hands_in,
        }
    }
}
