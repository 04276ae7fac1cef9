//! A hostile publisher on the broker, played through the whole engine: at worst its own probes are distrusted.
//!
//! Each attack is a line of data with what it may at most lead to. Enclosure a1 is honest and shares the broker, the link's
//! topic pattern and the room with the attacker, who may publish on any topic but a1's own (that is the broker's access
//! list: whoever may publish on a probe's topic *is* that probe).

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use warmside::config;
use warmside::engine::Engine;
use warmside::engine::effect::Effect;
use warmside::engine::event::Event;
use warmside::notice::NoticeRow;
use warmside::terms::time::{Mono, Now, Span, Wall};

const HOUSE: &str = r#"
site.name = "Test Lane"
site.time_zone = "Europe/Dublin"
letters.daily = "07:00"
broker.url = "mqtt://127.0.0.1"
broker.publish = "warmside"
broker.commands = "warmside/command"
[[keeper]]
id = "ines"
mail = "ines@example.org"
[care.any]
warm_side = { wanted = [28, 33], never = [20, 36] }
cool_side = { wanted = [21, 26], never = [16, 30] }
[[enclosure]]
id = "a1"
care = "any"
heat = []
[[enclosure]]
id = "a2"
care = "any"
heat = []
[[link]]
topic = "rack/{enclosure}/{place}/temperature"
quantity = "temperature"
unit = "Cel"
[[link]]
topic = "json/{enclosure}"
[link.read]
"warm_side.humidity" = { pointer = "/h", unit = "%" }
"#;

/// Minutes of an attack, and honest minutes before it.
const HOURS: i64 = 12;
const BEFORE: i64 = 180;
/// 2026-03-03T00:00:00Z: from the third honest hour on, an attack crosses the daily letter.
const START: i64 = 1_772_496_000_000;

type Say = fn(i64) -> Vec<(String, Vec<u8>)>;

/// One message, the same each minute.
fn one(topic: &str, payload: impl Into<Vec<u8>>) -> Vec<(String, Vec<u8>)> {
    vec![(topic.to_owned(), payload.into())]
}

const A2: &str = "rack/a2/warm_side/temperature";
const EVIL: &str = "<script>alert(1)</script>\u{1b}[2J\r\nBcc: x@evil.example\u{202e}";

/// What is tried, how, and the causes that it may raise at most, all of them at a2 or of the feed as a whole.
#[rustfmt::skip]
const TRIED: &[(&str, Say, &[&str])] = &[
    ("words for a number", |_| one(A2, "warm"), &["probe-faulty", "probe-silent"]),
    ("numbers that are none", |m| one(A2, ["NaN", "inf", "-inf", "1e999", "0x1F", "\u{661}"][m as usize % 6]), &["probe-faulty", "probe-silent"]),
    ("temperatures of no place on earth", |m| one(A2, if m % 2 == 0 { "1e308" } else { "-1e308" }), &["probe-faulty", "probe-silent"]),
    ("a probe that leaps", |m| one(A2, if m % 2 == 0 { "5" } else { "80" }), &["probe-faulty", "probe-silent", "too-hot", "too-cold"]),
    ("a probe that is said to be cold", |_| one(A2, "5.0"), &["probe-faulty", "probe-stuck", "probe-silent", "too-cold"]),
    ("a probe that is said to be hot", |m| one(A2, format!("{}", 45 + m % 3)), &["probe-faulty", "probe-stuck", "probe-silent", "too-hot"]),
    ("silence", |_| Vec::new(), &["probe-silent"]),
    ("bytes that are no text", |_| one(A2, vec![0xff, 0x00, 0xfe, 0x1b]), &["probe-faulty", "probe-silent"]),
    ("a payload of a megabyte", |m| if m % 60 == 0 { one(A2, vec![b'9'; 1 << 20]) } else { Vec::new() }, &["probe-faulty", "probe-silent"]),
    ("JSON as deep as it is long", |_| one("json/a2", vec![b'['; 60_000]), &["probe-silent", "probe-faulty"]),
    ("keys that repeat", |_| one("json/a2", "{\"h\":50,\"h\":\"<b>\",\"h\":null}"), &["probe-silent", "probe-faulty"]),
    ("markup, escapes and line ends as a payload", |_| one(A2, EVIL), &["probe-faulty", "probe-silent"]),
    ("the same as an enclosure", |_| one(&format!("rack/{EVIL}/warm_side/temperature"), "30"), &["probe-silent"]),
    ("a way out of a folder", |_| one("rack/..%2f..%2fetc/../passwd", "30").into_iter().chain(one("rack/../../temperature", "30")).collect(), &["probe-silent"]),
    ("topics without end", |m| (0..200).map(|n| (format!("rack/x{m}-{n}/warm_side/temperature"), b"30".to_vec())).collect(), &["probe-silent"]),
    ("a place that nobody has", |_| one("rack/a2/volcano/temperature", "30"), &["probe-silent"]),
    ("a flood of one topic", |m| (0..500).map(|n| (A2.to_owned(), format!("{}.{}", 29 + (m + n) % 3, n % 10).into_bytes())).collect(), &["probe-faulty", "probe-stuck", "probe-silent"]),
    ("commands that make no sense", |m| one("warmside/command", [
        "{\"do\":\"shelve\",\"enclosure\":\"a1\\u001b[2J\",\"until\":\"2026-03-04T00:00:00Z\",\"by\":\"<b>\"}",
        "{\"do\":\"acknowledge\",\"incident\":\"../../etc\",\"by\":\"x\"}",
        "{\"do\":\"mark\",\"enclosure\":\"a1\",\"what\":\"\\r\\nBcc: x\",\"by\":\"ines\"}",
        "{\"do\":\"rm -rf\"}", "{", "null",
    ][m as usize % 6]), &["probe-silent"]),
    ("our own states, said by somebody else", |_| one("warmside/state/a1", "{\"condition\":\"in-band\"}"), &["probe-silent"]),
];

