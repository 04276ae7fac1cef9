//! Days of a rack through the whole engine, from bytes of MQTT to mails: the exact list of each file of `tests/days/`.

mod rack;

use rack::Rack;
use serde::Deserialize;
use std::fmt::Write;
use warmside::engine::effect::Effect;
use warmside::finding::cause::Urgency;
use warmside::notice::NoticeRow;
use warmside::notice::message_id::Seal;
use warmside::post::letter::{self, Sender};
use warmside::post::settings::Mailbox;
use warmside::recording::replay::Replay;
use warmside::recording::{Line, What};
use warmside::terms::time::{Span, Wall};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Days {
    /// What it shows.
    about: String,
    enclosures: usize,
    /// `[[keeper]]` tables and what else of a keeper's file is special.
    config: String,
    start: String,
    until: String,
    /// `+1 14:00 power off`, `room to 12`, `a3 heater dead`, `a3 draught -2`, `link lost`, `say {…}`.
    events: Vec<String>,
    mails: Vec<String>,
}

fn config(days: &Days) -> String {
    let mut text = format!(
        r#"
{}
[site]
name = "Hollow Lane"
time_zone = "UTC"
[broker]
url = "mqtt://127.0.0.1:1"
commands = "warmside/command"
[[room]]
id = "back-room"
name = "Back room"
[[circuit]]
id = "left-rack"
name = "Circuit 1"
[care.snake]
warm_side = {{ wanted = [28, 33], night = [26, 33], never = [22, 37] }}
cool_side = {{ wanted = [21, 28], night = [20, 28], never = [15, 31] }}
light = {{ on = "08:00", hours = 12 }}
confirmed_by = "ines"
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
[[link]]
topic = "room/air"
room = "back-room"
quantity = "temperature"
unit = "Cel"
"#,
        days.config
    );
    for i in 1..=days.enclosures {
        let _ = write!(
            text,
            "[[enclosure]]\nid = \"a{i}\"\ncare = \"snake\"\nroom = \"back-room\"\ncircuit = \"left-rack\"\n\
             heat = [{{ id = \"main\", kind = \"ceramic-emitter\", at = \"warm_side\", thermostat = \"on-off\" }}]\n"
        );
    }
    text
}

struct Run {
    start: Wall,
    at: Wall,
    rack: Rack,
    replay: Replay,
    deaf: bool,
    mails: Vec<NoticeRow>,
}

impl Run {
    fn new(days: &Days, name: &str) -> Run {
        let file = std::env::temp_dir().join(format!("warmside-days-{}-{name}.toml", std::process::id()));
        std::fs::write(&file, config(days)).expect("written");
        let loaded = warmside::config::load_without_secrets(&file);
        std::fs::remove_file(&file).expect("removed");
        let settings = loaded.unwrap_or_else(|r| panic!("{name}: {}", r.render(false))).settings;
        let start = Wall::parse_rfc3339(&days.start).expect("a start");
        let rack = Rack::new(days.enclosures);
        Run { start, at: start, rack, replay: Replay::new(settings), deaf: false, mails: Vec::new() }
    }

    fn line(&mut self, what: What) {
        let mails = &mut self.mails;
        self.replay.line(&Line { at: self.at, what }, &mut Vec::new(), &mut |_, effects| {
            for effect in effects.drain(..) {
                if let Effect::Commit { notices, .. } = effect {
                    mails.extend(notices);
                }
            }
        });
    }

    fn say(&mut self, topic: &str, payload: &str, retained: bool) {
        let (topic, payload) = (topic.to_owned(), payload.as_bytes().to_vec());
        self.line(What::Message { topic: topic.into(), payload: payload.into(), retained });
    }

    /// Everything that the rack's probes say, once a minute.
    fn until(&mut self, end: Wall) {
        while self.at < end {
            self.rack.minute();
            self.at = self.at + Span::min(1);
            if !self.deaf {
                self.readings(false);
            }
        }
    }

    fn readings(&mut self, retained: bool) {
        let room = self.rack.room_c;
        let room = self.rack.read(room);
        self.say("room/air", &format!("{room:.2}"), retained);
        for i in 0..self.rack.boxes.len() {
            let (warm, cool) = (self.rack.boxes[i].warm_c, self.rack.boxes[i].cool_c);
            let (warm, cool) = (self.rack.read(warm), self.rack.read(cool));
            self.say(&format!("rack/a{}/warm_side/temperature", i + 1), &format!("{warm:.2}"), retained);
            self.say(&format!("rack/a{}/cool_side/temperature", i + 1), &format!("{cool:.2}"), retained);
        }
    }

