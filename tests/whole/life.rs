//! A house's messages in the order of their arrival, through the engine: what is mailed.

use super::home::chance::Chance;
use super::home::{DAY_S, STEP_S, Sample, What};
use super::house::House;
use super::trouble::{OUTAGE_S, Spoiler, Trouble};
use super::truth::Truth;
use std::io::Write;
use std::sync::atomic::{AtomicU32, Ordering};
use warmside::engine::effect::Effect;
use warmside::recording::replay::Replay;
use warmside::recording::{self, Line};
use warmside::terms::place::Place;
use warmside::terms::quantity::Quantity;
use warmside::terms::time::Wall;

/// 2026-01-05T00:00:00Z, a Monday: the simulator's second 0.
const START_MS: i64 = 1_767_571_200_000;

/// A mail that a keeper would have got.
#[derive(Clone, Debug)]
pub struct Mail {
    pub at_s: i64,
    pub event: String,
    pub urgency: String,
    pub cause: String,
    pub incident: String,
    pub enclosures: Vec<String>,
    pub subject: String,
    /// What was truly so where it is about, for whoever sorts right words from wrong ones.
    pub truth: String,
    /// Whether what it says was truly so although nothing was broken.
    pub holds: bool,
}

impl Mail {
    fn read(json: &str, at_s: i64) -> Option<Mail> {
        let n: serde_json::Value = serde_json::from_str(json).unwrap();
        let word = |key: &str| n[key].as_str().unwrap_or_default().to_owned();
        let ids = n["enclosures"].as_array().map(|a| a.iter().filter_map(|v| v.as_str().map(str::to_owned)).collect());
        let mail = Mail {
            at_s,
            event: word("event"),
            urgency: word("urgency"),
            cause: word("cause"),
            incident: word("incident"),
            enclosures: ids.unwrap_or_default(),
            subject: word("subject"),
            truth: String::new(),
            holds: false,
        };
        (mail.event != "digest").then_some(mail)
    }

    pub fn words(&self) -> String {
        let (day, minute) = (self.at_s / DAY_S, self.at_s % DAY_S / 60);
        format!(
            "day {day} {:02}:{:02} {} {} {} {} {:?} | {}",
            minute / 60,
            minute % 60,
            self.incident,
            self.event,
            self.urgency,
            self.cause,
            self.enclosures,
            self.subject
        )
    }
}

