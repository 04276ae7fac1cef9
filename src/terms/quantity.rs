//! What can be measured, in which UCUM unit it comes, and how it becomes the one unit that the engine reckons in.
//!
//! Inside: temperature in °C, humidity in % relative humidity, light in lx, power in W, switches and light states 0 or 1,
//! batteries in V or % as told. At the borders: whatever the link or the site says.

use serde::{Deserialize, Serialize};

/// A kind of reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    Temperature,
    Humidity,
    Illuminance,
    Light,
    UvIndex,
    Power,
    Switch,
    Battery,
}

impl Quantity {
    pub const ALL: [Quantity; 8] = [
        Quantity::Temperature,
        Quantity::Humidity,
        Quantity::Illuminance,
        Quantity::Light,
        Quantity::UvIndex,
        Quantity::Power,
        Quantity::Switch,
        Quantity::Battery,
    ];

    /// The word of the configuration.
    pub const fn word(self) -> &'static str {
        match self {
            Quantity::Temperature => "temperature",
            Quantity::Humidity => "humidity",
            Quantity::Illuminance => "illuminance",
            Quantity::Light => "light",
            Quantity::UvIndex => "uv_index",
            Quantity::Power => "power",
            Quantity::Switch => "switch",
            Quantity::Battery => "battery",
        }
    }

    pub fn from_word(word: &str) -> Option<Quantity> {
        Quantity::ALL.into_iter().find(|q| q.word() == word)
    }

    /// Whether readings are states (0 or 1) and not amounts.
    pub const fn is_state(self) -> bool {
        matches!(self, Quantity::Light | Quantity::Switch)
    }

    /// The units in which it may come; the first is the one we reckon in.
    pub const fn units(self) -> &'static [Unit] {
        match self {
            Quantity::Temperature => &[Unit::Celsius, Unit::Fahrenheit, Unit::Kelvin],
            Quantity::Humidity => &[Unit::Percent],
            Quantity::Illuminance => &[Unit::Lux],
            Quantity::Power => &[Unit::Watt],
            Quantity::Battery => &[Unit::Volt, Unit::Percent],
            Quantity::UvIndex => &[Unit::One],
            Quantity::Light | Quantity::Switch => &[Unit::One],
        }
    }
}

/// A unit by its UCUM code (case-sensitive), see the Unified Code for Units of Measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Unit {
    Celsius,
    Fahrenheit,
    Kelvin,
    Percent,
    Lux,
    Watt,
    Volt,
    One,
}

impl Unit {
    pub const ALL: [Unit; 8] =
        [Unit::Celsius, Unit::Fahrenheit, Unit::Kelvin, Unit::Percent, Unit::Lux, Unit::Watt, Unit::Volt, Unit::One];

    pub const fn code(self) -> &'static str {
        match self {
            Unit::Celsius => "Cel",
            Unit::Fahrenheit => "[degF]",
            Unit::Kelvin => "K",
            Unit::Percent => "%",
            Unit::Lux => "lx",
            Unit::Watt => "W",
            Unit::Volt => "V",
            Unit::One => "1",
        }
    }

    pub fn from_code(code: &str) -> Option<Unit> {
        Unit::ALL.into_iter().find(|u| u.code() == code)
    }

    /// A value in this unit, in the unit that the engine reckons in. NaN stays NaN.
    pub fn to_ours(self, value: f64) -> f64 {
        match self {
            Unit::Fahrenheit => (value - 32.0) / 1.8,
            Unit::Kelvin => value - 273.15,
            _ => value,
        }
    }

    /// The reverse of [`Unit::to_ours`].
    pub fn from_ours(self, value: f64) -> f64 {
        match self {
            Unit::Fahrenheit => value * 1.8 + 32.0,
            Unit::Kelvin => value + 273.15,
            _ => value,
        }
    }
}

/// The degrees of a site: how temperatures are written in its file, its mails and its page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Degrees {
    #[default]
    C,
    F,
}

impl Degrees {
    /// °C → the site's degrees.
    pub fn show(self, celsius: f64) -> f64 {
        match self {
            Degrees::C => celsius,
            Degrees::F => celsius * 1.8 + 32.0,
        }
    }
    /// A difference in K → the site's degrees.
    pub fn show_difference(self, kelvin: f64) -> f64 {
        match self {
            Degrees::C => kelvin,
            Degrees::F => kelvin * 1.8,
        }
    }
    /// The site's degrees → °C.
    pub fn read(self, degrees: f64) -> f64 {
        match self {
            Degrees::C => degrees,
            Degrees::F => (degrees - 32.0) / 1.8,
        }
    }
    /// A difference in the site's degrees → K.
    pub fn read_difference(self, degrees: f64) -> f64 {
        match self {
            Degrees::C => degrees,
            Degrees::F => degrees / 1.8,
        }
    }
    pub const fn letter(self) -> &'static str {
        match self {
            Degrees::C => "C",
            Degrees::F => "F",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_meet_at_the_fixed_points_of_water() {
        // 0 °C = 32 °F = 273.15 K and 100 °C = 212 °F by definition of the scales (BIPM, SI brochure, 9th edition).
        for (unit, freezing, boiling) in
            [(Unit::Celsius, 0.0, 100.0), (Unit::Fahrenheit, 32.0, 212.0), (Unit::Kelvin, 273.15, 373.15)]
        {
            assert!(unit.to_ours(freezing).abs() < 1e-9);
            assert!((unit.to_ours(boiling) - 100.0).abs() < 1e-9);
            assert!((unit.from_ours(100.0) - boiling).abs() < 1e-9);
        }
        assert!((Degrees::F.read(Degrees::F.show(29.4)) - 29.4).abs() < 1e-9);
        assert!((Degrees::F.show_difference(5.0) - 9.0).abs() < 1e-9);
    }

    #[test]
    fn words_and_codes_are_one_to_one() {
        for q in Quantity::ALL {
            assert_eq!(Quantity::from_word(q.word()), Some(q));
        }
        for u in Unit::ALL {
            assert_eq!(Unit::from_code(u.code()), Some(u));
        }
        assert_eq!(Unit::from_code("cel"), None, "UCUM is case-sensitive");
    }
}