struct Played {
    notices: Vec<NoticeRow>,
    published: Vec<(String, String)>,
    logged: Vec<String>,
    engine: Engine,
}

/// Twelve hours of an attack after three honest ones.
fn play(say: Say) -> Played {
    let config = config::from_bytes("house", HOUSE.as_bytes(), Path::new(".")).expect("sound");
    let at = |ms: i64| Now { mono: Mono::from_ms(ms), wall: Wall::from_ms(START + ms) };
    let mut engine = Engine::new(Arc::new(config.settings), at(0));
    let (mut effects, mut all) = (Vec::new(), Vec::new());
    engine.handle(Event::LinkUp, at(0), &mut effects);
    for minute in 0..BEFORE + HOURS * 60 {
        let now = at(minute * 60_000);
        while let Some(wake) = engine.next_wake().filter(|wake| *wake < now.mono) {
            engine.handle(
                Event::Wake,
                Now { mono: wake, wall: now.wall + Span::ms(wake.since(now.mono).as_ms()) },
                &mut effects,
            );
        }
        let wave = (minute * 7_919 % 13) as f64 / 20.0;
        let mut messages: Vec<(String, Vec<u8>)> = ["a1", "a2"]
            .iter()
            .filter(|id| **id == "a1" || minute < BEFORE)
            .flat_map(|id| [("warm_side", 30.2), ("cool_side", 23.4)].map(|(place, celsius)| (id, place, celsius)))
            .map(|(id, place, celsius)| {
                (format!("rack/{id}/{place}/temperature"), format!("{:.2}", celsius + wave).into_bytes())
            })
            .collect();
        if minute >= BEFORE {
            messages.extend(say(minute));
            // a2's other probe goes on, so that what is said of the attacked one is not told of the whole enclosure.
            messages.push(("rack/a2/cool_side/temperature".into(), format!("{:.2}", 23.4 + wave).into_bytes()));
        }
        for (topic, payload) in &messages {
            engine.handle(Event::Message { topic, payload, retained: false }, now, &mut effects);
        }
        all.append(&mut effects);
    }
    let (mut notices, mut published, mut logged) = (Vec::new(), Vec::new(), Vec::new());
    for effect in all {
        match effect {
            Effect::Commit { notices: more, .. } => notices.extend(more),
            Effect::Publish { topic, payload } => published.push((topic, payload)),
            Effect::Log { text, .. } => logged.push(text),
            Effect::Keep(_) | Effect::Answer { .. } => {}
        }
    }
    Played { notices, published, logged, engine }
}

#[test]
fn at_worst_its_own_probes_are_distrusted() {
    for (what, say, may) in TRIED {
        let played = play(*say);
        let mut told: BTreeMap<String, usize> = BTreeMap::new();
        for notice in &played.notices {
            harmless(what, notice);
            let json: serde_json::Value = serde_json::from_str(&notice.json).expect("JSON");
            // The morning's letter goes to a keeper in any case; what it says of a1 is looked at below.
            let Some(cause) = json["cause"].as_str() else { continue };
            let enclosures = json["enclosures"].to_string();
            assert!(!enclosures.contains("a1"), "{what}: a1 is accused: {}", notice.json);
            assert!(may.contains(&cause), "{what}: {}", notice.json);
            *told.entry(json["incident"].to_string()).or_default() += 1;
        }
        // No flood: of twelve hours nobody gets more than alarms that repeat at their usual pace.
        let mails: usize = told.values().sum();
        assert!(told.len() <= 3, "{what}: {told:?}");
        assert!(mails <= 60, "{what}: {mails} mails");
        let view = played.engine.view();
        let a1 = view.enclosures.iter().find(|e| e.id == "a1").expect("a1");
        assert!(a1.incidents.is_empty() && a1.shelved_until.is_none(), "{what}: {a1:?}");
        assert!(a1.places.iter().all(|place| place.unseen.is_none()), "{what}: a1 is seen no more");
        assert!(view.unread.len() <= 200 && view.probes.len() < 50, "{what}: a view without end");
        for (topic, _) in &played.published {
            assert!(
                topic.starts_with("warmside/") && !topic.contains(['+', '#', '\r', '\n', '\u{1b}']),
                "{what}: {topic}"
            );
        }
        assert!(played.logged.len() <= 1_000, "{what}: {} lines of log", played.logged.len());
    }
}

/// Nothing of another's words acts in a mail: not in a header, not in HTML, not in a terminal that shows it.
fn harmless(what: &str, notice: &NoticeRow) {
    let NoticeRow { id, subject, text, html, .. } = notice;
    assert!(subject.is_ascii() && subject.len() <= 45 && !subject.contains(['\r', '\n']), "{what}: {subject:?}");
    assert!(!id.contains(['/', '\\', '\r', '\n', '\u{1b}']), "{what}: {id:?}");
    for words in [subject, text, html] {
        assert!(!words.chars().any(|c| c.is_control() && c != '\n' && c != '\r'), "{what}: {words:?}");
    }
    assert!(!text.lines().any(|line| line.starts_with("Bcc:")), "{what}: {text}");
    assert!(!html.contains("<script") && !html.contains("<img src=x"), "{what}: {html}");
}
