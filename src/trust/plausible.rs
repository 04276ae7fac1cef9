//! What a quantity can be at all, and the values that sensors send instead of one.

use crate::terms::quantity::{Quantity, Unit};

/// Whether a value in our units can be in or around an enclosure. Wider than any animal bears, narrower than any sensor.
pub fn possible(quantity: Quantity, value: f64) -> bool {
    match quantity {
        // Outdoors in winter; nothing that is not on fire is above.
        Quantity::Temperature => (-45.0..=100.0).contains(&value),
        // Capacitive sensors overshoot both ends a little when wet or dry.
        Quantity::Humidity => (-0.5..=103.0).contains(&value),
        Quantity::Illuminance => (-1.0..=250_000.0).contains(&value),
        Quantity::UvIndex => (-0.1..=50.0).contains(&value),
        Quantity::Power => (-50.0..=50_000.0).contains(&value),
        Quantity::Light | Quantity::Switch => value == 0.0 || value == 1.0,
        Quantity::Battery => (0.0..=1_000.0).contains(&value),
    }
}

/// Values of failing or just started thermometers, °C, from memory of common parts: 85 (one-wire, power-on), −127 and
/// 127.9375 (one-wire, disconnected or overflow), 0 and 99.9 (drivers' fillers), 999, 998, −999, −99, 150, 255, 125, −40, −45, −50, −55 (ends
/// of ranges).
const SENTINELS_C: [f64; 18] = [
    85.0, -127.0, 127.9375, 127.94, 0.0, 99.9, 999.0, 998.0, -999.0, -99.0, 150.0, 255.0, 125.0, -40.0, -45.0, -50.0,
    -55.0, 130.0,
];
/// Of humidity sensors, %: fillers and ends of ranges.
const SENTINELS_PERCENT: [f64; 3] = [0.0, 999.0, 255.0];

/// Whether a value is one that sensors send when they have none. `told`: as the sender wrote it, in its own unit: a filler
/// of 0 °F is no 0 °C. Only to be held against a value that was not approached.
pub fn sentinel(quantity: Quantity, value: f64, unit: Unit) -> bool {
    let listed = |list: &[f64]| {
        let told = unit.from_ours(value);
        list.iter().any(|s| (value - s).abs() < 1e-6 || (told - s).abs() < 1e-6)
    };
    match quantity {
        Quantity::Temperature => listed(&SENTINELS_C),
        Quantity::Humidity => listed(&SENTINELS_PERCENT),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fillers_are_known_in_either_scale() {
        let t = Quantity::Temperature;
        assert!(sentinel(t, 85.0, Unit::Celsius) && sentinel(t, Unit::Fahrenheit.to_ours(185.0), Unit::Fahrenheit));
        assert!(sentinel(t, Unit::Fahrenheit.to_ours(0.0), Unit::Fahrenheit), "0 °F as written");
        assert!(!sentinel(t, 84.9, Unit::Celsius) && !sentinel(t, 31.2, Unit::Celsius));
        assert!(!possible(t, 127.94) && possible(t, 85.0) && possible(t, -20.0));
        assert!(!possible(Quantity::Humidity, -4.0) && possible(Quantity::Humidity, 100.4));
        assert!(!possible(t, f64::NAN));
    }
}
