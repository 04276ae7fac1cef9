//! How soon and how rightly heat faults are found in simulated homes, and how seldom anything is said in health.
#![allow(clippy::disallowed_methods, clippy::type_complexity, reason = "a table of cases, and a clock to measure by")]

mod home;

use home::table::{all, env, fault_cases, healthy_years, quantile, row, seeds, tuning};
use home::trial::{self, Outcome};
use home::{Case, Control, DAY_S, Fault, Size, Watts};
use warmside::heat::tuning::Tuning;
use warmside::heat::verdict::Cause;

/// A few homes of each control; the whole table is below.
fn few(fault: Fault, shape: &dyn Fn(&mut Case)) -> Vec<Outcome> {
    let cases: Vec<Case> = Control::ALL.into_iter().flat_map(|c| fault_cases(fault, c, 3, 300, false, shape)).collect();
    all(&cases, |c| trial::run(c, 0, Tuning::default(), true))
}

fn median_and_found(outcomes: &[Outcome], f: impl Fn(&Outcome) -> Option<f64>) -> (f64, usize) {
    let mut delays: Vec<f64> = outcomes.iter().map(|o| f(o).unwrap_or(f64::INFINITY)).collect();
    (quantile(&mut delays, 0.5), delays.iter().filter(|d| d.is_finite()).count())
}

#[test]
fn dead_heat_is_found_and_named_long_before_a_band_would() {
    let outcomes = few(Fault::HeatFailed, &|_| {});
    let (ours, found) = median_and_found(&outcomes, |o| o.ours);
    let (band, _) = median_and_found(&outcomes, |o| o.band);
    assert!(found >= 10, "found {found} of 12");
    assert!(ours < 45.0 && ours < 0.7 * band, "median {ours} min, the band's {band}");
}

#[test]
fn with_watts_and_a_relay_that_drives_it_dead_heat_is_found_in_minutes() {
    let shape = |c: &mut Case| {
        c.watts = Watts::Instant;
        c.relay = true;
    };
    let cases: Vec<Case> = [Control::OnOff, Control::None]
        .into_iter()
        .flat_map(|c| fault_cases(Fault::HeatFailed, c, 5, 300, false, &shape))
        .collect();
    let outcomes = all(&cases, |c| trial::run(c, 0, Tuning::default(), false));
    let (ours, found) = median_and_found(&outcomes, |o| o.ours);
    assert!(found >= 9 && ours < 10.0, "found {found} of 10, median {ours} min");
}

#[test]
fn heat_stuck_on_is_found_and_named() {
    let outcomes = few(Fault::StuckOn, &|_| {});
    let (ours, found) = median_and_found(&outcomes, |o| o.ours);
    assert!(found >= 10 && ours < 45.0, "found {found} of 12, median {ours} min");
}

#[test]
fn healthy_homes_hear_nothing_urgent() {
    let cases: Vec<Case> =
        seeds(700, 12, false).map(|s| Case::new(s, Control::ALL[(s / 2 % 4) as usize], Size::Medium)).collect();
    let said: usize = all(&cases, |c| trial::run(c, 12, Tuning::default(), false))
        .iter()
        .map(|o| o.early.iter().filter(|e| e.1.cause.is_urgent()).count())
        .sum();
    assert!(said <= 3, "{said} urgent verdicts in 0.4 healthy years");
}

/// A dial turned down at one in the afternoon of the fifth day, unsaid: how many homes were told so within six hours.
fn said_of_a_dial(dial_k: f64, band_k: Option<f64>) -> usize {
    let turned_s = 4 * DAY_S + 13 * 3_600;
    let cases: Vec<Case> = [Control::OnOff, Control::Pulse, Control::Dimming]
        .into_iter()
        .flat_map(|control| seeds(300, 4, false).map(move |seed| Case::new(seed, control, Size::Medium)))
        .map(|c| Case { dial: Some((turned_s, dial_k, false)), band_k, ..c })
        .collect();
    let after = |o: &Outcome| {
        o.early.iter().any(|(at_s, v)| v.cause.is_urgent() && (0..6 * 3_600).contains(&(at_s - turned_s)))
    };
    all(&cases, |c| trial::run(c, 5, Tuning::default(), false)).iter().filter(|o| after(o)).count()
}

#[test]
fn a_dial_turned_by_day_alarms_no_one_unless_it_leads_well_out_of_what_is_wanted() {
    let (silent, told) = (said_of_a_dial(-1.4, None), said_of_a_dial(-2.3, Some(0.2)));
    assert!(silent <= 1 && told >= 3, "told of 12 homes: {silent} with no band, {told} with a narrow one");
}

