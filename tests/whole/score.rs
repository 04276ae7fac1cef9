//! The scoreboard: for each kind of trouble whether it was found, when, by which name, in how many incidents and mails; and
//! what healthy houses were told.

use super::home::DAY_S;
use super::house::House;
use super::life::{Mail, mails};
use super::trouble::Trouble;
use std::collections::BTreeMap;

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|v| v.parse().ok()).unwrap_or(usual)
}

/// What one trouble in one house came to.
pub struct Outcome {
    seed: u64,
    from: String,
    delay_min: Option<i64>,
    first: String,
    last: String,
    pub right: bool,
    right_later: bool,
    pub incidents: usize,
    mails: usize,
    pub list: Vec<Mail>,
}

pub fn outcome(trouble: Trouble, seed: u64) -> Outcome {
    let at_s = 4 * DAY_S + (seed as i64 * 7_919 * 5) % DAY_S / 5 * 5;
    let house = House::new(seed, 6, Some((trouble, at_s)));
    let concerned: Vec<String> = (0..house.homes.len()).filter(|at| house.hits(*at)).map(House::id).collect();
    let right = trouble.right(concerned.len() == 1);
    let all = mails(house, 6).mails;
    let of_it = |m: &&Mail| m.enclosures.is_empty() || m.enclosures.iter().any(|e| concerned.contains(e));
    let begun: Vec<&String> =
        all.iter().filter(|m| m.event == "raised" && m.at_s < at_s).map(|m| &m.incident).collect();
    // What stood before says nothing of it, unless it gets worse.
    let new = |m: &&Mail| m.event == "worse" || !begun.contains(&&m.incident);
    let after: Vec<Mail> = all.iter().filter(|m| m.at_s >= at_s).filter(new).filter(of_it).cloned().collect();
    let asking: Vec<&Mail> = after.iter().filter(|m| matches!(m.event.as_str(), "raised" | "worse")).collect();
    let incidents = after.iter().filter(|m| m.event == "raised").count();
    let first = asking.first();
    Outcome {
        seed,
        from: format!("day {} {:02}:{:02}", at_s / DAY_S, at_s % DAY_S / 3_600, at_s % 3_600 / 60),
        delay_min: first.map(|m| (m.at_s - at_s) / 60),
        first: first.map_or("nothing".into(), |m| m.cause.clone()),
        last: asking.last().map_or(String::new(), |m| m.cause.clone()),
        right: first.is_some_and(|m| right.contains(&m.cause.as_str())),
        right_later: asking.iter().any(|m| right.contains(&m.cause.as_str())),
        incidents,
        mails: after.iter().filter(|m| m.event != "repeated" && m.event != "ended").count(),
        list: all.into_iter().filter(|m| m.at_s >= at_s).collect(),
    }
}

/// `cargo test --test whole table_of_troubles -- --ignored --nocapture`; WARMSIDE_HOMES houses of each kind from seed
/// WARMSIDE_FIRST in steps of two, WARMSIDE_ONLY=words of kinds, WARMSIDE_SHOW=1 prints what was not as it should be.
#[test]
#[ignore = "minutes long: prints a table"]
fn table_of_troubles() {
    let (homes, first) = (number("WARMSIDE_HOMES", 12), number("WARMSIDE_FIRST", 1_001));
    let only = std::env::var("WARMSIDE_ONLY").unwrap_or_default();
    let show = std::env::var_os("WARMSIDE_SHOW").is_some();
    println!(
        "| trouble | found | median/p90/worst min | named rightly at first / ever | incidents | mails | first names |"
    );
    println!("|---|---|---|---|---|---|---|");
    for trouble in Trouble::ALL {
        let word = format!("{trouble:?}");
        if !only.is_empty() && !only.split(',').any(|o| o == word) {
            continue;
        }
        let outcomes: Vec<Outcome> = (0..homes).map(|i| outcome(trouble, first + 2 * i)).collect();
        row(&word, &outcomes);
        for o in outcomes.iter().filter(|o| show && (!o.right || o.incidents != 1)) {
            println!("  seed {} from {} first {} last {}", o.seed, o.from, o.first, o.last);
            for m in o.list.iter().filter(|m| m.event != "repeated").take(8) {
                println!("    {}\n      {}", m.words(), m.truth);
            }
        }
    }
}

