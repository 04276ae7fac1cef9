//! What `listen` drafts from unknown topics is a configuration that `check` accepts, and every number is linked or doubted.

use std::fmt::Write;
use warmside::config;
use warmside::reading::links::{Heard, Links};
use warmside::survey::Survey;
use warmside::survey::draft::{Names, draft};
use warmside::terms::time::{Now, Span, Wall};

/// The house before anything is linked: the example's first enclosure without its link, and a second one.
fn house() -> String {
    let example = include_str!("../config/first-enclosure.toml");
    let head = example.split("[[link]]").next().unwrap_or_default();
    format!("{head}[[enclosure]]\nid = \"a4\"\ncare = \"corn-snake\"\n[[room]]\nid = \"back-room\"\n")
}

/// Forty topics that nobody designed: two racks' worth of sensors, and things that are none.
fn messages(minute: i64) -> Vec<(String, String)> {
    let swing = (minute % 20) as f64 / 10.0;
    let (warm, cool) = (30.0 + swing, 24.0 + swing / 4.0);
    let mut all = Vec::new();
    let mut say = |topic: String, payload: String| all.push((topic, payload));
    for id in ["a3", "a4"] {
        say(format!("rack/{id}/warm/temp"), format!("{warm:.1}"));
        say(
            format!("rack/{id}/cool/env"),
            format!(r#"{{"temp":{cool:.2},"hum":{:.1},"battery":2.98,"rssi":-70}}"#, 45.0 + swing),
        );
        say(
            format!("plug/{id}/heater"),
            format!(r#"{{"power":{},"energy_wh":{minute}}}"#, if minute % 6 < 3 { 0.0 } else { 61.5 }),
        );
        say(format!("relay/{id}/heater/state"), (if minute % 6 < 3 { "OFF" } else { "ON" }).to_owned());
        say(format!("light/{id}/lux"), format!("{}", 10 + minute % 7));
    }
    say("hall/back-room/air/temp".into(), format!("{:.1} °C", 20.0 + swing / 2.0).replace('.', ","));
    for i in 0..20 {
        say(format!("attic/{i}/value"), format!("{}", (minute * (i + 3)) % 11));
        say(format!("garage/{i}/uptime"), format!("{minute}"));
    }
    all
}

#[test]
fn a_draft_is_accepted_and_reads_what_it_claims() {
    let mut survey = Survey::default();
    let start = Wall::from_ms(1_767_600_000_000);
    for minute in 0..60 {
        for (topic, payload) in messages(minute) {
            survey.hear(&topic, payload.as_bytes(), false, start + Span::min(minute));
        }
    }
    assert!(survey.topics().len() > 50);
    let names =
        Names { enclosures: ["a3", "a4"].map(str::to_owned).into(), rooms: ["back-room"].map(str::to_owned).into() };
    let drafted = draft(&survey, &names);
    let mut file = house();
    let _ = write!(file, "{drafted}");
    let path = std::env::temp_dir().join(format!("warmside-listen-{}.toml", std::process::id()));
    std::fs::write(&path, &file).expect("a temporary file");
    let loaded = config::load_without_secrets(&path);
    let _ = std::fs::remove_file(&path);
    let settings = loaded.unwrap_or_else(|report| panic!("{report}\n{file}")).settings;

    let ids: Vec<String> = settings.enclosures.iter().map(|e| e.id.clone()).collect();
    let rooms: Vec<String> = settings.rooms.iter().map(|r| r.id.clone()).collect();
    let mut links = Links::new(&settings.links, &ids, &rooms);
    let mut out = Vec::new();
    for (topic, payload) in messages(7) {
        let heard = links.hear(&topic, payload.as_bytes(), false, Now::at(start.as_ms()), &mut out);
        let ours = ["rack/", "plug/", "relay/", "light/", "hall/"].iter().any(|p| topic.starts_with(p));
        assert_eq!(heard == Heard::Accepted, ours, "{topic}: {heard:?}\n{drafted}");
    }
    let mut read: Vec<String> = (0..links.probes().len() as u32)
        .filter_map(|i| links.name(warmside::terms::id::ProbeIx(i)))
        .filter(|name| name.starts_with("a3") || name.starts_with("room"))
        .collect();
    read.sort();
    let want = [
        "a3/air.illuminance",
        "a3/battery@rack/a3/cool/env",
        "a3/cool_side.humidity",
        "a3/cool_side.temperature",
        "a3/heat.0.power",
        "a3/heat.0.switch",
        "a3/warm_side.temperature",
        "room:back-room/air.temperature",
    ];
    assert_eq!(read, want, "{drafted}");
    assert!(drafted.contains("neither its name nor its values tell"), "{drafted}");
}

#[test]
fn the_touched_probe_stands_out() {
    let mut survey = Survey::default();
    for minute in 0..10_i64 {
        let at = Wall::from_ms(0) + Span::s(minute * 20);
        let held = 22.0 + if minute > 4 { 1.3 * (minute - 4) as f64 } else { 0.0 };
        survey.hear("a/temp", format!("{held:.1}").as_bytes(), false, at);
        survey.hear("b/temp", format!("{:.1}", 22.0 + 0.1 * (minute % 3) as f64).as_bytes(), false, at);
        survey.hear("c/hum", format!("{}", 40 + 2 * minute).as_bytes(), false, at);
    }
    let (topic, _, rise, second) = survey.warmed().expect("a temperature");
    assert_eq!(topic, "a/temp", "humidity rises too, and is none");
    assert!(rise > 6.0 && second < 0.3);
}
