//! Simulated homes through the whole engine, as a keeper would have set it up: what is mailed in health, and what of a fault.
//!
//! The heat room's own figures stand in `src/heat/MODEL.md`; here bands, trust, comfort, incidents and the desk join in, and
//! mails are counted, not verdicts.

mod home;

use home::sensor::Home;
use home::{Case, Control, DAY_S, Fault, Sample, Size, Watts, What};
use std::sync::atomic::{AtomicU32, Ordering};
use warmside::engine::effect::Effect;
use warmside::recording::replay::Replay;
use warmside::recording::{self, Line};
use warmside::terms::place::Place;
use warmside::terms::quantity::Quantity;
use warmside::terms::time::Wall;

/// 2026-01-05T00:00:00Z, a Monday: the simulator's second 0.
const START_MS: i64 = 1_767_571_200_000;

/// A mail that a keeper would have got.
#[derive(Clone, Debug)]
struct Mail {
    at_s: i64,
    event: String,
    urgency: String,
    cause: String,
}

/// What a place did in its first two days in health, day and night apart: the keeper sets bands by it.
#[derive(Clone, Copy, Debug)]
struct Seen {
    day: (f64, f64),
    night: (f64, f64),
}

fn widen(range: &mut (f64, f64), value: f64) {
    *range = (range.0.min(value), range.1.max(value));
}

fn look(case: Case, place: Place) -> Seen {
    let none = (f64::MAX, f64::MIN);
    let mut seen = Seen { day: none, night: none };
    let mut home = Home::new(Case { fault: None, ..case }, 3);
    let mut samples = Vec::new();
    while home.world.at_s < 3 * DAY_S {
        home.step(&mut samples);
        let lit = home.world.lights_on();
        for s in samples.drain(..).filter(|s| s.what == What::At(place, Quantity::Temperature)) {
            // Hours to warm up do not count, nor what stands open: the keeper looks at the truth.
            if s.at_ms > 6 * 3_600_000 && !home.world.life.disturbed(home.world.at_s, 3_600) {
                widen(if lit { &mut seen.day } else { &mut seen.night }, s.truth);
            }
        }
    }
    if seen.night.0 > seen.night.1 {
        seen.night = seen.day;
    }
    if seen.day.0 > seen.day.1 {
        seen.day = seen.night;
    }
    seen
}

fn band(name: &str, seen: Seen) -> String {
    let (day, night) = (seen.day, seen.night);
    let low = day.0.min(night.0);
    let high = day.1.max(night.1);
    format!(
        "{name} = {{ wanted = [{:.1}, {:.1}], night = [{:.1}, {:.1}], never = [{:.1}, {:.1}], never_night = [{:.1}, {:.1}] }}\n",
        day.0 - 1.0,
        day.1 + 1.0,
        night.0 - 1.0,
        night.1 + 1.0,
        low - 5.0,
        high + 5.0,
        low - 5.0,
        high + 5.0,
    )
}

fn config(case: Case, home: &Home) -> String {
    let (on, off) = home.world.photoperiod_s();
    let on = on.rem_euclid(DAY_S);
    let hours = (off - on).rem_euclid(DAY_S) as f64 / 3_600.0;
    let mut text = format!(
        "[site]\nname = \"Simulated\"\ntime_zone = \"UTC\"\n[[keeper]]\nid = \"ines\"\nname = \"Ines\"\nmail = \"ines@example.org\"\n\
         [[room]]\nid = \"room\"\nname = \"Room\"\n[care.snake]\nconfirmed_by = \"ines\"\n{}{}light = {{ on = \"{:02}:{:02}\", hours = {hours:.2} }}\n\
         [[enclosure]]\nid = \"a1\"\ncare = \"snake\"\nroom = \"room\"\n\
         heat = [{{ id = \"main\", kind = \"ceramic-emitter\", at = \"warm_side\", thermostat = \"{}\" }}]\n\
         [[link]]\ntopic = \"rack/{{enclosure}}/{{place}}/temperature\"\nquantity = \"temperature\"\nunit = \"Cel\"\n",
        band("warm_side", look(case, Place::WarmSide)),
        if case.cool_side { band("cool_side", look(case, Place::CoolSide)) } else { String::new() },
        on / 3_600,
        on / 60 % 60,
        home.thermostat(),
    );
    if case.watts != Watts::Unknown {
        text += "[[link]]\ntopic = \"plug/a1/power\"\nenclosure = \"a1\"\nreads = \"heat.power\"\nunit = \"W\"\n";
    }
    text
}

