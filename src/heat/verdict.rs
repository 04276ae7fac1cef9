//! What the heat room says: a cause, where, since when, how sure, and the numbers by which a keeper can check it.

use crate::terms::place::Place;
use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// What is wrong with the heat, as seen from one enclosure. The words are those of notices.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// No heat arrives.
    HeatFailed,
    /// Heat without end.
    HeatStuckOn,
    /// Less heat than it used to give.
    HeatWeak,
    /// Heat that is not the heater's, fast: sun on the glass.
    OutsideHeat,
    /// Both ends warmer, slowly: the room.
    RoomHot,
    /// Both ends colder, slowly: the room.
    RoomCold,
    /// A door or lid that stayed open.
    LeftOpen,
    /// The probe is no longer where it was.
    ProbeDisplaced,
}

impl Cause {
    pub const ALL: [Cause; 8] = [
        Cause::HeatFailed,
        Cause::HeatStuckOn,
        Cause::HeatWeak,
        Cause::OutsideHeat,
        Cause::RoomHot,
        Cause::RoomCold,
        Cause::LeftOpen,
        Cause::ProbeDisplaced,
    ];

    pub const fn word(self) -> &'static str {
        match self {
            Cause::HeatFailed => "heat-failed",
            Cause::HeatStuckOn => "heat-stuck-on",
            Cause::HeatWeak => "heat-weak",
            Cause::OutsideHeat => "outside-heat",
            Cause::RoomHot => "room-hot",
            Cause::RoomCold => "room-cold",
            Cause::LeftOpen => "left-open",
            Cause::ProbeDisplaced => "probe-displaced",
        }
    }

    /// Whether it asks for an act at once.
    pub const fn is_urgent(self) -> bool {
        matches!(self, Cause::HeatFailed | Cause::HeatStuckOn)
    }

    /// Whether it lies on the hot side.
    pub const fn is_hot(self) -> bool {
        matches!(self, Cause::HeatStuckOn | Cause::OutsideHeat | Cause::RoomHot)
    }
}

/// By which way a verdict was reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    /// Past every level of return, moving evenly, the gradient going along.
    Course,
    /// Past every level of return for long, the gradient gone.
    Slow,
    /// The gradient that belongs to this hour is missing.
    Absent,
    /// The plug's watts or the relay.
    Watts,
    /// Cycle by cycle: speeds of fall and rise.
    Cycles,
}

/// The numbers behind a verdict; what is unknown is `None`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    pub way: Way,
    /// Level at the turn where the trouble began and now, °C, and the time between; `None`: it is set against other days, and
    /// has not moved from a turn.
    pub level_then: Option<f64>,
    pub level_now: f64,
    pub over: Span,
    /// The furthest level from which it has come back at this clock time or lately, or that the days had at it, °C.
    pub furthest_known: Option<f64>,
    /// How many earlier days speak for this clock time, 0 to 3.
    pub days_known: u8,
    /// How far the level is past the furthest known, K, and how far counts as too far.
    pub undercut_k: f64,
    pub threshold_k: f64,
    pub slope_k_per_min: f64,
    /// Warm end less cool end, K: now and usual.
    pub gradient_now_k: Option<f64>,
    pub gradient_usual_k: Option<f64>,
    /// The plug, W: now and usual.
    pub power_now_w: Option<f64>,
    pub power_usual_w: Option<f64>,
    /// What a relay that drives the heat was told.
    pub told_on: Option<bool>,
    pub room_c: Option<f64>,
}

/// A cause that stands.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub cause: Cause,
    pub place: Place,
    /// When the trouble began, by the best estimate.
    pub since: Mono,
    /// 0 to 1: 0.5 at the least that is said at all.
    pub sure: f64,
    pub evidence: Evidence,
    /// Time constant of the fall to come, and the level to which it leads, °C, where known: from them follows when a
    /// limit will be crossed.
    pub tau: Option<Span>,
    pub toward: Option<f64>,
}

/// What changed: edges only.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[expect(clippy::large_enum_variant, reason = "a verdict is rare and moves once; a box would allocate")]
pub enum Change {
    /// A cause stands, newly or with a worse or better explanation than before.
    Stands(Verdict),
    /// A cause at a place no longer stands.
    Calm(Cause, Place),
}
