//! Every door through which bytes of strangers come in, as a function from bytes that must not panic; and their corpus.
//!
//! Run by `tests/fuzz/main.rs` with changes by chance, and by `fuzz/` with changes that coverage guides.

use std::path::Path;
use warmside::answers::judge::Bench;
use warmside::mqtt::filter;
use warmside::notice::message_id::Seal;
use warmside::reading::links::{Heard, Links};
use warmside::reading::settings::{Link, Read, Shape, What};
use warmside::reading::topic::{Pattern, deduplicate};
use warmside::reading::{Slot, Target};
use warmside::survey::draft::{Names, draft};
use warmside::survey::{Survey, thing};
use warmside::terms::id::EnclosureIx;
use warmside::terms::place::Place;
use warmside::terms::quantity::{Quantity, Unit};
use warmside::terms::time::{Now, Wall};
use warmside::{config, recording};

/// A door's name, what goes through it, and what usually comes.
pub struct Door {
    pub name: &'static str,
    pub open: fn(&[u8]),
    pub corpus: fn() -> Vec<Vec<u8>>,
}

pub const DOORS: [Door; 6] = [
    Door { name: "topics", open: topics, corpus: topic_corpus },
    Door { name: "payloads", open: payloads, corpus: payload_corpus },
    Door { name: "configuration", open: configuration, corpus: configuration_corpus },
    Door { name: "recordings", open: recordings, corpus: recording_corpus },
    Door { name: "answers", open: answers, corpus: answer_corpus },
    Door { name: "survey", open: survey, corpus: survey_corpus },
];

/// Real messages as they were recorded: see `tests/data/payloads/README.md` for their licences.
const RECORDED: &str = include_str!("../data/payloads/recordings.jsonl");

/// A pattern and a topic, split at the first line break: what fits is brought by the pattern's own subscription.
pub fn topics(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let (pattern, topic) = text.split_once('\n').unwrap_or((&text, &text));
    let compiled = Pattern::new(pattern);
    let mut captured = Vec::new();
    if compiled.fits(topic, &mut captured) {
        assert!(captured.iter().all(|(_, word)| !word.is_empty() && !word.contains('/')));
    }
    let filters = deduplicate(vec![compiled.filter(), filter::of_link(topic)]);
    assert!(!filters.is_empty() && filters.len() <= 2);
    assert!(!filter::covering([pattern.to_owned(), topic.to_owned()]).is_empty());
    let mut links =
        Links::new(&[link(pattern, vec![number(None, Unit::Celsius)], Shape::default())], &["a".into()], &[]);
    links.hear(topic, b"21.5", false, Now::at(0), &mut Vec::new());
    assert_eq!(links.counts().messages(), 1);
}

fn link(topic: &str, reads: Vec<Read>, shape: Shape) -> Link {
    let target = Some(Target::Enclosure(EnclosureIx(0)));
    Link { topic: topic.to_owned(), target, reads, names: Vec::new(), time: None, every: None, shape }
}

fn number(pointer: Option<&str>, unit: Unit) -> Read {
    let what = What::Slot(Slot::At(Place::WarmSide, Quantity::Temperature));
    Read { what, pointer: pointer.map(str::to_owned), unit, offset_k: 0.0 }
}

/// Every way to pin a payload.
fn shapes() -> Vec<Link> {
    let one = |pointer, shape| link("t", vec![number(pointer, Unit::Celsius)], shape);
    let timed =
        |pointer: &'static str, time: &str, shape| Link { time: Some(time.to_owned()), ..one(Some(pointer), shape) };
    let lit = What::Slot(Slot::At(Place::Air, Quantity::Light));
    vec![
        one(None, Shape::default()),
        timed("/data/temp", "/ts", Shape::default()),
        one(Some("/t"), Shape { text_number: true, decimal: Some(','), suffix: Some("°C".into()), ..Shape::default() }),
        one(None, Shape { decimal: Some(','), suffix: Some("°F".into()), ..Shape::default() }),
        one(Some("/t"), Shape { pick: Some(("id".into(), "28-0a".into())), ..Shape::default() }),
        timed("/1", "/0", Shape { columns: Some((";".into(), 3)), ..Shape::default() }),
        one(Some("/t"), Shape { senml: true, ..Shape::default() }),
        one(None, Shape { senml: true, ..Shape::default() }),
        one(None, Shape { homie: true, ..Shape::default() }),
        Link {
            reads: vec![Read { what: lit, pointer: None, unit: Unit::One, offset_k: 0.0 }],
            ..one(None, Shape { words: Some(("ON".into(), "OFF".into())), ..Shape::default() })
        },
    ]
}

