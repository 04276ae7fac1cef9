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
