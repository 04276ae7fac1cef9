//! Nanoseconds a message by kind of payload: decoding alone, and all the way from topic and bytes to readings.

use std::hint::black_box;
use std::time::Instant;
use warmside::config;
use warmside::reading::decode::{Decoder, Found};
use warmside::reading::links::{Heard, Links};
use warmside::terms::time::{Now, Wall};

const LINKS: &str = r#"
[site]
name = "Bench"
time_zone = "Europe/Dublin"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
confirmed_by = "ines"
warm_side = { wanted = [28, 33], never = [20, 36] }
[[enclosure]]
ids = ["a1..a5"]
care = "any"
[[link]]
topic = "number/a1"
enclosure = "a1"
reads = "warm_side.temperature"
unit = "Cel"
[[link]]
topic = "one/a2"
enclosure = "a2"
[link.read]
"warm_side.temperature" = { pointer = "/sensor/temperature", unit = "Cel" }
[[link]]
topic = "three/a3"
enclosure = "a3"
time = "/time"
[link.read]
"warm_side.temperature" = { pointer = "/warm/t", unit = "Cel" }
"cool_side.temperature" = { pointer = "/cool/t", unit = "Cel" }
"cool_side.humidity" = { pointer = "/cool/rh", unit = "%" }
[[link]]
topic = "pack/a4"
enclosure = "a4"
format = "senml"
[link.read]
"warm_side.temperature" = { pointer = "/warm", unit = "Cel" }
[[link]]
topic = "logger/a5"
enclosure = "a5"
columns = { separator = ";", count = 4 }
[link.read]
"warm_side.temperature" = { pointer = "/1", unit = "Cel" }
"#;

/// Name, topic, payload, readings in it.
const KINDS: [(&str, &str, &str, usize); 5] = [
    ("a number", "number/a1", "31.2", 1),
    (
        "JSON, one of 84 bytes",
        "one/a2",
        r#"{"battery":91,"linkquality":120,"sensor":{"temperature":31.2,"humidity":48.5},"n":7}"#,
        1,
    ),
    (
        "JSON, three and a time",
        "three/a3",
        r#"{"time":"2026-01-05T07:00:12.345Z","warm":{"t":30.9},"cool":{"t":24.1,"rh":55.5}}"#,
        3,
    ),
    ("SenML", "pack/a4", r#"[{"bn":"","n":"warm","u":"Cel","v":31.2}]"#, 1),
    ("columns", "logger/a5", "2026;31.2;24.1;55", 1),
];

/// In short runs, of which the least counts: a machine with other work is quiet for milliseconds at a time.
const MESSAGES: usize = 10_000;
const RUNS: usize = 300;

pub fn run() {
    let path = std::env::temp_dir().join(format!("warmside-bench-links-{}.toml", std::process::id()));
    std::fs::write(&path, LINKS).expect("written");
    let config = config::load_without_secrets(&path).unwrap_or_else(|report| panic!("{}", report.render(false)));
    let _ = std::fs::remove_file(&path);
    let ids: Vec<String> = (1..=5).map(|n| format!("a{n}")).collect();
    println!("{:29} {:>12} {:>14}", "", "decoded", "to readings");
    for (name, topic, payload, readings) in KINDS {
        let link = config.settings.links.iter().find(|link| link.topic == topic).expect("its link");
        let (decoder, mut found) = (Decoder::new(link), Found::default());
        let decoded = least(|| {
            for _ in 0..MESSAGES {
                let decoded = decoder.decode(black_box(payload.as_bytes()), Wall::from_ms(0), &mut found);
                assert!(decoded.is_ok(), "{name}");
            }
        });
        let mut links = Links::new(&config.settings.links, &ids, &[]);
        let mut out = Vec::new();
        let heard = least(|| {
            for n in 0..MESSAGES {
                out.clear();
                let now = Now::at(1_767_600_012_000 + n as i64 * 1_000);
                let heard = links.hear(black_box(topic), black_box(payload.as_bytes()), false, now, &mut out);
                assert!(heard == Heard::Accepted && out.len() == readings, "{name}: {heard:?}");
            }
        });
        println!("{name:29} {decoded:9.0} ns {heard:11.0} ns");
    }
}

/// Nanoseconds of one of [`MESSAGES`], in the quickest of [`RUNS`].
fn least(mut run: impl FnMut()) -> f64 {
    let one = |_| {
        let start = Instant::now();
        run();
        start.elapsed().as_secs_f64() * 1e9 / MESSAGES as f64
    };
    (0..RUNS).map(one).fold(f64::MAX, f64::min)
}
