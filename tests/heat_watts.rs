//! How soon dead heat and heat stuck on are found where a plug or a relay tells beside the warmth, and how seldom falsely.
#![allow(clippy::disallowed_methods, reason = "a table of cases")]

mod home;

use home::table::{all, env, fault_cases, row_of_watts, seeds, tuning};
use home::{Case, Control, Fault, Plug, Size, Watts, trial};

type Shape = fn(&mut Case);

fn every(c: &mut Case, every_s: i64) {
    c.watts = Watts::Instant;
    c.plug.every_s = every_s;
}

const VARIANTS: [(&str, Shape); 9] = [
    ("watts", |c| every(c, 30)),
    ("mean watts", |c| c.watts = Watts::Mean),
    ("watts every 10 s", |c| every(c, 10)),
    ("watts every 60 s", |c| every(c, 60)),
    ("watts on change", |c| {
        c.watts = Watts::Instant;
        c.plug = Plug { every_s: 10, on_change: true, ..c.plug };
    }),
    ("coarse watts, 1 to 3 W at rest", |c| {
        c.watts = Watts::Instant;
        c.plug = Plug { step_w: 1.0, rest_w: 1.0 + (c.seed / 2 % 3) as f64, ..c.plug };
    }),
    ("watts, no cool side", |c| {
        c.watts = Watts::Instant;
        c.cool_side = false;
    }),
    ("watts and relay", |c| {
        c.watts = Watts::Instant;
        c.relay = true;
    }),
    ("relay alone", |c| c.relay = true),
];

#[test]
#[ignore = "long: the table of plugs of MODEL.md"]
fn table_of_plugs() {
    let (n, from, held_out) = (env("CASES", 10), env("FROM", 1000), env("HELD_OUT", 0) == 1);
    println!(
        "| case | ideal, warmth | watts alone | ideal, told | ours found med/p90/worst | ideal from due | ours from due | right | ours/warmth |\n|---|---|---|---|---|---|---|---|---|"
    );
    for fault in [Fault::HeatFailed, Fault::StuckOn] {
        for (k, (word, shape)) in VARIANTS.iter().enumerate() {
            if env("VARIANTS", 0x1FF) >> k & 1 == 0 {
                continue;
            }
            let mut together = Vec::new();
            for control in Control::ALL {
                let cases = fault_cases(fault, control, n, from, held_out, shape);
                let outcomes = all(&cases, |c| trial::run(c, 0, tuning(), true));
                if env("EACH", 0) == 1 {
                    for (c, o) in cases.iter().zip(&outcomes) {
                        println!(
                            "{} due {:.1?} told {:.1?} alone {:.1?} warmth {:.1?} ours {:.1?} first {:.1?}",
                            c.seed, o.due, o.ideal, o.watts_alone, o.ideal_warmth, o.ours, o.first
                        );
                    }
                }
                row_of_watts(&format!("{fault:?} {}, {word}", control.word()), fault, &outcomes);
                together.extend(outcomes);
            }
            row_of_watts(&format!("{fault:?} all, {word}"), fault, &together);
        }
    }
}

/// Homes in health, with each kind of plug in turn.
fn healthy(from: u64, n: u64, held_out: bool) -> Vec<Case> {
    seeds(from, n, held_out)
        .map(|seed| {
            let mut case = Case::new(seed, Control::ALL[(seed / 2 % 4) as usize], Size::ALL[(seed / 8 % 3) as usize]);
            case.on_change = (seed / 2).is_multiple_of(5);
            case.cool_side = seed / 2 % 7 != 0;
            VARIANTS[(seed / 8) as usize % VARIANTS.len()].1(&mut case);
            case
        })
        .collect()
}

#[test]
#[ignore = "long: the healthy years with plugs of MODEL.md"]
fn table_of_healthy_plugs() {
    let (n, days) = (env("HOMES", 72), env("DAYS", 60) as i64);
    let cases = healthy(env("FROM", 5000), n, env("HELD_OUT", 0) == 1);
    let outcomes = all(&cases, |c| trial::run(c, days, tuning(), false));
    home::table::healthy_years(&cases, &outcomes, days);
}
