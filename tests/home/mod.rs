//! A simulator of heated enclosures in a home: what a case is, and how its recording flows out of it. Deterministic by seed.
//!
//! Written before the detector. Odd seeds were used while tuning; even seeds ([`held_out`]) draw from wider ranges and
//! were looked at only for the published figures. No figure of an existing product went into it: sizes, losses and
//! lags follow from the physics of boxes (`world.rs`), the daily life of a home is common practice, no source.
#![allow(dead_code, reason = "each test uses a part of it")]
#![allow(
    clippy::disallowed_methods,
    clippy::needless_range_loop,
    reason = "a simulation: its figures may differ in the last digit"
)]

pub mod chance;
pub mod life;
pub mod moisture;
pub mod rack;
pub mod recording;
pub mod rivals;
pub mod sensor;
pub mod table;
pub mod trial;
pub mod world;

use warmside::terms::place::Place;
use warmside::terms::quantity::Quantity;

/// Seconds of one step of the simulation.
pub const STEP_S: i64 = 5;
pub const DAY_S: i64 = 86_400;

/// How the heat source is driven.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Control {
    OnOff,
    Pulse,
    Dimming,
    None,
}

impl Control {
    pub const ALL: [Control; 4] = [Control::OnOff, Control::Pulse, Control::Dimming, Control::None];
    pub fn word(self) -> &'static str {
        match self {
            Control::OnOff => "on-off",
            Control::Pulse => "pulse",
            Control::Dimming => "dimming",
            Control::None => "none",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Size {
    Small,
    Medium,
    Large,
}

impl Size {
    pub const ALL: [Size; 3] = [Size::Small, Size::Medium, Size::Large];
    pub fn scale(self) -> f64 {
        match self {
            Size::Small => 0.65,
            Size::Medium => 1.0,
            Size::Large => 1.4,
        }
    }
}

/// What goes wrong from the moment of the fault on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The element is dead: no watts, no heat; relay and controller go on as before.
    HeatFailed,
    /// Watts flow but the heat does not arrive (heater fell away, lamp turned aside).
    HeatAstray,
    StuckOn,
    /// 70 % of its power.
    Weak,
    ProbeDisplaced,
    LeftOpen,
    RoomCold,
    RoomHot,
    HeatWave,
    FrozenProbe,
    /// Heat, lamp and plug are dead together; the probes run on.
    PowerLost,
}

/// Which watts a plug reports.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Watts {
    Unknown,
    Instant,
    /// The mean over its own interval.
    Mean,
}

/// How a plug reports, when it does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plug {
    pub every_s: i64,
    /// Only when something changes, and every quarter of an hour.
    pub on_change: bool,
    pub step_w: f64,
    /// What thermostat and plug draw themselves, W.
    pub rest_w: f64,
}

/// One enclosure's story: everything follows from it.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    pub seed: u64,
    pub control: Control,
    pub size: Size,
    pub watts: Watts,
    pub cool_side: bool,
    pub plug: Plug,
    /// Whether the relay that drives the heat is reported.
    pub relay: bool,
    /// Whether the cool side has a humidity probe.
    pub humidity: bool,
    /// Whether the lamp's power is heard, and from which second to which the lamp does the opposite of its plan.
    pub lamp_heard: bool,
    pub lamp_odd: Option<(i64, i64)>,
    pub on_change: bool,
    /// Coarse sensors: minutes apart, steps to half a kelvin, much noise, one report in ten lost.
    pub coarse: bool,
    /// What the keeper told to be wanted at the warm end: so many K around what the heat was set to.
    pub band_k: Option<f64>,
    /// A dial that is turned at this second by so many K, and whether the keeper says so.
    pub dial: Option<(i64, f64, bool)>,
    /// The fault and the second at which it begins.
    pub fault: Option<(Fault, i64)>,
}

impl Case {
    pub fn new(seed: u64, control: Control, size: Size) -> Case {
        Case {
            seed,
            control,
            size,
            watts: Watts::Unknown,
            plug: Plug { every_s: 30, on_change: false, step_w: 0.1, rest_w: 0.0 },
            cool_side: true,
            relay: false,
            humidity: false,
            lamp_heard: false,
            lamp_odd: None,
            on_change: false,
            coarse: false,
            band_k: None,
            dial: None,
            fault: None,
        }
    }
}

/// Whether a seed belongs to the half that is kept from tuning.
pub fn held_out(seed: u64) -> bool {
    seed.is_multiple_of(2)
}

/// What a sample is of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum What {
    At(Place, Quantity),
    /// Watts or relay of the heat source.
    Heat(Quantity),
    /// Watts or relay of the lamp.
    Lamp(Quantity),
    Room,
}

/// One reading as a sensor sends it, and beside it the truth that no detector sees.
#[derive(Clone, Copy, Debug)]
pub struct Sample {
    pub at_ms: i64,
    pub what: What,
    pub value: f64,
    pub truth: f64,
}
