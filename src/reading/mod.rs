//! A topic and some bytes become readings, or a refusal that says why. No bytes panic, nothing is guessed.

pub mod decode;
pub mod homie;
pub mod json;
pub mod links;
pub mod number;
pub mod probes;
pub mod record;
pub mod refusal;
pub mod senml;
pub mod settings;
pub mod stamp;
pub mod topic;
pub mod topics;

use crate::terms::id::{EnclosureIx, ProbeIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Now, Wall};
use serde::{Deserialize, Serialize};

/// What a probe is fixed to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Target {
    Enclosure(EnclosureIx),
    Room(RoomIx),
}

/// What of its target a probe measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Slot {
    At(Place, Quantity),
    /// A heat source by its index in the enclosure's `heat` list: [`Quantity::Power`] or [`Quantity::Switch`].
    Heat(u8, Quantity),
    /// The lamp: power or switch.
    Lamp(Quantity),
    /// The battery of whatever sends on this topic.
    Battery,
}

impl Slot {
    pub const fn quantity(self) -> Quantity {
        match self {
            Slot::At(_, q) | Slot::Heat(_, q) | Slot::Lamp(q) => q,
            Slot::Battery => Quantity::Battery,
        }
    }
    pub const fn place(self) -> Option<Place> {
        match self {
            Slot::At(place, _) => Some(place),
            _ => None,
        }
    }
}

/// One number that arrived, in our units.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    pub probe: ProbeIx,
    pub target: Target,
    pub slot: Slot,
    /// When it arrived.
    pub at: Now,
    /// When the sender says that it was measured.
    pub measured: Option<Wall>,
    pub value: f64,
    /// The broker had kept it: its age is unknown.
    pub retained: bool,
}
