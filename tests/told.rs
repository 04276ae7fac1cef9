//! What a keeper tells reaches the heat of that enclosure, by each way in: a mark that makes it learn anew, hands in and out.

use std::fs;
use std::sync::Arc;
use warmside::config;
use warmside::engine::Engine;
use warmside::engine::effect::Effect;
use warmside::engine::event::{Command, Event, Order};
use warmside::terms::time::{Now, Span};

const START: Now = Now::at(1_767_600_000_000);

fn engine(name: &str) -> Engine {
    let path = std::env::temp_dir().join(format!("warmside-told-{}-{name}.toml", std::process::id()));
    let text = r#"
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[builtin_broker]
commands = "warmside/command"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
warm_side = { wanted = [28, 33], never = [20, 36] }
[[enclosure]]
id = "a3"
care = "any"
heat = [{ id = "main", kind = "ceramic-emitter", at = "warm_side", thermostat = "on-off" }]
[[link]]
topic = "rack/{enclosure}/{place}/temperature"
quantity = "temperature"
unit = "Cel"
"#;
    fs::write(&path, text).expect("written");
    let config = config::load_without_secrets(&path).unwrap_or_else(|report| panic!("{}", report.render(false)));
    let _ = fs::remove_file(&path);
    Engine::new(Arc::new(config.settings), START)
}

/// Minutes of a thermostat's saw-tooth; returns the state of its heat at the end.
fn live(engine: &mut Engine, minutes: std::ops::Range<i64>) -> String {
    let mut out = Vec::new();
    for minute in minutes {
        let phase = minute.rem_euclid(40) as f64 / 20.0;
        let level = 29.5 + 2.0 * if phase < 1.0 { phase } else { 2.0 - phase };
        let payload = format!("{level:.1}");
        let now = START + Span::min(minute);
        let event =
            Event::Message { topic: "rack/a3/warm_side/temperature", payload: payload.as_bytes(), retained: false };
        engine.handle(event, now, &mut out);
    }
    engine.view().enclosures[0].heat.state.clone()
}

fn mark() -> Command {
    Command { by: "ines".into(), order: Order::Mark { enclosure: "a3".into(), what: "setting-changed".into() } }
}

#[test]
fn a_setting_that_was_changed_is_learned_anew_by_every_way_in() {
    // The page hands an order over; the socket the same as JSON; programs publish a command.
    let by_socket = serde_json::to_string(&mark()).expect("a command is data");
    let by_socket: Command = serde_json::from_str(&by_socket).expect("what was written is read");
    let by_mqtt = br#"{ "do": "mark", "by": "ines", "enclosure": "a3", "what": "setting-changed" }"#;
    let ways = [
        ("page", Event::Command(mark())),
        ("socket", Event::Command(by_socket)),
        ("mqtt", Event::Message { topic: "warmside/command", payload: by_mqtt, retained: false }),
    ];
    for (name, event) in ways {
        let mut engine = engine(name);
        assert_eq!(live(&mut engine, 0..300), "young", "{name}");
        let mut out = Vec::new();
        engine.handle(event, START + Span::min(300), &mut out);
        assert!(out.iter().any(|e| matches!(e, Effect::Answer { done: true, .. })), "{name}: {out:?}");
        assert_eq!(live(&mut engine, 301..330), "learning", "{name}");
        assert_eq!(live(&mut engine, 330..480), "young", "{name}");
    }
}

#[test]
fn hands_that_are_taken_out_are_out() {
    let mut engine = engine("hands");
    live(&mut engine, 0..10);
    let mut order = |minutes, at| {
        let order = Order::HandsIn { enclosure: "a3".into(), length: Span::min(minutes) };
        let mut out = Vec::new();
        engine.handle(Event::Command(Command { by: "ines".into(), order }), START + Span::min(at), &mut out);
        let done = out.iter().any(|e| matches!(e, Effect::Answer { done: true, .. }));
        (done, engine.view().enclosures[0].hands_in_until.is_some())
    };
    assert_eq!(order(20, 10), (true, true));
    assert_eq!(order(0, 11), (true, false));
    assert_eq!(order(0, 12), (false, false), "there were none");
}