/// One payload for every decoder: counted once, finite numbers.
pub fn payloads(bytes: &[u8]) {
    for link in shapes() {
        let mut links = Links::new(&[link], &["a".into()], &[]);
        let mut out = Vec::new();
        for topic in ["t", "$description", "$state"] {
            let heard = links.hear(topic, bytes, false, Now::at(1_767_600_000_000), &mut out);
            assert!(out.is_empty() || heard == Heard::Accepted || topic != "t");
        }
        assert!(out.iter().all(|r| r.value.is_finite()));
        assert_eq!(links.counts().messages(), 3);
    }
    homie(bytes);
}

/// A device's description of itself, and a reading in its words.
fn homie(bytes: &[u8]) {
    let shape = Shape { homie: true, ..Shape::default() };
    let link = link("h/5/d/warm/temperature", vec![number(None, Unit::Celsius)], shape);
    let mut links = Links::new(&[link], &["a".into()], &[]);
    let mut out = Vec::new();
    for topic in
        ["h/5/d/$description", "h/5/d/$state", "h/5/d/warm/temperature/$unit", "h/5/d/warm/temperature/$format"]
    {
        links.hear(topic, bytes, true, Now::at(0), &mut out);
        links.hear("h/5/d/warm/temperature", b"21.5", false, Now::at(0), &mut out);
    }
    assert!(out.iter().all(|r| r.value.is_finite()));
}

/// A keeper's file: either a configuration or faults, each at a place inside the file.
pub fn configuration(bytes: &[u8]) {
    if let Err(report) = config::from_bytes("warmside.toml", bytes, Path::new("/nonexistent")) {
        assert!(!report.render(false).is_empty());
    }
}

/// A line of a recording: what is read is written so that it reads the same.
pub fn recordings(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    if let Ok(line) = recording::parse(text) {
        let written = recording::write(&line);
        assert_eq!(recording::parse(&written).ok(), Some(line), "{written}");
    }
}

/// A mail that may be an answer.
pub fn answers(bytes: &[u8]) {
    let keepers = ["ines@example.org".to_owned()];
    let seal = Seal::new("00112233445566778899aabbccddeeff");
    let bench = Bench { seal: &seal, keepers: &keepers };
    bench.judge(bytes);
    bench.may_concern(bytes);
}

/// What `listen` makes of a payload, and of a Thing Description.
pub fn survey(bytes: &[u8]) {
    let mut survey = Survey::default();
    let text = String::from_utf8_lossy(bytes);
    for described in thing::read(&text).into_iter().flatten() {
        survey.describe(described);
    }
    for (i, payload) in [bytes, b"21.5", bytes].into_iter().enumerate() {
        survey.hear("rack/a/warm/temp", payload, false, Wall::from_ms(i as i64 * 60_000));
    }
    let names = Names { enclosures: ["a".to_owned()].into(), rooms: Default::default() };
    let drafted = draft(&survey, &names);
    assert!(toml::from_str::<toml::Value>(&drafted).is_ok(), "{drafted}");
}

fn recorded(member: &str) -> Vec<Vec<u8>> {
    let take = |line: &str| {
        let line: serde_json::Value = serde_json::from_str(line).ok()?;
        Some(line[member].as_str()?.as_bytes().to_vec())
    };
    RECORDED.lines().filter_map(take).collect()
}

