//! The invented house: twelve enclosures, their keeper's file, and what their sensors say when.

use super::physics::{Build, Enclosure, Noise};
use crate::terms::time::{Span, Wall};
use std::fmt::Write;
use std::path::Path;

/// Between two values of a sensor.
pub const EVERY: Span = Span::min(1);
/// Seconds of one step of the model.
const STEP_S: f64 = 5.0;

/// Id, animal, kind of care. All invented.
pub const ENCLOSURES: [(&str, &str, Kind); 12] = [
    ("a1", "Juno", Kind::Snake),
    ("a2", "Basil", Kind::Snake),
    ("a3", "Pepper", Kind::Snake),
    ("a4", "Marlow", Kind::Snake),
    ("b1", "Clover", Kind::Gecko),
    ("b2", "Saffron", Kind::Gecko),
    ("b3", "Tansy", Kind::Gecko),
    ("b4", "Bramble", Kind::Gecko),
    ("c1", "Ember", Kind::Dragon),
    ("c2", "Rusty", Kind::Dragon),
    ("c3", "Sorrel", Kind::Dragon),
    ("c4", "Onyx", Kind::Dragon),
];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Snake,
    Gecko,
    Dragon,
}

impl Kind {
    fn build(self) -> Build {
        let (watts, set_c) = match self {
            Kind::Snake => (75.0, 30.5),
            Kind::Gecko => (50.0, 31.5),
            Kind::Dragon => (110.0, 36.0),
        };
        let to_room = if self == Kind::Dragon { 1.5 } else { 1.1 };
        Build { watts, set_c, heat_capacity: 9_000.0, to_room, between: 1.1, lamp_watts: 5.0 }
    }

    const fn care(self) -> &'static str {
        match self {
            Kind::Snake => "demo-snake",
            Kind::Gecko => "demo-gecko",
            Kind::Dragon => "demo-dragon",
        }
    }
}

/// One message of one sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    pub topic: String,
    pub payload: String,
}

/// The house as it stands at an instant.
pub struct House {
    pub enclosures: Vec<Enclosure>,
    noise: Noise,
    at: Wall,
    /// Local time is UTC plus this: enough for lamps and a room that cools at night.
    offset: Span,
}

impl House {
    pub fn new(at: Wall, offset: Span) -> House {
        let enclosures = ENCLOSURES.iter().map(|(_, _, kind)| Enclosure::new(kind.build())).collect();
        House { enclosures, noise: Noise::new(7), at, offset }
    }

    pub fn at(&self) -> Wall {
        self.at
    }

    /// Lets [`EVERY`] pass, and gives what every sensor says at its end.
    pub fn minute(&mut self) -> Vec<Said> {
        let steps = (EVERY.as_s() / STEP_S) as u32;
        for _ in 0..steps {
            self.at = self.at + Span::from_s(STEP_S);
            let (room, lamp) = (self.room_c(), self.lamp_due());
            for enclosure in &mut self.enclosures {
                enclosure.step(STEP_S, room, lamp, &mut self.noise);
            }
        }
        self.say()
    }

    fn of_day_h(&self) -> f64 {
        (self.at + self.offset).as_ms().rem_euclid(86_400_000) as f64 / 3_600_000.0
    }

    fn lamp_due(&self) -> bool {
        (8.0..20.0).contains(&self.of_day_h())
    }

    /// Warmest in the late afternoon, coolest before sunrise.
    fn room_c(&self) -> f64 {
        let swing = 1.0 - ((self.of_day_h() - 16.0).abs().min(24.0 - (self.of_day_h() - 16.0).abs())) / 6.0;
        21.0 + 1.2 * swing
    }

    fn say(&mut self) -> Vec<Said> {
        let mut said = Vec::new();
        let room = self.room_c() + 0.05 * self.noise.spread();
        said.push(Said { topic: "demo/room".into(), payload: format!("{room:.2}") });
        let (enclosures, noise) = (&self.enclosures, &mut self.noise);
        for ((id, _, _), enclosure) in ENCLOSURES.iter().zip(enclosures) {
            let mut say = |what: &str, payload: String| {
                said.push(Said { topic: format!("demo/{id}/{what}"), payload });
            };
            if !enclosure.faults.warm_probe_dead {
                say("warm_side", format!("{:.2}", enclosure.warm_c + 0.06 * noise.spread()));
            }
            let cool = enclosure.cool_c + 0.06 * noise.spread();
            say("climate", format!("{{\"temperature\":{cool:.2},\"humidity\":{:.1}}}", enclosure.humidity));
            let lux = if enclosure.lit { 900.0 } else { 2.0 };
            say("light", format!("{:.0}", lux * (1.0 + 0.03 * noise.spread())));
            say("plug", format!("{:.1}", enclosure.power_w() * (1.0 + 0.004 * noise.spread())));
        }
        said
    }
}