/// Of so many homes of each control whose front is left open: how many are told so, and after how many minutes on the median.
fn told_of_open_fronts(n: u64, from: u64, held_out: bool, humidity: bool) -> (usize, f64) {
    let cases = Control::ALL
        .into_iter()
        .flat_map(|c| fault_cases(Fault::LeftOpen, c, n, from, held_out, &|case| case.humidity = humidity));
    let outcomes = all(&cases.collect::<Vec<_>>(), |c| trial::run(c, 0, Tuning::default(), false));
    let (median, found) = median_and_found(&outcomes, |o| o.ours);
    (found, median)
}

#[test]
fn a_front_that_stands_open_and_harms_is_told_by_its_vapour() {
    let ((unheard, _), (heard, _)) =
        (told_of_open_fronts(5, 9_001, false, false), told_of_open_fronts(5, 9_001, false, true));
    assert!(heard >= unheard + 4, "of 20: {unheard} without humidity, {heard} with it");
}

#[test]
fn dead_heat_is_found_as_soon_beside_a_humidity_probe_and_never_called_an_open_front() {
    let cases = |humidity: bool| -> Vec<Case> {
        let shape = |c: &mut Case| c.humidity = humidity;
        Control::ALL.into_iter().flat_map(|c| fault_cases(Fault::HeatFailed, c, 3, 300, false, &shape)).collect()
    };
    let run = |cases: &[Case]| all(cases, |c| trial::run(c, 0, Tuning::default(), false));
    let (without, with) = (run(&cases(false)), run(&cases(true)));
    for (case, (without, with)) in cases(true).iter().zip(without.iter().zip(&with)) {
        let late = with.ours.unwrap_or(f64::INFINITY) - without.ours.unwrap_or(f64::INFINITY);
        assert!(late < 5.0 || late.is_nan(), "seed {}: {:?} without, {:?} with", case.seed, without.ours, with.ours);
        let opens = |o: &Outcome| o.later.iter().filter(|(_, cause)| *cause == Cause::LeftOpen).count();
        assert!(opens(with) <= opens(without), "seed {}: {:?}", case.seed, with.later);
    }
}

/// A lamp that burns from midnight on, or is out from noon on, for three hours of the sixth day: urgent words and words of heat from
/// outside in homes that have a lamp.
fn said_of_odd_lamps(n: u64, from: u64, held_out: bool, heard: bool) -> (usize, usize) {
    let (mut homes, mut said) = (0, 0);
    for (hour, control) in [0, 12].into_iter().flat_map(|h| Control::ALL.into_iter().map(move |c| (h, c))) {
        let odd_s = 5 * DAY_S + hour * 3_600;
        let cases: Vec<Case> = seeds(from, n, held_out)
            .map(|seed| Case {
                lamp_heard: heard,
                lamp_odd: Some((odd_s, odd_s + 3 * 3_600)),
                ..Case::new(seed, control, Size::Large)
            })
            .filter(|case| home::world::World::new(*case, 1).has_lamp())
            .collect();
        homes += cases.len();
        let of_it = |o: &Outcome| {
            let told = |cause: Cause| cause.is_urgent() || cause == Cause::OutsideHeat;
            o.early.iter().any(|(at_s, v)| told(v.cause) && (0..5 * 3_600).contains(&(at_s - odd_s)))
        };
        said += all(&cases, |c| trial::run(c, 6, Tuning::default(), false)).iter().filter(|o| of_it(o)).count();
    }
    (said, homes)
}

#[test]
#[ignore = "long: the figures of MODEL.md"]
fn table_of_air_and_lamps() {
    let (n, from, held_out) = (env("CASES", 20), env("FROM", 9_001), env("HELD_OUT", 0) == 1);
    for humidity in [false, true] {
        let (found, median) = told_of_open_fronts(n, from, held_out, humidity);
        println!("open fronts, humidity {humidity}: {found} of {} told so, median {median:.0} min", 4 * n);
    }
    for heard in [false, true] {
        let (said, homes) = said_of_odd_lamps(n, from, held_out, heard);
        println!("lamps out of turn, heard {heard}: {said} of {homes} wrongly told");
    }
}

