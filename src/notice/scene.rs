//! What words need to know of the house at the moment they are written. The engine fills it, nothing here is judged.

use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Span, Wall};

/// How the engine lets the desk look. Everything as of the `Now` of the call; indices may be out of range (then empty).
pub trait Eyes {
    fn scene(&self, enclosure: EnclosureIx) -> Scene;
    /// The last hours of a place that is asked for, or else of the hot end, with the other end beside it. `None`: nothing
    /// was heard.
    fn past(&self, enclosure: EnclosureIx, place: Option<Place>) -> Option<Past>;
    /// The whole house, for letters.
    fn round(&self) -> Round;
    /// The last week of each enclosure, in the order of the house.
    fn week(&self) -> Vec<Week>;
    /// The name of a room or of a circuit by its index.
    fn room_name(&self, room: crate::terms::id::RoomIx) -> String;
    fn circuit_name(&self, circuit: crate::terms::id::CircuitIx) -> String;
}

/// One enclosure as it is now. Temperatures in °C.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scene {
    /// As the configuration names it.
    pub id: String,
    pub animal: Option<String>,
    pub room: Option<String>,
    pub circuit: Option<String>,
    /// The keeper's own words, from coarse to fine: `left rack`, `shelf 3`.
    pub where_: Vec<String>,
    /// Hot end first.
    pub places: Vec<PlaceNow>,
    pub room_celsius: Option<f64>,
    pub heat: Vec<HeatNow>,
    /// Of the other enclosures in the room: how many are as usual, of how many.
    pub neighbours: Option<(u16, u16)>,
    /// The keeper's own instructions, verbatim.
    pub what_to_do: Option<String>,
}

/// What each step of a band wants until the next one, °C.
pub type Steps = Vec<(Wall, Option<(f64, f64)>)>;

/// An enclosure's last hours, °C.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Past {
    pub from: Wall,
    /// The place in question first, then the other end.
    pub lines: Vec<(Place, Vec<(Wall, f64)>)>,
    /// What was and will be wanted of each of them.
    pub bands: Vec<Steps>,
    /// What must never be passed at the first of them.
    pub never: Option<(f64, f64)>,
}

/// One quantity at one place.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceNow {
    pub place: Place,
    /// Temperature or humidity.
    pub quantity: Quantity,
    /// Last trusted value, °C or %; `None`: not seen.
    pub value: Option<f64>,
    /// When it was heard.
    pub at: Option<Wall>,
    pub wanted: Option<(f64, f64)>,
    pub never: Option<(f64, f64)>,
    /// K/min.
    pub slope: Option<f64>,
    /// Not seen now; `value` is then the last one.
    pub silent: bool,
}

/// A heat source as its plug or relay tells.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatNow {
    pub id: String,
    pub power_w: Option<f64>,
    pub told_on: Option<bool>,
}

/// The whole house at the hour of the daily letter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Round {
    pub total: u32,
    pub in_band: u32,
    /// Everybody that is not in band, or not watched: label and why, in words.
    pub not_well: Vec<(String, String)>,
    /// Label and why no alarm can come from it.
    pub unwatched: Vec<(String, String)>,
    /// Label, place, value and how much there is to spare, K or %.
    pub nearest: Option<(String, Place, f64, f64)>,
    /// Readings accepted in the last 24 h.
    pub readings: u64,
    /// Deaf spells of the last 24 h: from, length.
    pub gaps: Vec<(Wall, Span)>,
    /// In words: the post, the store, the clock, if anything is wrong with them.
    pub troubles: Vec<String>,
    pub lights: Lights,
}

/// The lights of the house, where any are planned.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lights {
    /// How many are planned on and off now.
    pub on: u32,
    pub off: u32,
    /// Of these, how many nothing tells of.
    pub unseen: u32,
    /// Label of each that differs from its plan.
    pub differ: Vec<String>,
    /// When the next plan changes.
    pub next: Option<Wall>,
}

/// One enclosure's week.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Week {
    pub label: String,
    /// Share of the watched time in band, 0–1; `None`: never watched.
    pub in_band: Option<f64>,
    /// Lowest and highest of the hot end and of the cool end, °C.
    pub hot_end: Option<(f64, f64)>,
    pub cool_end: Option<(f64, f64)>,
    /// Heat's effort, share of full power, 0–1, and its change from the week's first days to its last.
    pub effort: Option<f64>,
    pub effort_change: Option<f64>,
    /// Share of the time in which light was as planned, 0–1; `None`: not planned, or nothing tells of it.
    pub light: Option<f64>,
    /// Minutes out of band of each of the last seven days, oldest first; `None`: not watched.
    pub out_min: Vec<Option<f64>>,
}

impl Scene {
    /// `a3 Juno`
    pub fn label(&self) -> String {
        match &self.animal {
            Some(animal) if !animal.trim().is_empty() => format!("{} {}", self.id, animal.trim()),
            _ => self.id.clone(),
        }
    }

    pub fn at(&self, place: Place, quantity: Quantity) -> Option<&PlaceNow> {
        self.places.iter().find(|p| p.place == place && p.quantity == quantity)
    }
}
