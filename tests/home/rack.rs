//! Healthy enclosures of a home with six probes each that speak once a minute: what cost is measured on.

use super::chance::Chance;
use super::world::World;
use super::{Case, Control, DAY_S, STEP_S, Size, Watts};
use warmside::engine::settings::Settings;
use warmside::terms::time::Wall;

/// Readings of all probes of an enclosure within a day.
pub const A_DAY: usize = 6 * 1_440;

/// 2026-01-05T00:00:00Z, a Monday: second 0.
const START_MS: i64 = 1_767_571_200_000;

pub struct Rack {
    worlds: Vec<World>,
    chance: Chance,
}

/// A message as it comes from the broker.
pub struct Message {
    pub at: Wall,
    pub topic: String,
    pub payload: String,
}

impl Message {
    /// As `record` writes it.
    pub fn line(&self) -> String {
        let Message { at, topic, payload } = self;
        format!("{{\"at\":\"{}\",\"topic\":\"{topic}\",\"payload\":\"{payload}\"}}", at.rfc3339())
    }
}

impl Rack {
    /// Every control and size, doors and misting and sun over so many days, nothing broken.
    pub fn new(enclosures: usize, days: i64) -> Rack {
        let world = |at: usize| {
            let control = Control::ALL[at % Control::ALL.len()];
            let size = Size::ALL[at / Control::ALL.len() % Size::ALL.len()];
            World::new(Case { watts: Watts::Instant, ..Case::new(4_000 + at as u64, control, size) }, days)
        };
        Rack { worlds: (0..enclosures).map(world).collect(), chance: Chance::new(4, 400) }
    }

    /// The keeper's file of it, as it is obeyed.
    pub fn settings(&self) -> Settings {
        let text = format!(
            r#"
site = {{ name = "Rack", time_zone = "Europe/Dublin" }}
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
confirmed_by = "ines"
warm_side = {{ wanted = [20, 38], night = [14, 38], never = [8, 48] }}
hide = {{ wanted = [15, 38], night = [12, 38], never = [8, 45] }}
cool_side = {{ wanted = [12, 36], night = [10, 36], never = [6, 42] }}
humidity = {{ place = "cool_side", wanted = [30, 70] }}
light = {{ on = "08:00", hours = 12 }}
[[enclosure]]
ids = ["e0..e{}"]
care = "any"
heat = [{{ id = "main", kind = "ceramic-emitter", at = "warm_side" }}]
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
[[link]]
topic = "rack/{{enclosure}}/humidity"
reads = "cool_side.humidity"
unit = "%"
[[link]]
topic = "rack/{{enclosure}}/lux"
reads = "air.illuminance"
unit = "lx"
[[link]]
topic = "plug/{{enclosure}}/power"
reads = "heat.power"
unit = "W"
"#,
            self.worlds.len() - 1
        );
        let path = std::env::temp_dir().join(format!("warmside-rack-{}.toml", std::process::id()));
        std::fs::write(&path, text).expect("a temporary file");
        let config = warmside::config::load_without_secrets(&path);
        let _ = std::fs::remove_file(&path);
        config.unwrap_or_else(|report| panic!("{}", report.render(false))).settings
    }

    /// What comes within the next day, in order.
    pub fn day(&mut self) -> Vec<Message> {
        let mut all = Vec::with_capacity(self.worlds.len() * A_DAY);
        for _ in 0..DAY_S / 60 {
            for (e, world) in self.worlds.iter_mut().enumerate() {
                (0..60 / STEP_S).for_each(|_| world.step());
                let (warm_c, cool_c) = (world.warm_c(), world.cool_c());
                let lit = (8..20).contains(&(world.at_s.rem_euclid(DAY_S) / 3_600));
                let mut noise = |size: f64| size * self.chance.normal();
                let said = [
                    (format!("rack/e{e}/warm_side/temperature"), warm_c + noise(0.05), 1),
                    (format!("rack/e{e}/hide/temperature"), (warm_c + cool_c) / 2.0 + noise(0.05), 1),
                    (format!("rack/e{e}/cool_side/temperature"), cool_c + noise(0.05), 1),
                    (format!("rack/e{e}/humidity"), 50.0 + noise(1.0), 1),
                    (format!("rack/e{e}/lux"), if lit { 1_500.0 + noise(40.0) } else { 1.0 }, 0),
                    (format!("plug/e{e}/power"), world.plug_w(), 1),
                ];
                // All within the minute, one after the other.
                let at_ms = START_MS + world.at_s * 1_000 + e as i64 % 60 * 1_000;
                all.extend(said.into_iter().zip(0..).map(|((topic, value, digits), nth)| Message {
                    at: Wall::from_ms(at_ms + nth * 100),
                    topic,
                    payload: format!("{value:.digits$}"),
                }));
            }
        }
        all
    }
}
