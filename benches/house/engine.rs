//! What a reading costs the engine, from a line of a recording to the judges, over a week of a rack; and what a year of it takes.

#[path = "../../tests/home/mod.rs"]
mod home;

use super::cpu_s;
use home::rack::{A_DAY, Rack};
use std::hint::black_box;
use warmside::engine::effect::Effect;
use warmside::recording::replay::Replay;
use warmside::recording::{self, Line, What};

const ENCLOSURES: usize = 40;
const DAYS: i64 = 7;
const READINGS_A_DAY: usize = ENCLOSURES * A_DAY;
/// What a reading may cost the engine, in lines of the recording that are read in the same run: whatever slows the machine slows
/// both. 6.1 and 6.4 in two weeks; 7.6 to 7.8 before what holds for minutes was no longer worked out with each reading.
const MOST_LINES: f64 = 7.2;

pub fn run() {
    let mut rack = Rack::new(ENCLOSURES, DAYS);
    let mut replay = Replay::new(rack.settings());
    let (mut effects, mut mails) = (Vec::new(), 0);
    let mut hear = |replay: &mut Replay, line: &Line<'_>| {
        replay.line(line, &mut effects, &mut |_, effects| {
            for effect in effects.drain(..) {
                if let Effect::Commit { notices, .. } = effect {
                    mails += notices.len();
                }
            }
        });
    };
    println!(
        "\na week of {ENCLOSURES} enclosures, six probes a minute each, {READINGS_A_DAY} readings a day; CPU time of a reading:"
    );
    println!("{:5} {:>15} {:>12} {:>10}", "day", "reading a line", "the engine", "together");
    let (mut sum_s, mut sum_parsed_s) = (0.0, 0.0);
    for day in 0..DAYS {
        let lines: Vec<String> = rack.day().iter().map(|message| message.line()).collect();
        let ns = |s: f64| s * 1e9 / lines.len() as f64;
        let start = cpu_s();
        lines.iter().for_each(|line| drop(black_box(recording::parse(line))));
        let parsed_s = cpu_s() - start;
        let start = cpu_s();
        for line in &lines {
            let line = recording::parse(line).expect("a line");
            assert!(matches!(line.what, What::Message { .. }));
            hear(&mut replay, &line);
        }
        let whole_s = cpu_s() - start;
        (sum_s, sum_parsed_s) = (sum_s + whole_s, sum_parsed_s + parsed_s);
        println!("{day:5} {:12.0} ns {:9.0} ns {:7.0} ns", ns(parsed_s), ns(whole_s - parsed_s), ns(whole_s));
    }
    let year_s = sum_s * 365.0 / DAYS as f64;
    println!(
        "a year of it, {:.0} million readings: {year_s:.0} s of one core; {mails} mails in the week",
        READINGS_A_DAY as f64 * 365e-6
    );
    let lines = (sum_s - sum_parsed_s) / sum_parsed_s;
    println!("a reading costs the engine as much as {lines:.1} lines are to read");
    assert!(lines <= MOST_LINES, "the engine has become dear: {lines:.1} lines a reading");
}