#[test]
#[ignore = "long: the tables of FIGURES.md"]
fn table_of_faults() {
    let n = env("CASES", 20);
    let held_out = env("HELD_OUT", 0) == 1;
    let from = env("FROM", 1000);
    let humid = env("HUMIDITY", 0) == 1;
    println!(
        "| case | ideal found med/p90 | band | ours med/p90/worst | right cause | ratio |\n|---|---|---|---|---|---|"
    );
    let variants: [(&str, &dyn Fn(&mut Case)); 8] = [
        ("", &|_| {}),
        (", no cool side", &|c| c.cool_side = false),
        (", on change", &|c| c.on_change = true),
        (", watts", &|c| c.watts = Watts::Instant),
        (", mean watts", &|c| c.watts = Watts::Mean),
        (", watts and relay", &|c| {
            c.watts = Watts::Instant;
            c.relay = true;
        }),
        (", coarse sensors", &|c| c.coarse = true),
        (", wanted within 3 K", &|c| c.band_k = Some(3.0)),
    ];
    let which = env("VARIANTS", 0b1111_1111);
    for fault in [Fault::HeatFailed, Fault::StuckOn] {
        for (k, (word, shape)) in variants.iter().enumerate() {
            if which >> k & 1 == 0 {
                continue;
            }
            let mut together = Vec::new();
            for control in Control::ALL {
                let outcomes =
                    all(&fault_cases(fault, control, n, from, held_out, &|c| (shape(c), c.humidity = humid).0), |c| {
                        trial::run(c, 0, tuning(), true)
                    });
                row(&format!("{fault:?} {}{word}", control.word()), fault, &outcomes);
                together.extend(outcomes);
            }
            row(&format!("{fault:?} all{word}"), fault, &together);
        }
    }
}

#[test]
#[ignore = "long: the causes that are named"]
fn table_of_causes() {
    let n = env("CASES", 10);
    for fault in [
        Fault::HeatFailed,
        Fault::HeatAstray,
        Fault::StuckOn,
        Fault::Weak,
        Fault::ProbeDisplaced,
        Fault::LeftOpen,
        Fault::RoomCold,
        Fault::RoomHot,
        Fault::HeatWave,
        Fault::FrozenProbe,
        Fault::PowerLost,
    ] {
        let mut counts = std::collections::BTreeMap::<String, usize>::new();
        for control in Control::ALL {
            let cases = fault_cases(fault, control, n, env("FROM", 2000), env("HELD_OUT", 0) == 1, &|c| {
                if env("WATTS", 0) == 1 {
                    c.watts = Watts::Instant
                }
            });
            for o in all(&cases, |c| trial::run(c, 0, Tuning::default(), false)) {
                *counts.entry(o.first.map_or("nothing".into(), |f| f.1.word().into())).or_default() += 1;
            }
        }
        println!("{fault:?}: {counts:?}");
    }
}

#[test]
#[ignore = "long: the healthy years of FIGURES.md"]
fn table_of_healthy_years() {
    let (n, days) = (env("HOMES", 60), env("DAYS", 60) as i64);
    let tuning = tuning();
    let cases: Vec<Case> = seeds(env("FROM", 5000), n, env("HELD_OUT", 0) == 1)
        .map(|seed| {
            let mut case = Case::new(seed, Control::ALL[(seed / 2 % 4) as usize], Size::ALL[(seed / 8 % 3) as usize]);
            case.on_change = (seed / 2).is_multiple_of(5);
            case.cool_side = seed / 2 % 7 != 0;
            case.coarse = env("COARSE", 0) == 1;
            case.humidity = env("HUMIDITY", 0) == 1;
            case.band_k = (env("BAND", 0) > 0).then(|| env("BAND", 0) as f64);
            if env("WATTS", 0) == 1 {
                case.watts = Watts::Instant;
                case.relay = seed / 2 % 3 == 0;
            }
            case
        })
        .collect();
    let outcomes = all(&cases, |c| trial::run(c, days, tuning, false));
    healthy_years(&cases, &outcomes, days);
}

#[test]
#[ignore = "a look at one home"]
fn trace() {
    let seed = env("SEED", 1);
    let mut case = Case::new(seed, Control::ALL[(seed / 2 % 4) as usize], Size::ALL[(seed / 8 % 3) as usize]);
    case.on_change = (seed / 2).is_multiple_of(5);
    case.cool_side = !(seed / 2).is_multiple_of(7);
    let (from, until) = (env("START", 0) as i64 * 60, env("UNTIL", 1440) as i64 * 60);
    if env("PICTURES", 0) == 1 {
        trial::look(case, from, until - from, env("EVERY", 0) as i64 * 60);
        return;
    }
    let mut home = home::sensor::Home::new(case, until / DAY_S + 2);
    let mut sink = Vec::new();
    while home.world.at_s < until {
        sink.clear();
        home.step(&mut sink);
        if home.world.at_s >= from && home.world.at_s % 120 == 0 {
            let doing: Vec<_> = home
                .world
                .life
                .events
                .iter()
                .filter(|e| e.from_s <= home.world.at_s && e.until_s > home.world.at_s - 120)
                .map(|e| e.kind)
                .collect();
            println!(
                "{} {:.2} {:.2} {:.2} P {:.0} lamp {:.0} {doing:?}",
                home.world.at_s / 60,
                home.world.warm_c(),
                home.world.cool_c(),
                home.world.room_c(),
                home.world.heat_w,
                home.world.lamp_now_w
            );
        }
    }
}