/// The keeper's file of the demo: the same that anybody would write.
pub fn configuration(broker_port: u16, page_port: u16) -> String {
    let mut text = format!(
        r#"# The demo's own keeper's file. House, animals and keepers are invented; the numbers are no advice.
[site]
name = "Hollow Lane"
time_zone = "Europe/Dublin"

[builtin_broker]
listen = "127.0.0.1:{broker_port}"

[page]
listen = "127.0.0.1:{page_port}"

[store]
folder = "state"

[letters]
daily = "07:00"

[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"

[[keeper]]
id = "tom"
name = "Tom, neighbour"
mail = "tom@example.org"
after = "20min"

[[room]]
id = "back-room"
name = "Back room"

[care.demo-snake]
warm_side = {{ wanted = [28, 33], night = [27, 33], never = [20, 36] }}
cool_side = {{ wanted = [22, 28], night = [21, 28], never = [18, 31] }}
humidity = {{ place = "cool_side", wanted = [35, 70] }}
light = {{ on = "08:00", hours = 12 }}
confirmed_by = "ines"

[care.demo-gecko]
warm_side = {{ wanted = [29, 34], night = [28, 34], never = [20, 38] }}
cool_side = {{ wanted = [22, 29], night = [21, 29], never = [18, 32] }}
humidity = {{ place = "cool_side", wanted = [35, 70] }}
light = {{ on = "08:00", hours = 12 }}
confirmed_by = "ines"

[care.demo-dragon]
warm_side = {{ wanted = [33, 38], night = [32, 38], never = [20, 44] }}
cool_side = {{ wanted = [23, 31], night = [22, 31], never = [18, 35] }}
humidity = {{ place = "cool_side", wanted = [35, 70] }}
light = {{ on = "08:00", hours = 12 }}
confirmed_by = "ines"
"#
    );
    for (ix, (id, animal, kind)) in ENCLOSURES.iter().enumerate() {
        let (rack, shelf) = (["left", "middle", "right"][ix / 4], ix % 4 + 1);
        let _ = write!(
            text,
            r#"
[[enclosure]]
id = "{id}"
animal = "{animal}"
care = "{}"
room = "back-room"
where = ["{rack} rack", "shelf {shelf}"]
heat = [{{ id = "main", kind = "ceramic-emitter", at = "warm_side", watts = {}, thermostat = "on-off" }}]
what_to_do = "Spare emitter: drawer 2, hall cupboard."
"#,
            kind.care(),
            kind.build().watts,
        );
    }
    text.push_str(
        r#"
[[link]]
topic = "demo/{enclosure}/warm_side"
reads = "warm_side.temperature"
unit = "Cel"

[[link]]
topic = "demo/{enclosure}/climate"
[link.read]
"cool_side.temperature" = { pointer = "/temperature", unit = "Cel" }
"cool_side.humidity" = { pointer = "/humidity", unit = "%" }

[[link]]
topic = "demo/{enclosure}/light"
reads = "air.illuminance"
unit = "lx"

[[link]]
topic = "demo/{enclosure}/plug"
reads = "heat.power"
unit = "W"

[[link]]
topic = "demo/room"
room = "back-room"
quantity = "temperature"
unit = "Cel"
"#,
    );
    text
}

/// Writes the file into the demo's folder and gives its path.
pub fn write(folder: &Path, broker_port: u16, page_port: u16) -> std::io::Result<std::path::PathBuf> {
    let path = folder.join("warmside.toml");
    std::fs::write(&path, configuration(broker_port, page_port))?;
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_keepers_file_has_no_fault() {
        let folder = std::env::temp_dir().join(format!("warmside-demo-house-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        let path = write(&folder, 1_883, 8_377).expect("written");
        let loaded = crate::config::load(&path);
        let _ = std::fs::remove_dir_all(&folder);
        match loaded {
            Ok(config) => {
                assert!(config.doubts.faults.is_empty(), "{}", config.doubts.render(false));
                assert_eq!(config.settings.enclosures.len(), ENCLOSURES.len());
            }
            Err(report) => panic!("{}", report.render(false)),
        }
    }

    #[test]
    fn a_healthy_house_stays_where_it_is_wanted() {
        let mut house = House::new(Wall::from_ms(0), Span::ZERO);
        for _ in 0..3 * 1_440 {
            let said = house.minute();
            assert_eq!(said.len(), 1 + 4 * ENCLOSURES.len());
        }
        for ((id, _, kind), enclosure) in ENCLOSURES.iter().zip(&house.enclosures) {
            let set = kind.build().set_c;
            assert!((enclosure.warm_c - set).abs() < 1.0, "{id} {enclosure:?}");
            assert!(enclosure.cool_c < set - 3.0, "{id} {enclosure:?}");
        }
    }
}
