//! Hand-held infrared readings, corrected for what the surface emits and reflects; the table of emissivities with its sources.

use serde::Deserialize;
use std::sync::LazyLock;

/// Below this a surface shows mostly what it reflects, and no correction is honest.
pub const LEAST_EMISSIVITY: f64 = 0.6;

/// What most instruments are set to when they leave the shop.
pub const USUAL_SETTING: f64 = 0.95;

/// Below this difference, K, between probe and spot reading there is no finding: instruments are good to ±2 K (from memory).
pub const MEANINGLESS_K: f64 = 2.5;

/// One reading with its circumstances, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpotReading {
    pub shown_c: f64,
    /// The emissivity that the instrument is set to.
    pub setting: f64,
    /// The instrument's own temperature.
    pub instrument_c: f64,
    /// The temperature of what the surface reflects: the room, or a lamp, which is why the lamp is to be off.
    pub reflected_c: f64,
}

/// Why there is no corrected reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoCorrection {
    /// Emissivity under [`LEAST_EMISSIVITY`]: put tape on it and read that.
    Reflects,
    /// A temperature or emissivity that cannot be.
    Impossible,
}

/// The surface's own temperature, °C:
/// `T⁴ = (ε_set·T_shown⁴ + (1−ε_set)·T_instrument⁴ − (1−ε)·T_reflected⁴)/ε`, kelvin.
pub fn corrected_c(spot: SpotReading, emissivity: f64) -> Result<f64, NoCorrection> {
    let plausible = |c: f64| (-100.0..=500.0).contains(&c);
    let fraction = |e: f64| e > 0.0 && e <= 1.0;
    let temperatures = [spot.shown_c, spot.instrument_c, spot.reflected_c];
    if !temperatures.into_iter().all(plausible) || !fraction(spot.setting) || !fraction(emissivity) {
        return Err(NoCorrection::Impossible);
    }
    if emissivity < LEAST_EMISSIVITY {
        return Err(NoCorrection::Reflects);
    }
    let fourth = |c: f64| {
        let k = c + 273.15;
        k * k * k * k
    };
    let received = spot.setting * fourth(spot.shown_c) + (1.0 - spot.setting) * fourth(spot.instrument_c);
    let own = (received - (1.0 - emissivity) * fourth(spot.reflected_c)) / emissivity;
    if own <= 0.0 {
        return Err(NoCorrection::Impossible);
    }
    Ok(own.sqrt().sqrt() - 273.15)
}

/// The emissivity of a surface, 8 to 14 µm.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Material {
    pub id: String,
    pub value: f64,
    pub min: f64,
    pub max: f64,
    /// A key of the table's sources.
    pub source: String,
    pub basis: String,
    pub confidence: String,
    #[serde(default)]
    pub note: String,
}

#[derive(Deserialize)]
struct Table {
    material: Vec<Material>,
}

static MATERIALS: LazyLock<Vec<Material>> =
    LazyLock::new(|| toml::from_str::<Table>(include_str!("emissivity.toml")).map(|t| t.material).unwrap_or_default());

/// All surfaces of the table, in its order.
pub fn materials() -> &'static [Material] {
    &MATERIALS
}

/// A surface by its id, `-` and `_` alike.
pub fn material(id: &str) -> Option<&'static Material> {
    let id = id.replace('-', "_");
    materials().iter().find(|m| m.id == id)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(shown_c: f64, reflected_c: f64) -> SpotReading {
        SpotReading { shown_c, setting: USUAL_SETTING, instrument_c: 25.0, reflected_c }
    }

    #[test]
    fn corrections_by_hand() {
        // Computed from the formula with setting 0.95 and instrument at 25 °C: shown, reflected, ε, true. Last row: a lamp's reflection.
        let table = [
            (35.0, 25.0, 0.85, 36.11),
            (35.0, 25.0, 0.90, 35.53),
            (35.0, 25.0, 0.98, 34.71),
            (45.0, 25.0, 0.85, 47.12),
            (60.0, 25.0, 0.92, 60.97),
            (60.0, 25.0, 0.85, 63.46),
            (35.0, 60.0, 0.90, 31.27),
        ];
        for (shown, reflected, emissivity, want) in table {
            let ours = corrected_c(spot(shown, reflected), emissivity).unwrap();
            assert!((ours - want).abs() < 0.006, "{shown} {emissivity}: {ours} for {want}");
        }
        assert!((corrected_c(spot(35.0, 25.0), 0.95).unwrap() - 35.0).abs() < 1e-9, "as set: as shown");
    }

    #[test]
    fn polished_metal_and_nonsense_are_refused() {
        let metal = material("bare-metal-polished").unwrap();
        assert_eq!(corrected_c(spot(35.0, 25.0), metal.value), Err(NoCorrection::Reflects));
        assert_eq!(corrected_c(spot(35.0, 25.0), 0.599), Err(NoCorrection::Reflects));
        assert_eq!(corrected_c(spot(f64::NAN, 25.0), 0.9), Err(NoCorrection::Impossible));
        assert_eq!(corrected_c(spot(35.0, 25.0), 1.01), Err(NoCorrection::Impossible));
        assert_eq!(corrected_c(spot(-90.0, 400.0), 0.6), Err(NoCorrection::Impossible), "less than nothing emitted");
    }

    #[test]
    fn the_table_is_whole_and_sourced() {
        let sources: toml::Table = toml::from_str(include_str!("emissivity.toml")).unwrap();
        let sources = sources["sources"].as_table().unwrap();
        assert_eq!(materials().len(), 23);
        for m in materials() {
            assert!(m.min <= m.value && m.value <= m.max && m.max <= 1.0 && m.min > 0.0, "{}", m.id);
            assert!(sources.contains_key(&m.source), "{}", m.id);
        }
        assert_eq!(material("slate").map(|m| m.value), Some(0.93));
    }
}