    fn event(&mut self, line: &str) {
        let mut words = line.split_whitespace();
        let at = super::time(self.start, &mut words);
        self.until(at);
        let words: Vec<&str> = words.collect();
        match words.as_slice() {
            ["power", to] => self.rack.power = *to == "on",
            ["room", "to", c] => self.rack.room_to_c = c.parse().expect("°C"),
            ["link", "lost"] => {
                self.line(What::LinkLost);
                self.deaf = true;
            }
            // A broker hands out what it retained to whoever subscribes anew.
            ["link", "up"] => {
                self.line(What::LinkUp);
                self.deaf = false;
                self.readings(true);
            }
            ["say", json] => self.say("warmside/command", json, false),
            [whom, "heater", how] => {
                let ix = usize::from(super::enclosure(whom).0);
                self.rack.boxes[ix].heater_dead = *how == "dead";
            }
            [whom, "draught", k] => {
                let ix = usize::from(super::enclosure(whom).0);
                self.rack.boxes[ix].draught_k = k.parse().expect("K");
            }
            other => panic!("unknown event {other:?}"),
        }
    }
}

/// The mail as its bytes say: what goes in comes out, and another attempt is the same mail.
fn is_read_by_another_library(row: &NoticeRow) {
    let from = Mailbox { name: Some("Warmside".into()), address: "warmside@example.org".into() };
    let seal = Seal::new("00112233445566778899aabbccddeeff");
    let sender = Sender { from: &from, host: "example.org", site: "Hollow Lane", seal: &seal };
    let bytes = letter::write(row, Wall::from_ms(0), &sender).expect("written");
    if row.id.ends_with(".1") {
        let stored: NoticeRow = serde_json::from_str(&serde_json::to_string(row).expect("JSON")).expect("a row");
        assert_eq!(letter::write(&stored, Wall::from_ms(0), &sender).expect("written"), bytes, "{}", row.id);
    }
    let mail = mail_parser::MessageParser::default().parse(&bytes).expect("a mail");
    assert_eq!(mail.subject(), Some(row.subject.as_str()));
    assert_eq!(mail.body_text(0).expect("text").replace("\r\n", "\n"), row.text, "{}", row.id);
    assert_eq!(mail.body_html(0).expect("HTML").replace("\r\n", "\n"), row.html, "{}", row.id);
    let png = mail.attachments().filter(|part| part.contents().starts_with(b"\x89PNG")).count();
    assert_eq!(png, usize::from(row.picture.is_some()), "{}", row.id);
    let calls = row.urgency == Urgency::Now
        && !row.digest
        && !row.json.contains("\"event\":\"ended\"")
        && !row.json.contains("\"event\":\"answered\"");
    assert_eq!(mail.from().and_then(|f| f.first()?.name()), Some(if calls { "Warmside NOW" } else { "Warmside" }));
}

#[test]
fn each_rack_gives_exactly_its_mails() {
    let mut wrong = String::new();
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/days");
    let mut files: Vec<_> = std::fs::read_dir(folder).expect("the days").map(|f| f.expect("a file").path()).collect();
    files.retain(|f| f.extension().is_some_and(|e| e == "toml"));
    files.sort();
    assert!(files.len() >= 7);
    for file in files {
        let text = std::fs::read_to_string(&file).expect("readable");
        let days: Days = toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        let name = file.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let mut run = Run::new(&days, &name);
        days.events.iter().for_each(|e| run.event(e));
        run.until(Wall::parse_rfc3339(&days.until).expect("an end"));
        let got: Vec<String> = run.mails.iter().map(|m| super::line(run.start, m)).collect();
        run.mails.iter().for_each(is_read_by_another_library);
        if got != days.mails {
            let _ = writeln!(wrong, "{name}: {}", days.about);
            got.iter().for_each(|m| wrong.push_str(&format!("  {m:?},\n")));
        }
        // WARMSIDE_SHOW=1 prints each mail as it reads.
        if std::env::var_os("WARMSIDE_SHOW").is_some() {
            run.mails.iter().for_each(|m| println!("### {name} {} {}\n{}", m.id, m.subject, m.text));
        }
    }
    assert!(wrong.is_empty(), "other mails than written:\n{wrong}");
}
