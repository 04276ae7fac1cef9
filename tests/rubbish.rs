//! Rubbish of every kind straight into the decoder and the engine, with what no broker would pass on: each message is counted
//! once, nothing grows, and what comes after it is heard.

use std::fs;
use std::sync::Arc;
use warmside::config;
use warmside::engine::Engine;
use warmside::engine::event::Event;
use warmside::terms::time::{Now, Span};

const START: Now = Now::at(1_767_600_000_000);

fn engine() -> Engine {
    static NEXT: std::sync::atomic::AtomicU32 = std::sync::atomic::AtomicU32::new(0);
    let nth = NEXT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let path = std::env::temp_dir().join(format!("warmside-rubbish-{}-{nth}.toml", std::process::id()));
    let text = r#"
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
warm_side = { wanted = [28, 33], never = [20, 36] }
[[enclosure]]
id = "a3"
care = "any"
[[link]]
topic = "rack/{enclosure}/{place}/temperature"
quantity = "temperature"
unit = "Cel"
[[link]]
topic = "climate/{enclosure}"
time = "/time"
[link.read]
"cool_side.temperature" = { pointer = "/cool/t", unit = "Cel" }
"cool_side.humidity" = { pointer = "/cool/rh", unit = "%" }
[[link]]
topic = "pack/a3"
enclosure = "a3"
format = "senml"
[link.read]
"hide.temperature" = { pointer = "/hide", unit = "Cel" }
"#;
    fs::write(&path, text).expect("written");
    let config = config::load_without_secrets(&path).unwrap_or_else(|report| panic!("{}", report.render(false)));
    let _ = fs::remove_file(&path);
    Engine::new(Arc::new(config.settings), START)
}

/// What is no reading on any of the three links.
fn payloads() -> Vec<Vec<u8>> {
    let mut all: Vec<Vec<u8>> = [
        "",
        " ",
        "\0",
        "-",
        ".",
        "e",
        "1e",
        "1e999",
        "-1e999",
        "NaN",
        "inf",
        "nan",
        "null",
        "true",
        "\"\"",
        "[]",
        "{}",
        "[[]]",
        "{\"\":1}",
        "{\"cool\":1}",
        "{\"cool\":{\"t\":null}}",
        "{\"cool\":{\"t\":\"warm\"}}",
        "{\"cool\":{\"t\":1e999}}",
        "{\"cool\":",
        "{\"cool\":{\"t\":1}{\"t\":2}}",
        "31.5 degrees",
        "31,5",
        "0x1F",
        "--1",
        "1.2.3",
        "\u{feff}",
        "\u{202e}",
        "{\"time\":\"never\"}",
        "[{\"n\":\"hide\"}]",
        "[{\"bn\":\"x\",\"bt\":1e300,\"n\":\"hide\",\"t\":1e308}]",
        "[{\"n\":\"hide\",\"v\":\"31\"}]",
    ]
    .into_iter()
    .map(|text| text.as_bytes().to_vec())
    .collect();
    all.push(vec![0xff, 0xfe, 0x00, 0x80]);
    all.push((0..=255).collect());
    for deep in ["[", "{\"cool\":", "{\"cool\":[", "\"\\u"] {
        all.push(deep.repeat(100_000).into_bytes());
    }
    for wide in [b'7', b' ', b'x', 0] {
        all.push(vec![wide; 1 << 20]);
    }
    all
}

/// Topics, linked and not: what a broker refuses as well.
fn topics() -> Vec<String> {
    let mut all: Vec<String> =
        ["rack/a3/warm_side/temperature", "climate/a3", "pack/a3"].into_iter().map(str::to_owned).collect();
    all.extend(
        ["", "/", "//", "#", "+", "rack/+/warm_side/temperature", "rack/a3", "rack/a3/nowhere/temperature"]
            .map(String::from),
    );
    all.extend(
        ["rack/zz/warm_side/temperature", "$SYS/x", "\u{0}", "\u{202e}rack/a3", "rack/a3/warm_side/temperature/"]
            .map(String::from),
    );
    all.push("a/".repeat(30_000));
    all.push("/".repeat(65_535));
    all.push("x".repeat(65_535));
    all.push(format!("rack/{}/warm_side/temperature", "y".repeat(60_000)));
    all
}

fn resident_kib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").expect("Linux");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("VmRSS");
    line.trim().trim_end_matches(" kB").parse().expect("a number")
}

#[test]
fn each_piece_is_counted_once_and_the_next_reading_is_heard() {
    let (mut engine, mut out, mut now, mut messages) = (engine(), Vec::new(), START, 0);
    for topic in &topics() {
        for payload in &payloads() {
            for retained in [false, true] {
                now = now + Span::ms(10);
                engine.handle(Event::Message { topic, payload, retained }, now, &mut out);
                messages += 1;
            }
        }
    }
    let counts = engine.view().counts;
    assert_eq!(counts.accepted + counts.refused + counts.unlinked, messages, "{counts:?}");
    // A bare number is one on a link that reads bare numbers, and nowhere else; none of these is one.
    assert_eq!(counts.accepted, 0, "{counts:?}");
    let good = |topic, payload: &'static str| Event::Message { topic, payload: payload.as_bytes(), retained: false };
    for event in [
        good("rack/a3/warm_side/temperature", "30.5"),
        good("climate/a3", "{\"cool\":{\"t\":24.5,\"rh\":55}}"),
        good("pack/a3", "[{\"n\":\"hide\",\"u\":\"Cel\",\"v\":29}]"),
    ] {
        now = now + Span::s(1);
        engine.handle(event, now, &mut out);
    }
    assert_eq!(engine.view().counts.accepted, 3);
}

#[test]
fn rubbish_without_end_takes_no_memory() {
    let (mut engine, mut out, mut now) = (engine(), Vec::new(), START);
    let payloads = payloads();
    let mut round = |engine: &mut Engine, round: u64| {
        for i in 0..20_000_u64 {
            now = now + Span::ms(50);
            let n = round * 20_000 + i;
            // No topic twice: linked ones of strangers, and longer and longer ones of nobody.
            let topic = match n % 4 {
                0 => format!("rack/stranger-{n}/warm_side/temperature"),
                1 => format!("{}/{n}", "level/".repeat((n % 500) as usize)),
                2 => format!("climate/{n}"),
                _ => "rack/a3/warm_side/temperature".to_owned(),
            };
            let small = payloads.iter().filter(|payload| payload.len() < 1_000);
            let payload = small.clone().nth(n as usize % small.count()).expect("one of them");
            engine.handle(Event::Message { topic: &topic, payload, retained: false }, now, &mut out);
            out.clear();
        }
        resident_kib()
    };
    // The first rounds fill the tables of topics up to their bounds.
    let before = (0..3).map(|n| round(&mut engine, n)).last().expect("three");
    let after = (3..9).map(|n| round(&mut engine, n)).last().expect("six");
    assert!(after < before + 4_096, "{before} KiB grew to {after} KiB over 120,000 pieces");
}
