//! What goes wrong in a simulated house, what it does to the messages, and by which names a keeper would be told rightly.

use super::home;
use super::home::{Fault, STEP_S};

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trouble {
    HeatDead,
    StuckOn,
    Weak,
    PowerOfCircuit,
    PowerOfAll,
    RoomCold,
    RoomHot,
    LidOpen,
    Sun,
    ProbeStuck,
    ProbeSilent,
    /// It fell out and measures the room.
    ProbeInRoom,
    /// It fell into the water bowl.
    ProbeInWater,
    Swapped,
    UnitChanged,
    /// Every sensor is silent for three hours; the broker is there.
    GatewaySilent,
    /// The link to the broker is lost for three hours.
    BrokerLost,
    LightMissing,
    LightStuckOn,
    LightShifted,
    HumidityDry,
    HumiditySoaked,
}

/// How long what passes by itself lasts, s.
pub const OUTAGE_S: i64 = 3 * 3_600;

impl Trouble {
    pub const ALL: [Trouble; 22] = [
        Trouble::HeatDead,
        Trouble::StuckOn,
        Trouble::Weak,
        Trouble::PowerOfCircuit,
        Trouble::PowerOfAll,
        Trouble::RoomCold,
        Trouble::RoomHot,
        Trouble::LidOpen,
        Trouble::Sun,
        Trouble::ProbeStuck,
        Trouble::ProbeSilent,
        Trouble::ProbeInRoom,
        Trouble::ProbeInWater,
        Trouble::Swapped,
        Trouble::UnitChanged,
        Trouble::GatewaySilent,
        Trouble::BrokerLost,
        Trouble::LightMissing,
        Trouble::LightStuckOn,
        Trouble::LightShifted,
        Trouble::HumidityDry,
        Trouble::HumiditySoaked,
    ];

    /// What it is in the world of heat; `None`: it is in the sensors, the light or the air.
    pub fn heat_fault(self) -> Option<Fault> {
        Some(match self {
            Trouble::HeatDead => Fault::HeatFailed,
            Trouble::StuckOn => Fault::StuckOn,
            Trouble::Weak => Fault::Weak,
            Trouble::PowerOfCircuit | Trouble::PowerOfAll => Fault::PowerLost,
            Trouble::RoomCold => Fault::RoomCold,
            Trouble::RoomHot => Fault::RoomHot,
            Trouble::LidOpen => Fault::LeftOpen,
            _ => return None,
        })
    }

    /// Words of notices that name it rightly, of an enclosure alone or of several.
    pub fn right(self, alone: bool) -> &'static [&'static str] {
        match self {
            Trouble::HeatDead => &["heat-failed"],
            Trouble::StuckOn => &["heat-stuck-on"],
            Trouble::Weak => &["heat-weak"],
            Trouble::PowerOfCircuit | Trouble::PowerOfAll if alone => &["heat-failed", "power-lost"],
            Trouble::PowerOfCircuit | Trouble::PowerOfAll => &["power-lost"],
            Trouble::RoomCold => &["room-cold"],
            Trouble::RoomHot => &["room-hot"],
            Trouble::LidOpen => &["left-open"],
            Trouble::Sun => &["outside-heat"],
            Trouble::ProbeStuck => &["probe-stuck"],
            Trouble::ProbeSilent => &["probe-silent"],
            Trouble::ProbeInRoom | Trouble::ProbeInWater => &["probe-displaced", "probe-faulty"],
            Trouble::Swapped => &["probes-swapped"],
            Trouble::UnitChanged => &["unit-changed"],
            Trouble::GatewaySilent | Trouble::BrokerLost => &["feed-silent"],
            Trouble::LightMissing => &["light-missing"],
            Trouble::LightStuckOn => &["light-stuck-on"],
            Trouble::LightShifted => &["light-shifted"],
            Trouble::HumidityDry => &["humidity-low"],
            Trouble::HumiditySoaked => &["probe-faulty", "humidity-high"],
        }
    }

    pub fn is_of_all(self) -> bool {
        matches!(
            self,
            Trouble::PowerOfAll
                | Trouble::RoomCold
                | Trouble::RoomHot
                | Trouble::GatewaySilent
                | Trouble::BrokerLost
                | Trouble::UnitChanged
        )
    }
    pub fn least_enclosures(self) -> usize {
        if matches!(self, Trouble::PowerOfCircuit) { 3 } else { 1 }
    }
    pub fn needs_cool_side(self) -> bool {
        matches!(self, Trouble::Swapped)
    }
    pub fn needs_light(self) -> bool {
        matches!(self, Trouble::LightMissing | Trouble::LightStuckOn | Trouble::LightShifted)
    }
    pub fn needs_humidity(self) -> bool {
        matches!(self, Trouble::HumidityDry | Trouble::HumiditySoaked)
    }
}

/// What the trouble makes of the messages of one enclosure.
#[derive(Clone, Debug, Default)]
pub struct Spoiler {
    frozen: Option<f64>,
    elsewhere: Option<f64>,
}

impl Spoiler {
    /// Moves a probe that lies elsewhere along; each step of the simulation.
    pub fn step(&mut self, trouble: Trouble, world: &home::world::World) {
        let (to, lag_s) = match trouble {
            Trouble::ProbeInRoom => (world.room_c(), 240.0),
            // Water stays under the air by what evaporates; practice, no source.
            Trouble::ProbeInWater => (0.6 * world.cool_c() + 0.4 * world.room_c() - 1.0, 60.0),
            _ => return,
        };
        let now = self.elsewhere.get_or_insert(world.warm_c());
        *now += (to - *now) * STEP_S as f64 / lag_s;
    }

    /// The warm probe's value as it is sent; `None`: it is not.
    pub fn warm(&mut self, trouble: Trouble, sent: f64, truth: f64, cool_c: f64) -> Option<f64> {
        let noise = sent - truth;
        match trouble {
            Trouble::ProbeStuck => Some(*self.frozen.get_or_insert(sent)),
            Trouble::ProbeSilent => None,
            Trouble::ProbeInRoom | Trouble::ProbeInWater => Some(self.elsewhere.map_or(sent, |c| rounded(c + noise))),
            Trouble::Swapped => Some(rounded(cool_c + noise)),
            Trouble::UnitChanged => Some(rounded(sent * 1.8 + 32.0)),
            _ => Some(sent),
        }
    }

    pub fn cool(&self, trouble: Trouble, sent: f64, truth: f64, warm_c: f64) -> f64 {
        match trouble {
            Trouble::Swapped => rounded(warm_c + sent - truth),
            Trouble::UnitChanged => rounded(sent * 1.8 + 32.0),
            _ => sent,
        }
    }
}

fn rounded(c: f64) -> f64 {
    (c * 10.0).round() / 10.0
}
