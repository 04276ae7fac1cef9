//! A house of simulated enclosures in one room: who lives in it, what of it is measured, and the keeper's file about it.
//!
//! Bands are set as keepers set them: from what literature wants where the enclosure holds it, else whole or half degrees
//! around what was seen, sharp, usual or generous; some files hold links and a care and nothing else.

use super::home::chance::Chance;
use super::home::life::Kind;
use super::home::sensor::Home;
use super::home::{Case, Control, DAY_S, Size, Watts};
use super::trouble::Trouble;
use warmside::terms::place::Place;

/// Day-time bands of the warm and the cool side, °C: corn snake, common kingsnake, royal python, boa (figures of
/// `src/care/species.toml`).
const LITERATURE: [[(f64, f64); 2]; 4] = [
    [(28.0, 32.0), (20.0, 24.0)],
    [(28.0, 32.0), (22.0, 26.0)],
    [(28.0, 32.0), (24.0, 26.0)],
    [(28.0, 32.0), (24.0, 27.0)],
];

/// How a keeper writes bands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    Sharp,
    Usual,
    Generous,
    /// Links and a care, one band for day and night, nothing else.
    Bare,
}

/// What of an enclosure is measured and written down.
#[derive(Clone, Copy, Debug)]
pub struct Gear {
    /// The shortest time between two readings of a probe, s; what the sensor itself sends oftener is left out.
    pub thin_s: i64,
    pub lux: bool,
    pub humidity: bool,
    pub style: Style,
    pub light_plan: bool,
    pub thermostat_said: bool,
}

pub struct House {
    pub seed: u64,
    pub homes: Vec<Home>,
    pub gear: Vec<Gear>,
    pub room_probe: bool,
    pub circuits: bool,
    /// Enclosures on one circuit.
    pub on_circuit: usize,
    pub trouble: Option<(Trouble, i64)>,
}

impl House {
    /// Who lives here follows from the seed alone; `trouble` begins at its second.
    pub fn new(seed: u64, days: i64, trouble: Option<(Trouble, i64)>) -> House {
        let mut c = Chance::new(seed, 50);
        let count = if c.chance(0.06) { 40 } else { c.pick(&[1usize, 1, 1, 2, 3, 4, 6, 8]) };
        let count = trouble.map_or(count, |(t, _)| count.max(t.least_enclosures()));
        let on_circuit = c.pick(&[2usize, 3, 4, 8]).max(count.div_ceil(8));
        let plugs = c.chance(0.4);
        let one_style = c.pick(&[Style::Sharp, Style::Usual, Style::Usual, Style::Generous, Style::Bare]);
        let (room_probe, circuits) = (c.chance(0.5), c.chance(0.7));
        let mut house = House { seed, homes: Vec::new(), gear: Vec::new(), room_probe, circuits, on_circuit, trouble };
        for at in 0..count {
            let control = c.pick(&[Control::OnOff, Control::OnOff, Control::Pulse, Control::Dimming, Control::None]);
            let watts = if plugs { c.pick(&[Watts::Instant, Watts::Mean]) } else { Watts::Unknown };
            let fault = trouble.and_then(|(t, at_s)| Some((t.heat_fault()?, at_s))).filter(|_| house.hits(at));
            let case = Case {
                watts,
                cool_side: c.chance(0.85) || trouble.is_some_and(|(t, _)| t.needs_cool_side()),
                relay: plugs && c.chance(0.4),
                on_change: c.chance(0.25),
                fault,
                ..Case::new(seed * 64 + at as u64 * 2 + seed % 2, control, c.pick(&Size::ALL))
            };
            let needs_light = trouble.is_some_and(|(t, _)| t.needs_light());
            let style = if c.chance(0.8) { one_style } else { Style::Usual };
            let style = if needs_light && style == Style::Bare { Style::Usual } else { style };
            house.gear.push(Gear {
                thin_s: c.pick(&[0, 0, 0, 300]),
                lux: c.chance(0.4) || needs_light,
                humidity: c.chance(0.4) || trouble.is_some_and(|(t, _)| t.needs_humidity()),
                style,
                light_plan: style != Style::Bare && (c.chance(0.8) || needs_light),
                thermostat_said: c.chance(0.7),
            });
            house.homes.push(Home::new(case, days));
        }
        house.share_the_room();
        house.let_the_sun_in(&mut c);
        house
    }