fn row(word: &str, outcomes: &[Outcome]) {
    let mut delays: Vec<i64> = outcomes.iter().filter_map(|o| o.delay_min).collect();
    delays.sort_unstable();
    let at = |share: f64| {
        let k = (outcomes.len() as f64 * share) as usize;
        delays.get(k).map_or("-".to_owned(), i64::to_string)
    };
    let mut names = BTreeMap::<&str, u32>::new();
    for o in outcomes {
        *names.entry(&o.first).or_default() += 1;
    }
    let names: Vec<String> = names.iter().map(|(name, n)| format!("{name} {n}")).collect();
    let found: Vec<&Outcome> = outcomes.iter().filter(|o| o.delay_min.is_some()).collect();
    let mean =
        |of: &dyn Fn(&Outcome) -> usize| found.iter().map(|o| of(o)).sum::<usize>() as f64 / found.len().max(1) as f64;
    println!(
        "| {word} | {}/{} | {}/{}/{} | {} / {} | {:.2} | {:.2} | {} |",
        found.len(),
        outcomes.len(),
        at(0.5),
        at(0.9),
        delays.last().map_or("-".to_owned(), i64::to_string),
        outcomes.iter().filter(|o| o.right).count(),
        outcomes.iter().filter(|o| o.right_later).count(),
        mean(&|o| o.incidents),
        mean(&|o| o.mails),
        names.join(", ")
    );
}

/// `cargo test --test whole table_of_health -- --ignored --nocapture`; the same variables, and WARMSIDE_DAYS.
#[test]
#[ignore = "minutes long: prints a table"]
fn table_of_health() {
    let (homes, first) = (number("WARMSIDE_HOMES", 60), number("WARMSIDE_FIRST", 1_001));
    let days = number("WARMSIDE_DAYS", 20) as i64;
    let show = std::env::var_os("WARMSIDE_SHOW").is_some();
    let mut told = BTreeMap::<(String, String), [u32; 2]>::new();
    let (mut enclosure_days, mut plain) = (0, 0);
    let mut early = BTreeMap::<String, u32>::new();
    let mut events = BTreeMap::<(String, String), u32>::new();
    for seed in (0..homes).map(|i| first + 2 * i) {
        let house = House::new(seed, days, None);
        enclosure_days += house.homes.len() as i64 * (days - 2);
        let style = house.gear[0].style;
        // The simulator starts hot or cold: a limit that is crossed in the first days is no false word.
        let story = mails(house, days);
        plain += story.plain;
        // Of the first days only what is said of the heat itself: the simulator starts hot or cold, and limits are crossed.
        for m in story.mails.iter().filter(|m| m.event == "raised" && m.urgency == "now" && m.at_s < 2 * DAY_S) {
            if m.cause.starts_with("heat-") {
                *early.entry(m.cause.clone()).or_default() += 1;
                if show {
                    println!("  seed {seed} {style:?} EARLY: {}\n      {}", m.words(), m.truth);
                }
            }
        }
        let later: Vec<&Mail> = story.mails.iter().filter(|m| m.at_s >= 2 * DAY_S).collect();
        for m in &later {
            *events.entry((m.urgency.clone(), m.event.clone())).or_default() += 1;
        }
        for m in later.iter().filter(|m| show && m.event == "worse") {
            println!("  seed {seed} {style:?} WORSE: {}\n      {}", m.words(), m.truth);
        }
        for m in later.iter().filter(|m| m.event == "raised") {
            let n = told.entry((m.urgency.clone(), m.cause.clone())).or_default();
            n[usize::from(m.holds)] += 1;
            if show {
                let word = if m.holds { "so" } else { "NOT SO" };
                println!("  seed {seed} {style:?} {word}: {}\n      {}", m.words(), m.truth);
            }
        }
    }
    let years = enclosure_days as f64 / 365.0;
    println!("{years:.1} enclosure-years in health, {homes} houses");
    println!("| urgency | cause | not so | a year | so |\n|---|---|---|---|---|");
    for ((urgency, cause), [not_so, so]) in told {
        println!("| {urgency} | {cause} | {not_so} | {:.2} | {so} |", f64::from(not_so) / years);
    }
    let a_year = |n: u32| f64::from(n) / years;
    let events = events.iter().map(|((urgency, event), n)| format!("{urgency} {event} {:.2}", a_year(*n)));
    println!("mails a year: {}", events.collect::<Vec<_>>().join(", "));
    println!("of heat, in the first two days: {early:?} in {} enclosures", enclosure_days / (days - 2));
    println!("a careful band check: {:.1} a year", a_year(plain));
}
