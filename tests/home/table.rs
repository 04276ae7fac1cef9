//! What the tables of faults and of healthy life share: cases by seed, run on a few threads, and a row of figures.

use super::trial::{self, Outcome};
use super::{Case, Control, DAY_S, Fault, Size};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use warmside::heat::tuning::Tuning;

/// Runs cases on a few threads, in order.
pub fn all<T: Send>(cases: &[Case], job: impl Fn(Case) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    let Some(case) = cases.get(k) else { break };
                    let outcome = job(*case);
                    done.lock().expect("no job panics").push((k, outcome));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no job panics");
    done.sort_by_key(|(k, _)| *k);
    done.into_iter().map(|(_, o)| o).collect()
}

pub fn quantile(xs: &mut [f64], q: f64) -> f64 {
    if xs.is_empty() {
        return f64::NAN;
    }
    xs.sort_by(f64::total_cmp);
    xs[((xs.len() - 1) as f64 * q).round() as usize]
}

/// How many were found, median, ninth decile and worst of those found, min; what was not found counts as never.
type Column = (usize, f64, f64, f64);

fn column(outcomes: &[Outcome], f: &dyn Fn(&Outcome) -> Option<f64>) -> Column {
    let mut found: Vec<f64> = outcomes.iter().map(|o| f(o).unwrap_or(f64::INFINITY)).collect();
    let k = found.iter().filter(|x| x.is_finite()).count();
    (
        k,
        quantile(&mut found, 0.5),
        quantile(&mut found, 0.9),
        found.iter().copied().filter(|x| x.is_finite()).fold(0.0, f64::max),
    )
}

fn named(fault: Fault, outcomes: &[Outcome]) -> (usize, usize) {
    let noticed = outcomes.iter().filter(|o| o.first.is_some()).count();
    let right = outcomes.iter().filter(|o| o.first.is_some_and(|f| trial::names(f.1, fault))).count();
    (right, noticed)
}

/// A row for homes with a plug: three ideals, ours, and the time from when heat was next due (or due to end).
pub fn row_of_watts(name: &str, fault: Fault, outcomes: &[Outcome]) {
    let n = outcomes.len();
    let of = |f: &dyn Fn(&Outcome) -> Option<f64>| column(outcomes, f);
    let (warmth, watts, told) = (of(&|o| o.ideal_warmth), of(&|o| o.watts_alone), of(&|o| o.ideal));
    let ours = of(&|o| o.ours);
    let from_due = |x: Option<f64>, o: &Outcome| x.map(|x| (x - o.due.unwrap_or(0.0)).max(0.0));
    let (told_due, ours_due) = (of(&|o| from_due(o.ideal, o)), of(&|o| from_due(o.ours, o)));
    let (right, noticed) = named(fault, outcomes);
    println!(
        "| {name} | {:.1}/{:.0} | {:.1}/{:.0} | {:.1}/{:.0} | {}/{n} {:.1}/{:.0}/{:.0} | {:.1}/{:.0} | {:.1}/{:.0} | {right}/{noticed} | {:.2} |",
        warmth.1,
        warmth.2,
        watts.1,
        watts.2,
        told.1,
        told.2,
        ours.0,
        ours.1,
        ours.2,
        ours.3,
        told_due.1,
        told_due.2,
        ours_due.1,
        ours_due.2,
        ours.1 / warmth.1,
    );
}

pub fn row(name: &str, fault: Fault, outcomes: &[Outcome]) {
    let n = outcomes.len();
    let column = |f: &dyn Fn(&Outcome) -> Option<f64>| column(outcomes, f);
    let ideal = column(&|o| o.ideal);
    let band = column(&|o| o.band);
    let ours = column(&|o| o.ours);
    let (right, noticed) = named(fault, outcomes);
    println!(
        "| {name} | {}/{n} {:.1}/{:.0} | {}/{n} {:.0}/{:.0} | {}/{n} {:.1}/{:.0}/{:.0} | {right}/{noticed} | {:.2} |",
        ideal.0,
        ideal.1,
        ideal.2,
        band.0,
        band.1,
        band.2,
        ours.0,
        ours.1,
        ours.2,
        ours.3,
        ours.1 / ideal.1
    );
}

pub fn seeds(from: u64, n: u64, held_out: bool) -> impl Iterator<Item = u64> {
    (from..from + n).map(move |k| 2 * k + u64::from(!held_out))
}

pub fn env(name: &str, default: u64) -> u64 {
    std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(default)
}

/// FACTOR and HELD, in percent, move along the curve of delay against false alarms.
pub fn tuning() -> Tuning {
    let d = Tuning::default();
    let held = env("HELD", 100) as f64 / 100.0;
    Tuning {
        threshold: d.threshold * env("FACTOR", 100) as f64 / 100.0,
        held_cycler_min: d.held_cycler_min * held,
        held_min: d.held_min * held,
    }
}

pub fn fault_cases(
    fault: Fault,
    control: Control,
    n: u64,
    from: u64,
    held_out: bool,
    shape: &dyn Fn(&mut Case),
) -> Vec<Case> {
    seeds(from, n, held_out)
        .map(|seed| {
            let mut case = Case::new(seed, control, Size::ALL[(seed / 2 % 3) as usize]);
            let mut c = super::chance::Chance::new(seed, 14);
            case.fault = Some((fault, (c.within(3.0, 5.0) * DAY_S as f64) as i64 / 5 * 5));
            shape(&mut case);
            case
        })
        .collect()
}

/// What was said in healthy years, incidents that join within a day counted once: urgent ones each with what went on around it.
pub fn healthy_years(cases: &[Case], outcomes: &[Outcome], days: i64) {
    let years = cases.len() as f64 * days as f64 / 365.25;
    let mut counts = std::collections::BTreeMap::<(&str, &str), usize>::new();
    for (case, o) in cases.iter().zip(outcomes) {
        let mut last = std::collections::BTreeMap::new();
        for ((at_s, v), (around, dial)) in o.early.iter().zip(&o.around) {
            let joined = last.insert(v.cause, *at_s).is_some_and(|l| at_s - l < DAY_S);
            if joined {
                continue;
            }
            let young = *at_s < 3 * DAY_S;
            let why = if *dial {
                "dial"
            } else if young {
                "first days"
            } else {
                "life"
            };
            *counts.entry((v.cause.word(), why)).or_default() += 1;
            if v.cause.is_urgent() || env("ALL", 0) == 1 {
                let e = v.evidence;
                println!(
                    "seed {} {} {:?} day {:.2} h {:.1}: {} {:?} {:.1}->{:.1} in {} U {:.2} h {:.2} days {} D {:.1?}/{:.1?} oc {} w {:?} |{around}",
                    case.seed,
                    case.control.word(),
                    case.size,
                    *at_s as f64 / DAY_S as f64,
                    (at_s % DAY_S) as f64 / 3600.0,
                    v.cause.word(),
                    e.way,
                    e.level_then.unwrap_or(f64::NAN),
                    e.level_now,
                    e.over,
                    e.undercut_k,
                    e.threshold_k,
                    e.days_known,
                    e.gradient_now_k,
                    e.gradient_usual_k,
                    case.on_change,
                    e.power_now_w
                );
            }
        }
    }
    println!("{years:.1} years");
    for ((cause, why), n) in counts {
        println!("{cause} {why}: {n}, {:.2} a year", n as f64 / years);
    }
}