fn topic_corpus() -> Vec<Vec<u8>> {
    let ours =
        ["rack/{enclosure}/{place}/temperature\nrack/a/w/temperature", "{enclosure}/x\n$SYS/x", "a/+/#\na//b", "{}\n/"];
    let both = recorded("topic").into_iter().map(|topic| [b"{enclosure}/".as_slice(), &topic, b"\n", &topic].concat());
    both.chain(ours.map(|t| t.as_bytes().to_vec())).collect()
}

fn payload_corpus() -> Vec<Vec<u8>> {
    let ours = [
        &br#"[{"id":"28-0a","t":21.5,"h":40},{"id":"28-0b","t":22.5}]"#[..],
        br#"{"ts":"2026-01-05T00:00:24Z","t":"21,5 \u00b0C","data":{"temp":-3e1}}"#,
        br#"[{"bn":"d:","bt":1.7e9,"n":"t","u":"Cel","v":21.5},{"n":"h","u":"%RH","v":40,"t":-5}]"#,
        b"\x81\xa4\x00\x61t\x01\x63Cel\x02\xf9\x4d\xe0\x06\x00",
        b"2026-01-05T00:00:24Z;21.5;x",
        "71,3 °F".as_bytes(),
        b"ON",
        b"lost",
        b"-20:120:0.5",
        r#"{"homie":"5.0","root":"r","nodes":{"warm":{"properties":{"temperature":{"unit":"°F","format":":99"}}}}}"#
            .as_bytes(),
    ];
    recorded("payload").into_iter().chain(ours.map(<[u8]>::to_vec)).collect()
}

fn configuration_corpus() -> Vec<Vec<u8>> {
    let files = [
        include_str!("../../config/first-enclosure.toml"),
        include_str!("../../config/every-key.toml"),
        include_str!("../../config/rack-of-40.toml"),
        include_str!("../config/faults.toml"),
    ];
    files.map(|file| file.as_bytes().to_vec()).to_vec()
}

fn recording_corpus() -> Vec<Vec<u8>> {
    let ours = [
        r#"{"at":"2026-01-05T07:00:14.000Z","topic":"bin/a5","payload_base64":"AAEC","retain":true}"#,
        r#"{"at":"2026-01-05T09:12:00.000Z","link":"lost"}"#,
    ];
    RECORDED.lines().chain(ours).map(|line| line.as_bytes().to_vec()).collect()
}

fn answer_corpus() -> Vec<Vec<u8>> {
    let cited = Seal::new("00112233445566778899aabbccddeeff").message_id("7Q.1", "example.org");
    let head = format!("From: Ines <ines@example.org>\r\nIn-Reply-To: {cited}\r\nMIME-Version: 1.0\r\n");
    let html = "Content-Type: multipart/alternative; boundary=\"x\"\r\n\r\n--x\r\nContent-Type: text/plain; charset=utf-8\r\n\
                Content-Transfer-Encoding: quoted-printable\r\n\r\nHAVE IT=20\r\n> quoted\r\n--x\r\nContent-Type: text/html\r\n\r\n\
                <div>HAVE IT</div><blockquote>old</blockquote>\r\n--x--\r\n";
    let report = "Content-Type: multipart/report; report-type=delivery-status; boundary=\"y\"\r\n\r\n--y\r\n\
                  Content-Type: message/delivery-status\r\n\r\nAction: failed\r\nStatus: 5.1.1\r\n\r\n--y--\r\n";
    let bodies =
        ["Content-Type: text/plain\r\n\r\nHAVE IT\r\n", html, report, "Auto-Submitted: auto-replied\r\n\r\nAway\r\n"];
    bodies.map(|body| format!("{head}{body}").into_bytes()).to_vec()
}

fn survey_corpus() -> Vec<Vec<u8>> {
    let thing =
        br#"{"base":"mqtt://h/","properties":{"c":{"type":"object","properties":{"t/x":{"type":"number","unit":"Cel"}},
        "forms":[{"href":"a%20b","mqv:filter":"a/b"}]},"l":{"type":"boolean","forms":[{"href":"mqtt://h/l"}]}}}"#;
    payload_corpus().into_iter().chain([thing.to_vec()]).collect()
}
