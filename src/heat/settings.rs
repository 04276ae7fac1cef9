//! What the keeper said about an enclosure's heat: its sources, where they act, how they are driven.

use crate::terms::place::Place;
use serde::{Deserialize, Serialize};

/// How many sources of one enclosure are watched; more are refused by the configuration.
pub const MOST_SOURCES: usize = 8;

/// What gives the heat.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Mat,
    CeramicEmitter,
    InfraredLamp,
    BaskingLamp,
    RadiantPanel,
    Cable,
    WaterHeater,
    Other,
}

impl Kind {
    pub const ALL: [Kind; 8] = [
        Kind::Mat,
        Kind::CeramicEmitter,
        Kind::InfraredLamp,
        Kind::BaskingLamp,
        Kind::RadiantPanel,
        Kind::Cable,
        Kind::WaterHeater,
        Kind::Other,
    ];

    /// The word of the configuration.
    pub const fn word(self) -> &'static str {
        match self {
            Kind::Mat => "mat",
            Kind::CeramicEmitter => "ceramic-emitter",
            Kind::InfraredLamp => "infrared-lamp",
            Kind::BaskingLamp => "basking-lamp",
            Kind::RadiantPanel => "radiant-panel",
            Kind::Cable => "cable",
            Kind::WaterHeater => "water-heater",
            Kind::Other => "other",
        }
    }

    pub fn from_word(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|k| k.word() == word)
    }

    /// Whether a light meter sees it at work.
    pub const fn shines(self) -> bool {
        matches!(self, Kind::BaskingLamp | Kind::InfraredLamp)
    }

    /// Whether its heat comes with light, so that it is dark, and cold, at night.
    pub const fn gives_light(self) -> bool {
        matches!(self, Kind::BaskingLamp)
    }
}

/// How a source is driven.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Thermostat {
    None,
    OnOff,
    Pulse,
    Dimming,
}

impl Thermostat {
    pub const ALL: [Thermostat; 4] = [Thermostat::None, Thermostat::OnOff, Thermostat::Pulse, Thermostat::Dimming];

    /// The word of the configuration.
    pub const fn word(self) -> &'static str {
        match self {
            Thermostat::None => "none",
            Thermostat::OnOff => "on-off",
            Thermostat::Pulse => "pulse",
            Thermostat::Dimming => "dimming",
        }
    }

    pub fn from_word(word: &str) -> Option<Thermostat> {
        Thermostat::ALL.into_iter().find(|t| t.word() == word)
    }
}

/// One heat source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// The keeper's name for it; unique in its enclosure.
    pub id: String,
    pub kind: Kind,
    /// Where its heat arrives.
    pub at: Place,
    /// Rated power, W.
    pub watts: Option<f64>,
    /// How it is driven; `None`: not told.
    pub thermostat: Option<Thermostat>,
}

/// The heat of one enclosure. Without sources nothing is judged, only learned.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    pub sources: Vec<Source>,
}