    /// One room, one weather, one airing for all.
    fn share_the_room(&mut self) {
        let Some((first, others)) = self.homes.split_first_mut() else { return };
        for home in others {
            let life = &mut home.world.life;
            life.room = first.world.life.room.clone();
            life.events.retain(|e| e.kind != Kind::Airing);
            life.events.extend(first.world.life.events.iter().filter(|e| e.kind == Kind::Airing));
            life.events.sort_by_key(|e| (e.from_s, e.until_s));
        }
    }

    fn let_the_sun_in(&mut self, c: &mut Chance) {
        let Some((Trouble::Sun, at_s)) = self.trouble else { return };
        let world = &mut self.homes[0].world;
        let scale = world.case.size.scale();
        let size = c.within(90.0, 160.0) * scale * scale;
        let until_s = at_s + c.within(5_400.0, 10_800.0) as i64;
        world.life.events.push(super::home::life::Event { from_s: at_s, until_s, kind: Kind::Sun, size });
        world.life.events.sort_by_key(|e| (e.from_s, e.until_s));
    }

    pub fn id(at: usize) -> String {
        format!("{}{}", (b'a' + (at / 8) as u8) as char, at % 8 + 1)
    }

    /// Whether the trouble is this enclosure's: of one enclosure's troubles it is always the first.
    pub fn hits(&self, at: usize) -> bool {
        self.trouble.is_some_and(|(t, _)| match t {
            Trouble::PowerOfCircuit => at < self.on_circuit,
            t => t.is_of_all() || at == 0,
        })
    }

    /// The keeper's file.
    pub fn config(&self, seen: &[Seen]) -> String {
        let mut text = String::from(
            "[site]\nname = \"Simulated\"\ntime_zone = \"UTC\"\n[[keeper]]\nid = \"ines\"\nname = \"Ines\"\n\
             mail = \"ines@example.org\"\n[[room]]\nid = \"room\"\nname = \"Room\"\n",
        );
        let circuits = self.homes.len().div_ceil(self.on_circuit);
        for circuit in (0..circuits).filter(|_| self.circuits) {
            text += &format!("[[circuit]]\nid = \"k{circuit}\"\nname = \"Circuit {circuit}\"\n");
        }
        for (at, (home, gear)) in self.homes.iter().zip(&self.gear).enumerate() {
            text += &self.enclosure(at, home, gear, &seen[at]);
        }
        text +=
            "[[link]]\ntopic = \"rack/{enclosure}/{place}/temperature\"\nquantity = \"temperature\"\nunit = \"Cel\"\n";
        if self.homes.iter().any(|h| h.world.case.watts != Watts::Unknown) {
            text += "[[link]]\ntopic = \"plug/{enclosure}/power\"\nreads = \"heat.power\"\nunit = \"W\"\n";
        }
        if self.homes.iter().any(|h| h.world.case.relay) {
            text += "[[link]]\ntopic = \"plug/{enclosure}/relay\"\nreads = \"heat.switch\"\nwords = { on = \"ON\", off = \"OFF\" }\n";
        }
        if self.gear.iter().any(|g| g.lux) {
            text += "[[link]]\ntopic = \"rack/{enclosure}/lux\"\nreads = \"air.illuminance\"\nunit = \"lx\"\n";
        }
        if self.gear.iter().any(|g| g.humidity) {
            text += "[[link]]\ntopic = \"rack/{enclosure}/humidity\"\nreads = \"cool_side.humidity\"\nunit = \"%\"\n";
        }
        if self.room_probe {
            text += "[[link]]\ntopic = \"room/air\"\nroom = \"room\"\nquantity = \"temperature\"\nunit = \"Cel\"\n";
        }
        text
    }

    fn enclosure(&self, at: usize, home: &Home, gear: &Gear, seen: &Seen) -> String {
        let id = House::id(at);
        let mut c = Chance::new(self.seed, 900 + at as u64);
        let mut text = format!("[care.c{at}]\nconfirmed_by = \"ines\"\n");
        text += &seen.bands(gear, home.world.case.cool_side, &mut c);
        if gear.light_plan {
            let (on, off) = home.world.photoperiod_s();
            let on = on.rem_euclid(DAY_S);
            let hours = (off - on).rem_euclid(DAY_S) as f64 / 3_600.0;
            text += &format!("light = {{ on = \"{:02}:{:02}\", hours = {hours:.2} }}\n", on / 3_600, on / 60 % 60);
        }
        if gear.humidity {
            let (low, high) = seen.humid();
            text += &format!(
                "humidity = {{ place = \"cool_side\", wanted = [{low:.0}, {high:.0}], dries_within = \"4h\" }}\n"
            );
        }
        text += &format!("[[enclosure]]\nid = \"{id}\"\ncare = \"c{at}\"\n");
        if gear.style != Style::Bare {
            text += "room = \"room\"\n";
            if self.circuits {
                text += &format!("circuit = \"k{}\"\n", at / self.on_circuit);
            }
            let thermostat = match gear.thermostat_said {
                true => format!(", thermostat = \"{}\"", home.thermostat()),
                false => String::new(),
            };
            text +=
                &format!("heat = [{{ id = \"main\", kind = \"ceramic-emitter\", at = \"warm_side\"{thermostat} }}]\n");
        }
        text
    }

