//! A probe that suddenly sends the other scale of temperature: known by the arithmetic of its jump.

use crate::terms::time::Span;
use serde::{Deserialize, Serialize};

/// A jump that fits the other scale this well is a changed unit, K: within two minutes, and where readings are further apart, so
/// that a thermostat has moved the level meanwhile. A smaller jump could be anything.
const FITS_K: f64 = 1.0;
const FITS_APART_K: f64 = 2.5;
const APART: Span = Span::min(2);
const LEAST_JUMP_K: f64 = 6.0;

/// Which way the unit changed, so that its readings can be followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum OtherUnit {
    /// It sends °F where °C is linked.
    SendsFahrenheit,
    /// It sends °C where °F is linked.
    SendsCelsius,
}

impl OtherUnit {
    /// The change that explains a jump between two levels in °C that were heard so far apart.
    pub fn of_jump(from: f64, to: f64, apart: Span) -> Option<OtherUnit> {
        let fits_k = if apart > APART { FITS_APART_K } else { FITS_K };
        let fits = |other: &OtherUnit| (other.meant(to) - from).abs() <= fits_k;
        let large = (to - from).abs() >= LEAST_JUMP_K;
        [OtherUnit::SendsFahrenheit, OtherUnit::SendsCelsius].into_iter().find(fits).filter(|_| large)
    }

    /// What was meant, °C, by what reads as this many °C.
    pub fn meant(self, value: f64) -> f64 {
        match self {
            OtherUnit::SendsFahrenheit => (value - 32.0) / 1.8,
            OtherUnit::SendsCelsius => value * 1.8 + 32.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_arithmetic_counts() {
        // 30 °C is 86 °F by definition of the scales.
        let jump = |from, to| OtherUnit::of_jump(from, to, Span::min(1));
        assert_eq!(jump(30.0, 86.4), Some(OtherUnit::SendsFahrenheit));
        assert_eq!(jump(30.0, -1.1), Some(OtherUnit::SendsCelsius));
        assert_eq!(jump(30.0, 80.0), None);
        assert_eq!(jump(30.0, 89.0), None);
        assert_eq!(jump(-40.0, -40.0), None, "where both scales meet nothing can be told");
        let ten_minutes_on = OtherUnit::of_jump(30.0, 89.0, Span::min(10));
        assert_eq!(ten_minutes_on, Some(OtherUnit::SendsFahrenheit), "it has warmed to 31.7 meanwhile");
    }
}
