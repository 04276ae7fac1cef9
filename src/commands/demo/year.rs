//! A year of the demo's house with twelve real faults: how many threads ask for somebody, and how many letters are read.
//!
//! `cargo test --release --lib a_year_of_the_demo -- --ignored --nocapture` prints every mail's line; `WARMSIDE_KEEP=folder`
//! leaves the mails there as they read.

use super::house::{ENCLOSURES, EVERY, House, configuration};
use super::physics::Faults;
use crate::engine::Engine;
use crate::engine::effect::Effect;
use crate::engine::event::{Command, Event, Order};
use crate::terms::time::{Now, Span, Wall};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

type Change = fn(&mut Faults, bool);
const DEAD: Change = |f, on| f.heat_dead = on;
const STUCK: Change = |f, on| f.heat_stuck_on = on;
const DARK: Change = |f, on| f.lamp_dead = on;
const SILENT: Change = |f, on| f.warm_probe_dead = on;

/// Day of the year, hour, enclosure, what, and for how many hours.
const TWELVE: [(i64, i64, usize, Change, i64); 12] = [
    (20, 14, 2, DEAD, 3),
    (48, 2, 5, DEAD, 7),
    (75, 11, 9, SILENT, 20),
    (101, 10, 0, DARK, 8),
    (133, 16, 5, STUCK, 1),
    (160, 23, 11, SILENT, 10),
    (188, 9, 7, DARK, 11),
    (214, 13, 8, STUCK, 1),
    (245, 18, 3, DEAD, 2),
    (281, 5, 10, DEAD, 4),
    (310, 12, 1, SILENT, 30),
    (344, 15, 6, DARK, 4),
];

struct Mail {
    at: Wall,
    id: String,
    event: String,
    urgency: String,
    incident: String,
    subject: String,
    text: String,
}

fn live(days: i64, answers_after: Span) -> Vec<Mail> {
    let file = std::env::temp_dir().join(format!("warmside-demo-year-{}.toml", std::process::id()));
    // The house's lamps keep one time all year round: its clocks shall not change either.
    let text = configuration(1, 1).replace("Europe/Dublin", "UTC");
    let text = text.replace("daily = \"07:00\"", "daily = \"07:00\"\nweekly = \"Sun 18:00\"");
    std::fs::write(&file, text).unwrap();
    let config = crate::config::load_without_secrets(&file).unwrap_or_else(|r| panic!("{}", r.render(false)));
    std::fs::remove_file(&file).unwrap();
    let start = Wall::parse_rfc3339("2026-01-05T00:00:00Z").unwrap();
    let mut house = House::new(start, Span::ZERO);
    let mut engine = Engine::new(Arc::new(config.settings), Now::at(start.as_ms()));
    let (mut effects, mut mails, mut answers) = (Vec::new(), Vec::<Mail>::new(), BTreeMap::<i64, String>::new());
    let mut take = |now: Wall, effects: &mut Vec<Effect>, answers: &mut BTreeMap<i64, String>| {
        for notice in
            effects.drain(..).flat_map(|e| if let Effect::Commit { notices, .. } = e { notices } else { vec![] })
        {
            let n: serde_json::Value = serde_json::from_str(&notice.json).unwrap();
            let word = |key: &str| n[key].as_str().unwrap_or_default().to_owned();
            if word("event") == "raised" {
                answers.insert((now + answers_after).as_ms(), word("incident"));
            }
            mails.push(Mail {
                at: now,
                id: notice.id,
                event: word("event"),
                urgency: word("urgency"),
                incident: word("incident"),
                subject: notice.subject,
                text: notice.text,
            });
        }
    };
    let mut minute = 0;
    while house.at() < start + Span::days(days) {
        for (day, hour, ix, change, hours) in TWELVE {
            let from = start + Span::days(day) + Span::h(hour);
            let stands = (from..from + Span::h(hours)).contains(&house.at());
            change(&mut house.enclosures[ix].faults, stands);
        }
        let said = house.minute();
        let now = Now::at(house.at().as_ms());
        while let Some(wake) = engine.next_wake().filter(|wake| *wake < now.mono) {
            engine.handle(Event::Wake, Now::at(wake.as_ms()), &mut effects);
            take(Wall::from_ms(wake.as_ms()), &mut effects, &mut answers);
        }
        minute += 1;
        // Every fifth minute is heard: a year in minutes.
        for one in said.iter().filter(|_| minute % (Span::min(5).as_ms() / EVERY.as_ms()) == 0) {
            engine.handle(
                Event::Message { topic: &one.topic, payload: one.payload.as_bytes(), retained: false },
                now,
                &mut effects,
            );
            take(now.wall, &mut effects, &mut answers);
        }
        while let Some(first) = answers.first_entry().filter(|e| *e.key() <= now.wall.as_ms()) {
            let order = Order::AcknowledgeIncident { incident: first.remove() };
            engine.handle(Event::Command(Command { by: "ines".into(), order }), now, &mut effects);
            take(now.wall, &mut effects, &mut answers);
        }
    }
    mails
}

#[test]
#[ignore = "minutes long: a year"]
fn a_year_of_the_demo_with_twelve_faults() {
    let days = std::env::var("WARMSIDE_DAYS").ok().and_then(|d| d.parse().ok()).unwrap_or(365);
    let mails = live(days, Span::min(30));
    let keep = std::env::var_os("WARMSIDE_KEEP").map(std::path::PathBuf::from);
    for (i, m) in mails.iter().enumerate() {
        if m.event != "digest" {
            println!("{} {} {} {} | {}", m.at.rfc3339(), m.id, m.event, m.urgency, m.subject);
        }
        if let Some(folder) = &keep {
            std::fs::write(folder.join(format!("{i:04}-{}.txt", m.id)), format!("{}\n\n{}", m.subject, m.text))
                .unwrap();
        }
    }
    let faults = TWELVE.iter().filter(|f| f.0 < days).count();
    let threads: BTreeSet<&str> = mails.iter().filter(|m| m.event == "raised").map(|m| m.incident.as_str()).collect();
    let urgent: BTreeSet<&str> =
        mails.iter().filter(|m| m.urgency == "now" && m.event != "digest").map(|m| m.incident.as_str()).collect();
    let letters: Vec<&Mail> = mails.iter().filter(|m| m.event == "digest").collect();
    let longest = letters.iter().map(|m| m.text.lines().count()).max().unwrap_or(0);
    println!(
        "{days} days, {faults} faults: {} threads, {} of them urgent; {} mails beside {} letters, of at most {longest} lines",
        threads.len(),
        urgent.len(),
        mails.len() - letters.len(),
        letters.len()
    );
    assert_eq!(threads.len(), faults, "each fault is one thread, and nothing else is");
    assert!(urgent.len() <= 12);
    assert_eq!(ENCLOSURES.len(), 12);
    // A daily and a weekly letter, each short enough to be read on a phone.
    assert!(letters.len() as i64 <= days + days / 7 + 2);
    assert!(longest <= 60, "{longest} lines");
}