#[test]
#[ignore = "a look at one fault"]
fn look() {
    let control = Control::ALL[env("CONTROL", 0) as usize];
    let fault = [Fault::HeatFailed, Fault::StuckOn, Fault::Weak, Fault::LeftOpen][env("FAULT", 0) as usize];
    let n = env("N", 5);
    for case in fault_cases(fault, control, n, env("FROM", 1000), env("HELD_OUT", 0) == 1, &|c| {
        if env("WATTS", 0) == 1 {
            c.watts = Watts::Instant
        }
        c.cool_side = env("NO_COOL", 0) == 0;
    }) {
        let o = trial::run(case, 0, Tuning::default(), true);
        println!(
            "seed {} {:?} h {:.1} ideal {:.1?} band {:.0?} ours {:.1?} first {:.1?}",
            case.seed,
            case.size,
            case.fault.unwrap().1 % DAY_S / 360 / 10,
            o.ideal,
            o.band,
            o.ours,
            o.first
        );
        if case.seed == env("SEED", 0) {
            let at_s = case.fault.map_or(0, |f| f.1);
            trial::look(case, at_s, env("FOR", 120) as i64 * 60, env("EVERY", 0) as i64 * 60);
        }
    }
}

#[test]
#[ignore = "a measurement: nanoseconds a reading, release"]
fn what_a_reading_costs() {
    let mut case = Case::new(41, Control::OnOff, Size::Medium);
    case.watts = Watts::Instant;
    let mut home = home::sensor::Home::new(case, 12);
    let mut watch = warmside::heat::Watch::new(&trial::settings(&home));
    let (mut heard, mut kept) = (Vec::new(), Vec::new());
    while home.world.at_s < 10 * DAY_S {
        heard.clear();
        home.step(&mut heard);
        let c = trial::context(&home);
        kept.extend(heard.iter().filter_map(|s| trial::input(s).map(|i| (s.at_ms, i, c))));
    }
    let mut out = Vec::new();
    let began = std::time::Instant::now();
    for (at_ms, input, c) in &kept {
        watch.hear(*input, warmside::terms::time::Now::at(*at_ms), c, &mut out);
    }
    let ns = began.elapsed().as_nanos() as f64 / kept.len() as f64;
    println!("{ns:.0} ns a reading over {} readings, {} bytes", kept.len(), watch.memory_bytes());
}

/// Writes a home's life as a recording and its configuration (SEED, CONTROL, FAULT as in `look`, DAYS) into FOLDER, so that
/// `warmside replay` can be judged end to end.
#[test]
#[ignore = "writes files"]
fn write_a_recording() {
    let Ok(folder) = std::env::var("FOLDER") else { return };
    let control = Control::ALL[env("CONTROL", 0) as usize % 4];
    let days = env("DAYS", 6) as i64;
    let mut case = Case::new(env("SEED", 1), control, Size::Medium);
    case.fault = match env("FAULT", 0) {
        0 => None,
        1 => Some((Fault::HeatFailed, 4 * DAY_S)),
        2 => Some((Fault::StuckOn, 4 * DAY_S)),
        3 => Some((Fault::LeftOpen, 4 * DAY_S)),
        _ => Some((Fault::RoomCold, 4 * DAY_S)),
    };
    let mut home = home::sensor::Home::new(case, days + 1);
    let (on_s, off_s) = home.world.photoperiod_s();
    let config = home::recording::config(home.thermostat(), on_s, off_s);
    let mut lines = String::new();
    let mut heard = Vec::new();
    while home.world.at_s < days * DAY_S {
        heard.clear();
        home.step(&mut heard);
        heard.iter().for_each(|s| lines += &home::recording::line(s));
    }
    std::fs::write(format!("{folder}/house.toml"), config).expect("the folder can be written to");
    std::fs::write(format!("{folder}/house.jsonl"), lines).expect("the folder can be written to");
}
