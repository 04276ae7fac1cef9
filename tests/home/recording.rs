//! A home's life in the formats that users see: lines of a recording, and the configuration that reads them.

use super::{Sample, What};
use warmside::terms::quantity::Quantity;
use warmside::terms::time::Wall;

/// 2026-01-05T00:00:00Z, a Monday: second 0 of every simulated home.
const START_MS: i64 = 1_767_571_200_000;

/// One message as `record` would have written it.
pub fn line(s: &Sample) -> String {
    let topic = match s.what {
        What::At(place, quantity) => format!("home/{}/{}", place.word(), quantity.word()),
        What::Heat(Quantity::Switch) => "home/heat/switch".to_owned(),
        What::Heat(_) => "home/heat/power".to_owned(),
        What::Lamp(_) => "home/lamp/power".to_owned(),
        What::Room => "home/room".to_owned(),
    };
    let at = Wall::from_ms(START_MS + s.at_ms).rfc3339();
    format!("{{\"at\":\"{at}\",\"topic\":\"{topic}\",\"payload\":\"{:.4}\"}}\n", s.value)
}

/// The keeper's file: wide bands, so that what is said comes from the heat's course.
pub fn config(thermostat: &str, on_s: i64, off_s: i64) -> String {
    let hours = (off_s - on_s) as f64 / 3_600.0;
    format!(
        r#"[site]
name = "Simulated"
time_zone = "UTC"
unit = "C"

[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"

[care.simulated]
warm_side = {{ wanted = [10, 45], never = [5, 50] }}
cool_side = {{ wanted = [5, 40], never = [2, 45] }}
light = {{ on = "{:02}:{:02}", hours = {hours:.2} }}
gradient = {{ at_least = 0 }}
confirmed_by = "ines"

[[enclosure]]
id = "a1"
animal = "Juno"
care = "simulated"
heat = [{{ id = "main", kind = "ceramic-emitter", at = "warm_side", thermostat = "{thermostat}" }}]

[[link]]
topic = "home/warm_side/temperature"
enclosure = "a1"
reads = "warm_side.temperature"
unit = "Cel"

[[link]]
topic = "home/cool_side/temperature"
enclosure = "a1"
reads = "cool_side.temperature"
unit = "Cel"
"#,
        on_s / 3_600,
        on_s / 60 % 60
    )
}