fn topic(sample: &Sample) -> Option<&'static str> {
    Some(match sample.what {
        What::At(Place::WarmSide, Quantity::Temperature) => "rack/a1/warm_side/temperature",
        What::At(Place::CoolSide, Quantity::Temperature) => "rack/a1/cool_side/temperature",
        What::Heat(Quantity::Power) => "plug/a1/power",
        _ => return None,
    })
}

fn settings(text: &str) -> warmside::engine::settings::Settings {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let name = format!("warmside-whole-{}-{}.toml", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
    let path = std::env::temp_dir().join(name);
    std::fs::write(&path, text).unwrap();
    let loaded = warmside::config::load_without_secrets(&path);
    std::fs::remove_file(&path).unwrap();
    loaded.unwrap_or_else(|report| panic!("{text}\n{}", report.render(false))).settings
}

/// A case's whole story as mails.
fn mails(case: Case, days: i64) -> Vec<Mail> {
    let mut home = Home::new(case, days);
    let text = config(case, &home);
    let mut replay = Replay::new(settings(&text));
    // A folder in which recordings and configurations are left, for the command itself: WARMSIDE_KEEP=folder.
    let mut keep = std::env::var_os("WARMSIDE_KEEP").map(|folder| {
        let name = format!("{}-{:?}-{:?}-{:?}", case.seed, case.control, case.watts, case.fault.map(|f| f.0));
        let base = std::path::Path::new(&folder).join(name.replace([' ', '(', ')'], ""));
        std::fs::write(base.with_extension("toml"), &text).unwrap();
        std::io::BufWriter::new(std::fs::File::create(base.with_extension("jsonl")).unwrap())
    });
    let (mut samples, mut effects, mut mails) = (Vec::new(), Vec::new(), Vec::new());
    while home.world.at_s < days * DAY_S {
        home.step(&mut samples);
        for sample in samples.drain(..) {
            let Some(topic) = topic(&sample) else { continue };
            let payload = format!("{:.4}", sample.value);
            let what =
                recording::What::Message { topic: topic.into(), payload: payload.as_bytes().into(), retained: false };
            let line = Line { at: Wall::from_ms(START_MS + sample.at_ms), what };
            if let Some(file) = &mut keep {
                use std::io::Write;
                writeln!(file, "{}", recording::write(&line)).unwrap();
            }
            replay.line(&line, &mut effects, &mut |now, effects| {
                for effect in effects.drain(..) {
                    let Effect::Commit { notices, .. } = effect else { continue };
                    for notice in notices {
                        let n: serde_json::Value = serde_json::from_str(&notice.json).unwrap();
                        let word = |key: &str| n[key].as_str().unwrap_or_default().to_owned();
                        let at_s = (now.wall.as_ms() - START_MS) / 1_000;
                        let mail = Mail { at_s, event: word("event"), urgency: word("urgency"), cause: word("cause") };
                        if mail.event != "digest" {
                            mails.push(mail);
                        }
                    }
                }
            });
        }
    }
    mails
}

fn raised(mails: &[Mail]) -> Vec<&Mail> {
    mails.iter().filter(|m| m.event == "raised").collect()
}

fn told(mails: &[Mail]) -> Vec<String> {
    let words = |m: &&Mail| {
        let (day, minute) = (m.at_s / DAY_S, m.at_s % DAY_S / 60);
        format!("day {day} {:02}:{:02} {} {} {}", minute / 60, minute % 60, m.event, m.urgency, m.cause)
    };
    mails.iter().filter(|m| m.event != "repeated").collect::<Vec<_>>().iter().map(words).collect()
}

fn case(seed: u64) -> Case {
    let control = Control::ALL[(seed / 4 % 4) as usize];
    let size = Size::ALL[(seed % 3) as usize];
    let watts = if seed.is_multiple_of(5) { Watts::Instant } else { Watts::Unknown };
    Case { watts, ..Case::new(seed, control, size) }
}

#[test]
fn healthy_homes_are_told_nothing_urgent() {
    for seed in [3, 8, 13] {
        let mails = mails(case(seed), 5);
        let urgent = raised(&mails).into_iter().filter(|m| m.urgency == "now" && m.at_s >= DAY_S);
        let urgent: Vec<_> = urgent.collect();
        assert!(urgent.is_empty(), "seed {seed}: {:#?}", told(&mails));
    }
}

#[test]
fn a_dead_heater_is_one_incident_rightly_named() {
    for seed in [5, 22] {
        let fault_s = 3 * DAY_S + 14 * 3_600;
        let mails = mails(Case { fault: Some((Fault::HeatFailed, fault_s)), ..case(seed) }, 4);
        let raised: Vec<_> = raised(&mails).into_iter().filter(|m| m.at_s >= fault_s).collect();
        assert_eq!(raised.len(), 1, "seed {seed}: {:#?}", told(&mails));
        assert_eq!((raised[0].cause.as_str(), raised[0].urgency.as_str()), ("heat-failed", "now"), "seed {seed}");
        assert!(raised[0].at_s - fault_s < 3_600, "seed {seed}: {:#?}", told(&mails));
    }
}

/// `cargo test --release --test whole -- --ignored --nocapture`: homes and days from WARMSIDE_HOMES and WARMSIDE_DAYS.
#[test]
#[ignore = "minutes long: prints a table"]
fn table_of_mails() {
    let number = |name: &str, usual: u64| std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(usual);
    let (homes, days) = (number("WARMSIDE_HOMES", 24), number("WARMSIDE_DAYS", 20) as i64);
    let first = number("WARMSIDE_FIRST", 1_000);
    let (mut urgent, mut all) = (0, 0);
    for seed in first..first + homes {
        let mails = mails(case(seed), days);
        // The simulator starts hot or cold: a limit that is crossed in the first hours is no false word.
        for m in raised(&mails).into_iter().filter(|m| m.at_s >= DAY_S) {
            all += 1;
            urgent += u32::from(m.urgency == "now");
            println!(
                "healthy {seed} {:?} watts {:?}: {}",
                case(seed).control,
                case(seed).watts,
                told(std::slice::from_ref(m))[0]
            );
        }
    }
    let years = homes as f64 * (days - 1) as f64 / 365.0;
    println!("healthy: {years:.2} enclosure-years, {urgent} urgent and {} other incidents", all - urgent);
    for fault in [
        Fault::HeatFailed,
        Fault::HeatAstray,
        Fault::StuckOn,
        Fault::Weak,
        Fault::ProbeDisplaced,
        Fault::LeftOpen,
        Fault::RoomCold,
        Fault::RoomHot,
        Fault::FrozenProbe,
    ] {
        let (mut found, mut causes) = (Vec::new(), std::collections::BTreeMap::<String, u32>::new());
        for seed in first..first + homes {
            let fault_s = 4 * DAY_S + (seed as i64 * 7_919) % DAY_S;
            let mails = mails(Case { fault: Some((fault, fault_s)), ..case(seed) }, 6);
            let after: Vec<_> = raised(&mails).into_iter().filter(|m| m.at_s >= fault_s).collect();
            let first = after.first().map_or("nothing".to_owned(), |m| format!("{} {}", m.urgency, m.cause));
            *causes.entry(first).or_default() += 1;
            if after.len() > 1 {
                *causes.entry(format!("({} incidents)", after.len())).or_default() += 1;
            }
            found.extend(after.first().map(|m| (m.at_s - fault_s) / 60));
        }
        found.sort_unstable();
        let at = |share: f64| found.get((found.len() as f64 * share) as usize).copied().unwrap_or(-1);
        println!(
            "{fault:?}: found {} of {homes}, median {} min, p90 {} min, {causes:?}",
            found.len(),
            at(0.5),
            at(0.9)
        );
    }
}