/// Says something; whether it was done, and the rows of the ledger that it wrote.
fn say(engine: &mut Engine, order: Order, at_min: i64) -> (bool, Vec<String>) {
    let mut out = Vec::new();
    engine.handle(Event::Command(Command { by: "ines".into(), order }), START + Span::min(at_min), &mut out);
    let done = out.iter().any(|e| matches!(e, Effect::Answer { done: true, .. }));
    let rows = out.iter().flat_map(|e| match e {
        Effect::Commit { rows, .. } => rows.clone(),
        _ => vec![],
    });
    let marks = rows.filter(|row| row.key.starts_with("mark/"));
    (done, marks.map(|row| format!("{} {}", row.key, row.json.unwrap_or_default())).collect())
}

#[test]
fn a_mark_made_by_mistake_is_struck_out_for_ten_minutes() {
    let mut engine = engine("strike");
    live(&mut engine, 0..10);
    let mark = |what: &str| Order::Mark { enclosure: "a3".into(), what: what.into() };
    let strike = |what: &str| Order::Strike { enclosure: "a3".into(), what: what.into() };
    let (_, marked) = say(&mut engine, mark("fed"), 10);
    let (done, struck) = say(&mut engine, strike("fed"), 15);
    assert!(done && struck[0].contains("\"struck\":\"ines\""), "{struck:?}");
    let key = |row: &str| row.split(' ').next().unwrap_or_default().to_owned();
    assert_eq!(key(&marked[0]), key(&struck[0]), "the same line of the ledger");
    assert!(!say(&mut engine, strike("fed"), 16).0, "it is struck out already");
    say(&mut engine, mark("shed"), 20);
    assert_eq!(say(&mut engine, strike("shed"), 31), (false, vec![]), "too late");
    say(&mut engine, mark("setting-changed"), 40);
    assert!(!say(&mut engine, strike("setting-changed"), 41).0, "its heat is learned anew already");
}

#[test]
fn a_heater_that_was_changed_is_learned_anew() {
    let mut engine = engine("heater");
    assert_eq!(live(&mut engine, 0..300), "young");
    let changed = Order::Mark { enclosure: "a3".into(), what: "heater-changed".into() };
    assert!(say(&mut engine, changed, 300).0);
    assert_eq!(live(&mut engine, 301..330), "learning");
}

#[test]
fn an_answer_given_by_mistake_is_taken_back_and_reminders_go_on() {
    let mut engine = engine("taken-back");
    let read = |engine: &mut Engine, minutes: std::ops::Range<i64>| {
        let mut out = Vec::new();
        for minute in minutes {
            let topic = "rack/a3/warm_side/temperature";
            // From the tenth minute on it cools, through the band and through the limit.
            let level = 30.0 - 0.4 * (minute - 10).clamp(0, 30) as f64 + (minute % 3) as f64 / 10.0;
            let payload = format!("{level:.1}");
            let message = Event::Message { topic, payload: payload.as_bytes(), retained: false };
            engine.handle(message, START + Span::min(minute), &mut out);
            engine.handle(Event::Wake, START + Span::min(minute), &mut out);
        }
        let mails = out.iter().map(|e| match e {
            Effect::Commit { notices, .. } => notices.len(),
            _ => 0,
        });
        mails.sum::<usize>()
    };
    assert!(read(&mut engine, 0..120) > 0, "it is told");
    let incident = engine.view().incidents[0].id.clone();
    let back = || Order::TakeBack { incident: incident.clone() };
    assert!(!say(&mut engine, back(), 120).0, "nobody has answered");
    assert!(say(&mut engine, Order::AcknowledgeIncident { incident: incident.clone() }, 120).0);
    assert!(engine.view().incidents[0].answered.is_some());
    assert!(say(&mut engine, back(), 125).0);
    assert!(engine.view().incidents[0].answered.is_none());
    // An answer pauses reminders for an hour; now they come as before.
    assert!(read(&mut engine, 126..175) > 0, "reminders go on");
    assert!(say(&mut engine, Order::AcknowledgeIncident { incident: incident.clone() }, 175).0);
    assert_eq!(read(&mut engine, 176..186), 0, "an answer that stands pauses them");
    assert!(!say(&mut engine, back(), 187).0, "too late");
}