fn settings(text: &str) -> warmside::engine::settings::Settings {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let name = format!("warmside-whole-{}-{}.toml", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
    let path = std::env::temp_dir().join(name);
    std::fs::write(&path, text).unwrap();
    let loaded = warmside::config::load_without_secrets(&path);
    std::fs::remove_file(&path).unwrap();
    loaded.unwrap_or_else(|report| panic!("{text}\n{}", report.render(false))).settings
}

/// The humidity and the light of one enclosure as its sensors tell them, with what the trouble does to them.
struct Climate {
    rng: Chance,
    dry: f64,
}

impl Climate {
    fn step(&mut self, trouble: Option<Trouble>) {
        let dt = STEP_S as f64;
        self.dry += (if trouble == Some(Trouble::HumidityDry) { 32.0 } else { 0.0 } - self.dry) * dt / 7_200.0;
    }
    fn humidity(&mut self, percent: f64, trouble: Option<Trouble>) -> f64 {
        match trouble {
            Some(Trouble::HumiditySoaked) => 99.9,
            _ => (percent - self.dry + 0.5 * self.rng.normal()).clamp(1.0, 99.9),
        }
    }
    fn lux(&mut self, at_s: i64, photoperiod_s: (i64, i64), trouble: Option<Trouble>) -> f64 {
        let shift = if trouble == Some(Trouble::LightShifted) { 3 * 3_600 } else { 0 };
        let of_day = (at_s - shift).rem_euclid(DAY_S);
        let planned = (of_day - photoperiod_s.0).rem_euclid(DAY_S) < photoperiod_s.1 - photoperiod_s.0;
        let on = match trouble {
            Some(Trouble::LightMissing) => false,
            Some(Trouble::LightStuckOn) => true,
            _ => planned,
        };
        let hour = at_s.rem_euclid(DAY_S) as f64 / 3_600.0;
        let daylight = 60.0 * (libm::cos((hour - 12.0) / 24.0 * std::f64::consts::TAU) - 0.2).max(0.0);
        let lamp = if on { 1_500.0 } else { 0.0 };
        ((lamp + daylight) * (1.0 + 0.03 * self.rng.normal())).max(0.0)
    }
}

/// Where the messages go: into the engine, and into a file for the command itself where one is wished.
struct Run {
    replay: Replay,
    keep: Option<std::io::BufWriter<std::fs::File>>,
    effects: Vec<Effect>,
    mails: Vec<Mail>,
}

impl Run {
    fn line(&mut self, at_ms: i64, what: recording::What<'_>) {
        let line = Line { at: Wall::from_ms(START_MS + at_ms), what };
        if let Some(file) = &mut self.keep {
            writeln!(file, "{}", recording::write(&line)).unwrap();
        }
        let mails = &mut self.mails;
        self.replay.line(&line, &mut self.effects, &mut |now, effects| {
            for effect in effects.drain(..) {
                let Effect::Commit { notices, .. } = effect else { continue };
                let at_s = (now.wall.as_ms() - START_MS) / 1_000;
                mails.extend(notices.iter().filter_map(|n| Mail::read(&n.json, at_s)));
            }
        });
    }

    fn say(&mut self, at_ms: i64, topic: &str, payload: &str) {
        let payload = payload.as_bytes().into();
        self.line(at_ms, recording::What::Message { topic: topic.into(), payload, retained: false });
    }
}

/// What was mailed, and how many mails a plain band check would have sent.
pub struct Story {
    pub mails: Vec<Mail>,
    pub plain: u32,
}

/// The house's whole story as mails. A folder in which recordings and configurations are left: WARMSIDE_KEEP=folder.
pub fn mails(mut house: House, days: i64) -> Story {
    let text = house.config(&house.look());
    let keep = std::env::var_os("WARMSIDE_KEEP").map(|folder| {
        let name = format!("{}-{:?}", house.seed, house.trouble.map(|t| t.0));
        let base = std::path::Path::new(&folder).join(name.replace(['(', ')'], "-"));
        std::fs::write(base.with_extension("toml"), &text).unwrap();
        std::io::BufWriter::new(std::fs::File::create(base.with_extension("jsonl")).unwrap())
    });
    let mut run = Run { replay: Replay::new(settings(&text)), keep, effects: Vec::new(), mails: Vec::new() };
    let mut spoilers = vec![Spoiler::default(); house.homes.len()];
    let mut last_ms = vec![[i64::MIN / 2; 2]; house.homes.len()];
    let mut climates: Vec<Climate> =
        (0..house.homes.len()).map(|at| Climate { rng: Chance::new(house.seed, 700 + at as u64), dry: 0.0 }).collect();
    let mut samples: Vec<Sample> = Vec::new();
    let mut room_rng = Chance::new(house.seed, 600);
    let mut truth = Truth::new(&house, &text);
    let mut sorted = 0;
    let mut at_s = 0;
    while at_s < days * DAY_S {
        at_s += STEP_S;
        let trouble = house.trouble.filter(|(_, from)| at_s >= *from);
        let outage = trouble.is_some_and(|(_, from)| at_s < from + OUTAGE_S);
        let now = trouble.map(|(t, _)| t);
        if now == Some(Trouble::BrokerLost) && house.trouble.is_some_and(|(_, from)| at_s < from + STEP_S) {
            run.line(at_s * 1_000, recording::What::LinkLost);
        }
        let deaf = outage && matches!(now, Some(Trouble::BrokerLost | Trouble::GatewaySilent));
        if now == Some(Trouble::BrokerLost)
            && !outage
            && house.trouble.is_some_and(|(_, from)| at_s < from + OUTAGE_S + STEP_S)
        {
            run.line(at_s * 1_000, recording::What::LinkUp);
        }
        for at in 0..house.homes.len() {
            let mine = now.filter(|_| house.hits(at));
            let home = &mut house.homes[at];
            home.step(&mut samples);
            let id = House::id(at);
            if let Some(trouble) = mine {
                spoilers[at].step(trouble, &home.world);
            }
            let (warm_c, cool_c) = (home.world.warm_c(), home.world.cool_c());
            climates[at].step(mine);
            for sample in samples.drain(..).filter(|_| !deaf) {
                let side = usize::from(matches!(sample.what, What::At(Place::CoolSide, _)));
                let (topic, payload) = match sample.what {
                    What::At(place, _) => {
                        if sample.at_ms - last_ms[at][side] < house.gear[at].thin_s * 1_000 {
                            continue;
                        }
                        last_ms[at][side] = sample.at_ms;
                        let value = match (mine, side) {
                            (None, _) => Some(sample.value),
                            (Some(t), 0) => spoilers[at].warm(t, sample.value, sample.truth, cool_c),
                            (Some(t), _) => Some(spoilers[at].cool(t, sample.value, sample.truth, warm_c)),
                        };
                        let Some(value) = value else { continue };
                        truth.heard(at, side, sample.at_ms / 1_000, value);
                        (format!("rack/{id}/{}/temperature", place.word()), format!("{value:.4}"))
                    }
                    What::Heat(Quantity::Power) => (format!("plug/{id}/power"), format!("{:.1}", sample.value)),
                    What::Heat(Quantity::Switch) => {
                        let word = if sample.value > 0.5 { "ON" } else { "OFF" };
                        (format!("plug/{id}/relay"), word.to_owned())
                    }
                    _ => continue,
                };
                run.say(sample.at_ms, &topic, &payload);
            }
            let gear = house.gear[at];
            if deaf || (at_s + 7 * at as i64 * STEP_S) % 60 != 0 {
                continue;
            }
            if gear.lux {
                let lux = climates[at].lux(at_s, home.world.photoperiod_s(), mine);
                run.say(at_s * 1_000, &format!("rack/{id}/lux"), &format!("{lux:.0}"));
            }
            if gear.humidity {
                let percent = climates[at].humidity(home.world.moisture.percent(), mine);
                run.say(at_s * 1_000, &format!("rack/{id}/humidity"), &format!("{percent:.1}"));
            }
        }
        if house.room_probe && !deaf && at_s % 120 == 0 {
            let room_c = house.homes[0].world.room_c() + 0.05 * room_rng.normal();
            run.say(at_s * 1_000, "room/air", &format!("{room_c:.1}"));
        }
        truth.step(&house, at_s);
        for mail in &mut run.mails[sorted..] {
            let about = (0..house.homes.len()).filter(|at| mail.enclosures.contains(&House::id(*at)));
            for at in about {
                mail.truth += &truth.words(at, mail.at_s);
                mail.holds |= truth.holds(at, mail.at_s, &mail.cause);
            }
        }
        sorted = run.mails.len();
    }
    Story { mails: run.mails, plain: truth.plain_mails() }
}
