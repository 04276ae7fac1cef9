//! The whole house as the engine knows it: what `config/` builds from a keeper's file.

use crate::care::settings::Care;
use crate::terms::id::{CircuitIx, RoomIx};
use crate::{heat, notice, reading};
use std::sync::Arc;

#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub notice: notice::settings::Settings,
    pub rooms: Vec<Room>,
    pub circuits: Vec<Circuit>,
    pub enclosures: Vec<Enclosure>,
    pub links: Vec<reading::settings::Link>,
    /// Degrees north and east; only for light that follows the sun.
    pub position: Option<(f64, f64)>,
    /// The topic on which commands may come.
    pub commands_topic: Option<String>,
    /// The prefix under which states are published.
    pub publish: Option<String>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Room {
    pub id: String,
    pub name: String,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Circuit {
    pub id: String,
    pub name: String,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Enclosure {
    pub id: String,
    pub animal: Option<String>,
    pub room: Option<RoomIx>,
    pub circuit: Option<CircuitIx>,
    /// Order on the wall and words in mails.
    pub where_: Vec<String>,
    /// The keeper's own words, verbatim in mails.
    pub what_to_do: Option<String>,
    /// Nobody lives in it: nothing is mailed `now`.
    pub empty: bool,
    /// With the enclosure's own override merged in; `None`: no care is stated, so nothing is wanted.
    pub care: Option<Arc<Care>>,
    pub heat: heat::settings::Settings,
}
