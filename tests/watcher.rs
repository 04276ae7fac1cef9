//! What the watcher has to say of itself, through the whole engine: each told once, taken back when it is over, and not forgotten by
//! a restart.

use std::sync::Arc;
use warmside::config;
use warmside::engine::Engine;
use warmside::engine::effect::Effect;
use warmside::engine::event::{Event, PostOutcome, StoreOutcome};
use warmside::engine::settings::Settings;
use warmside::incident::Row;
use warmside::notice::NoticeRow;
use warmside::terms::time::{Now, Span};

/// 2026-01-05T08:00:00Z: a morning.
const START: Now = Now::at(1_767_600_000_000);

fn settings(name: &str) -> Arc<Settings> {
    let path = std::env::temp_dir().join(format!("warmside-watcher-{}-{name}.toml", std::process::id()));
    let text = r#"
site.name = "Test Lane"
site.time_zone = "Europe/Dublin"
broker.url = "mqtt://127.0.0.1"
letters = { daily = false, weekly = false }
[[keeper]]
id = "ines"
mail = "ines@example.org"
[care.any]
warm_side = { wanted = [28, 33], never = [20, 36] }
[[enclosure]]
id = "a3"
care = "any"
heat = []
[[link]]
topic = "rack/{enclosure}/{place}/temperature"
quantity = "temperature"
unit = "Cel"
"#;
    std::fs::write(&path, text).expect("written");
    let config = config::load_without_secrets(&path).unwrap_or_else(|report| panic!("{}", report.render(false)));
    let _ = std::fs::remove_file(&path);
    Arc::new(config.settings)
}

/// A house in which all is well, each minute anew.
struct House {
    settings: Arc<Settings>,
    engine: Engine,
    minute: i64,
    mails: Vec<NoticeRow>,
    rows: std::collections::BTreeMap<String, Row>,
}

impl House {
    fn new(name: &str) -> House {
        let settings = settings(name);
        let engine = Engine::new(settings.clone(), START);
        let mut house = House { settings, engine, minute: 0, mails: Vec::new(), rows: Default::default() };
        house.handle(Event::LinkUp);
        house
    }

    fn handle(&mut self, event: Event<'_>) {
        let mut out = Vec::new();
        self.engine.handle(event, START + Span::min(self.minute), &mut out);
        for effect in out {
            if let Effect::Commit { rows, notices } = effect {
                self.mails.extend(notices);
                self.rows.extend(rows.into_iter().map(|row| (row.key.clone(), row)));
            }
        }
    }

    fn live(&mut self, minutes: i64) {
        for _ in 0..minutes {
            self.minute += 1;
            // No two readings alike, or the probe would be called stuck.
            let payload = format!("{:.1}", 30.0 + (self.minute % 7) as f64 / 10.0);
            let topic = "rack/a3/warm_side/temperature";
            self.handle(Event::Message { topic, payload: payload.as_bytes(), retained: false });
            self.handle(Event::Wake);
        }
    }

    fn restart(&mut self) {
        let rows: Vec<Row> = self.rows.values().filter(|row| row.json.is_some()).cloned().collect();
        let all: Vec<Row> = rows.into_iter().chain(self.engine.snapshot()).collect();
        let now = START + Span::min(self.minute);
        self.engine = Engine::new(self.settings.clone(), now);
        assert_eq!(self.engine.restore(&all, now), Vec::<String>::new());
        self.handle(Event::LinkUp);
    }

    /// Event and cause of each mail so far; what nobody answers is repeated, which is no news.
    fn told(&self) -> Vec<(String, String)> {
        let of = |row: &NoticeRow| {
            let json: serde_json::Value = serde_json::from_str(&row.json).expect("JSON");
            let word = |key: &str| json[key].as_str().unwrap_or_default().to_owned();
            (word("event"), word("cause"))
        };
        self.mails.iter().map(of).filter(|(event, _)| event != "repeated").collect()
    }
}

fn post(outcome: PostOutcome) -> Event<'static> {
    Event::Post { notice: "1A.1".into(), outcome }
}

#[test]
fn each_trouble_of_the_watcher_is_told_once_and_taken_back() {
    type Say = fn() -> Event<'static>;
    let troubles: [(&str, &str, Say, Say); 5] = [
        (
            "outpost-silent",
            "address or key",
            || Event::Outpost(Err("connection refused".into())),
            || Event::Outpost(Ok(())),
        ),
        ("clock-wrong", "5 h behind", || Event::ClockOff(Span::h(-5)), || Event::ClockOff(Span::ZERO)),
        ("clock-wrong", "5 h ahead", || Event::ClockOff(Span::h(5)), || Event::ClockOff(Span::s(20))),
        (
            "store-failing",
            "full",
            || Event::Store(StoreOutcome::Failing("the disk is full".into())),
            || Event::Store(StoreOutcome::Healthy),
        ),
        (
            "post-failing",
            "no such mailbox",
            || post(PostOutcome::Refused("no such mailbox".into())),
            || post(PostOutcome::Accepted),
        ),
    ];
    for (ix, (cause, words, begins, ends)) in troubles.into_iter().enumerate() {
        let mut house = House::new(&format!("{cause}-{ix}"));
        house.live(60);
        assert_eq!(house.told(), [], "{cause}");
        house.handle(begins());
        house.live(30);
        let raised = ("raised".to_owned(), cause.to_owned());
        assert_eq!(house.told(), std::slice::from_ref(&raised), "{cause}");
        assert!(house.mails[0].text.contains(words), "{words}: {}", house.mails[0].text);
        // A restart finds it standing, is told the same again, and nobody else is.
        house.restart();
        house.handle(begins());
        house.live(60);
        assert_eq!(house.told(), std::slice::from_ref(&raised), "{cause}");
        house.handle(ends());
        house.live(180);
        if cause == "post-failing" {
            // One that was given up stands for an hour although others are taken since.
            house.handle(ends());
            house.live(60);
        }
        assert_eq!(house.told(), [raised, ("ended".to_owned(), cause.to_owned())], "{cause}");
    }
}