    /// What the keeper saw before writing the file: three days in health, the truth of both ends each minute.
    pub fn look(&self) -> Vec<Seen> {
        let mut sound = self.homes.clone();
        let mut seen = vec![Seen::default(); sound.len()];
        for (home, seen) in sound.iter_mut().zip(&mut seen) {
            home.world.case.fault = None;
            while home.world.at_s < 3 * DAY_S {
                home.world.step();
                let at_s = home.world.at_s;
                if at_s % 60 == 0 && at_s > 6 * 3_600 && !home.world.life.disturbed(at_s, 3_600) {
                    let night = usize::from(!home.world.lights_on());
                    seen.of[night][0].push(home.world.warm_c());
                    seen.of[night][1].push(home.world.cool_c());
                    seen.percent.push(home.world.moisture.percent());
                }
            }
        }
        seen
    }
}

/// Levels of day and night, warm and cool side, °C.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    of: [[Vec<f64>; 2]; 2],
    percent: Vec<f64>,
}

impl Seen {
    /// Lowest and highest but for one part in fifty.
    fn range(&self, night: usize, side: usize) -> (f64, f64) {
        let own = &self.of[night][side];
        let mut levels = if own.is_empty() { self.of[1 - night][side].clone() } else { own.clone() };
        levels.sort_by(f64::total_cmp);
        let last = levels.len().saturating_sub(1);
        let at = |share: f64| levels.get((last as f64 * share) as usize).copied().unwrap_or(25.0);
        (at(0.02), at(0.98))
    }

    /// A band around nine tenths of the relative humidity, ten per cent wider.
    fn humid(&self) -> (f64, f64) {
        let mut seen = self.percent.clone();
        seen.sort_by(f64::total_cmp);
        let at = |share: f64| seen.get((seen.len() as f64 * share) as usize).copied().unwrap_or(50.0);
        ((at(0.05) - 10.0).max(1.0).floor(), (at(0.95) + 10.0).min(99.0).ceil())
    }

    fn bands(&self, gear: &Gear, cool_side: bool, c: &mut Chance) -> String {
        // (rounded to, margin, never beyond wanted), K
        let (grain, margin, never) = match gear.style {
            Style::Sharp => (0.5, 0.3, c.pick(&[3.0, 4.0])),
            Style::Usual | Style::Bare => (1.0, 0.7, c.pick(&[4.0, 5.0])),
            Style::Generous => (1.0, 2.0, c.pick(&[5.0, 7.0])),
        };
        let outward = |(low, high): (f64, f64)| {
            (((low - margin) / grain).floor() * grain, ((high + margin) / grain).ceil() * grain)
        };
        let literature = LITERATURE.iter().find(|bands| {
            bands.iter().enumerate().all(|(side, (low, high))| {
                let (from, to) = self.range(0, side);
                from >= *low && to <= *high
            })
        });
        let mut text = String::new();
        for (side, place) in [Place::WarmSide, Place::CoolSide].into_iter().enumerate() {
            if place == Place::CoolSide && !cool_side {
                continue;
            }
            let seen = [outward(self.range(0, side)), outward(self.range(1, side))];
            let day = match literature {
                Some(bands) if gear.style != Style::Sharp => bands[side],
                _ => seen[0],
            };
            let both = (day.0.min(seen[1].0), day.1.max(seen[1].1));
            let limits = format!("never = [{:.1}, {:.1}]", both.0 - never, both.1 + never);
            text += &match (gear.light_plan, gear.style) {
                (true, _) => format!(
                    "{} = {{ wanted = [{:.1}, {:.1}], night = [{:.1}, {:.1}], {limits} }}\n",
                    place.word(),
                    day.0,
                    day.1,
                    seen[1].0.min(day.0),
                    seen[1].1
                ),
                _ => format!("{} = {{ wanted = [{:.1}, {:.1}], {limits} }}\n", place.word(), both.0, both.1),
            };
        }
        text
    }
}
