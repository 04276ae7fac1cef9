//! `cargo bench`: what a reading costs from a recorded line to the judges, each stage as a share of the whole in one run.
#![allow(clippy::disallowed_methods, reason = "a benchmark measures time, and f64::sin makes its readings")]

use std::hint::black_box;
use std::time::Instant;
use warmside::engine::effect::Effect;
use warmside::reading::links::Links;
use warmside::recording::replay::Replay;
use warmside::recording::{self, What};
use warmside::terms::time::Now;

const ENCLOSURES: usize = 40;
const MINUTES: usize = 600;

fn house() -> warmside::config::Config {
    let mut text = String::from(
        "[site]\nname = \"Bench\"\ntime_zone = \"Europe/Dublin\"\n[[keeper]]\nid = \"ines\"\nname = \"Ines\"\nmail = \"ines@example.org\"\n\
         [care.snake]\nconfirmed_by = \"ines\"\nwarm_side = { wanted = [28, 33], night = [25, 33], never = [20, 38] }\n\
         basking_spot = { wanted = [28, 36], never = [18, 42] }\ncool_side = { wanted = [21, 27], never = [15, 36] }\n\
         light = { on = \"08:00\", hours = 12 }\n[[link]]\ntopic = \"rack/{enclosure}/{place}/temperature\"\n\
         quantity = \"temperature\"\nunit = \"Cel\"\n",
    );
    for enclosure in 0..ENCLOSURES {
        text += &format!("[[enclosure]]\nid = \"e{enclosure}\"\ncare = \"snake\"\n");
    }
    let path = std::env::temp_dir().join(format!("warmside-bench-{}.toml", std::process::id()));
    std::fs::write(&path, text).expect("a temporary file");
    let config = warmside::config::load_without_secrets(&path).unwrap_or_else(|r| panic!("{}", r.render(false)));
    let _ = std::fs::remove_file(&path);
    config
}

/// A day's part of healthy readings, two a minute and probe, as lines of a recording.
fn lines() -> Vec<String> {
    let mut lines = Vec::new();
    for half in 0..MINUTES * 2 {
        for enclosure in 0..ENCLOSURES {
            for (place, base) in [("warm_side", 30.5), ("cool_side", 24.0), ("basking_spot", 32.0)] {
                let level = base + 0.6 * (half as f64 / 25.0 + enclosure as f64).sin() + (half * 7 % 10) as f64 / 100.0;
                let at = warmside::terms::time::Wall::from_ms(
                    1_767_600_000_000 + half as i64 * 30_000 + enclosure as i64 * 100,
                );
                let at = at.rfc3339();
                lines.push(format!(
                    "{{\"at\":\"{at}\",\"topic\":\"rack/e{enclosure}/{place}/temperature\",\"payload\":\"{level:.1}\"}}"
                ));
            }
        }
    }
    lines
}

/// Nanoseconds a line: the least of three runs, for whatever else the machine does only adds.
fn least(lines: &[String], mut run: impl FnMut(&[String])) -> f64 {
    let one = |_| {
        let start = Instant::now();
        run(lines);
        start.elapsed().as_secs_f64() * 1e9 / lines.len() as f64
    };
    (0..3).map(one).fold(f64::MAX, f64::min)
}

fn main() {
    let lines = lines();
    let parsed = least(&lines, |lines| lines.iter().for_each(|line| drop(black_box(recording::parse(line)))));
    let decoded = least(&lines, |lines| {
        let ids: Vec<String> = (0..ENCLOSURES).map(|e| format!("e{e}")).collect();
        let mut links = Links::new(&house().settings.links, &ids, &[]);
        let mut out = Vec::new();
        for line in lines {
            let Ok(line) = recording::parse(line) else { continue };
            if let What::Message { topic, payload, .. } = &line.what {
                out.clear();
                black_box(links.hear(topic, payload, false, Now::at(line.at.as_ms()), &mut out));
            }
        }
    });
    let mut mails = 0;
    let whole = least(&lines, |lines| {
        let mut replay = Replay::new(house().settings);
        let mut effects = Vec::new();
        for line in lines {
            let Ok(line) = recording::parse(line) else { continue };
            replay.line(&line, &mut effects, &mut |_, effects| {
                mails += effects
                    .iter()
                    .filter(|e| matches!(e, Effect::Commit { notices, .. } if !notices.is_empty()))
                    .count();
                effects.clear();
            });
        }
    });
    println!("{} readings of {ENCLOSURES} enclosures, least of three runs, one core; {mails} mails", lines.len());
    println!("reading a line        {parsed:7.0} ns  {:3.0} %", parsed / whole * 100.0);
    println!("and decoding it       {decoded:7.0} ns  {:3.0} %", decoded / whole * 100.0);
    println!("and the whole engine  {whole:7.0} ns  100 %   {:.2} million readings a second", 1e3 / whole);
}
