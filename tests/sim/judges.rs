//! What must hold of any world, judged from the truth and from the mails that arrived, by rules written without the engine.

use crate::chance::Mark;
use crate::reference;
use crate::world::{AT_MOST, ENCLOSURES, Stretch, Truth, World};
use std::collections::{BTreeMap, BTreeSet};

/// What is wrong with a run, in words.
pub type Complaint = String;

/// An enclosure past its limit is mailed within so many ticks of the crossing, deaf and restart times not counted.
const HOT_WITHIN: i64 = 25;
/// A silent probe is known within so many.
const SILENT_WITHIN: i64 = 90;
/// A link that is known to be lost is told within so many ticks; one that looks alive, when the probes are missed.
const TOLD_WITHIN: i64 = 12;
const UNTOLD_WITHIN: i64 = 35;
/// A probe's rhythm is known after so many ticks of listening; until then its silence is told within so many.
const RHYTHM_KNOWN_AFTER: i64 = 200;
const UNKNOWN_SILENT_WITHIN: i64 = 200;
/// A death forgets so much of it beyond its own time: snapshots wait for a disk that fails.
const FORGOTTEN: i64 = 8;
/// `post-failing` that stands is not raised anew for each mail.
const TOLD_BEFORE: i64 = 600;
/// The heat of an enclosure is learned anew roughly in so many ticks.
const LEARNED_ANEW: i64 = 120;
/// A thing may be mailed for so long after it was true.
const LINGERS: i64 = 240;

pub fn judge(world: &World) -> Vec<Complaint> {
    let mut said = Vec::new();
    names_are_kept(world, &mut said);
    nothing_comes_too_often(world, &mut said);
    caps_hold(world, &mut said);
    refusals_are_told(world, &mut said);
    hot_is_mailed(world, &mut said);
    reference::judge(world, &mut said);
    silence_is_mailed(world, &mut said);
    nothing_is_invented(world, &mut said);
    letters_come(world, &mut said);
    deafness_is_told(world, &mut said);
    if world.woken_without_end {
        said.push("the engine wants to be woken without end".to_owned());
    }
    said
}

pub fn word<'a>(notice: &'a serde_json::Value, key: &str) -> &'a str {
    notice[key].as_str().unwrap_or_default()
}

pub fn concerns(notice: &serde_json::Value, enclosure: usize) -> bool {
    let id = format!("e{enclosure}");
    notice["enclosures"].as_array().is_some_and(|list| list.iter().any(|e| e.as_str() == Some(&id)))
}

/// Causes that a mail tells of an enclosure: its own, and those of the alarms that were too many for single mails.
pub fn causes(notice: &serde_json::Value, enclosure: usize) -> Vec<&str> {
    let gathered = notice["notes"].as_array().filter(|_| word(notice, "letter") == "gathered");
    let all = std::iter::once(notice).filter(|n| word(n, "event") != "digest").chain(gathered.into_iter().flatten());
    all.filter(|n| concerns(n, enclosure)).map(|n| word(n, "cause")).collect()
}

/// One content, one name: a mail that comes twice has the same name, and a name has one content. Each incident is raised once.
fn names_are_kept(world: &World, said: &mut Vec<Complaint>) {
    let mut content: BTreeMap<&str, String> = BTreeMap::new();
    let mut names: BTreeMap<String, &str> = BTreeMap::new();
    let mut raised: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (_, name, notice) in world.arrived.iter().filter(|(_, name, _)| !world.mailing.unwritten.contains(name)) {
        let text = notice.to_string();
        if content.insert(name, text.clone()).is_some_and(|before| before != text) {
            said.push(format!("{name} has two contents"));
        }
        // A clock that is set back may write one moment twice.
        let set = world.marks.contains(&Mark::ClockStepped);
        if !set && names.insert(text, name).is_some_and(|before| before != name) {
            said.push(format!("{name} came under two names"));
        }
        if word(notice, "event") == "raised" {
            raised.entry(word(notice, "incident")).or_default().insert(name);
        }
    }
    said.extend(
        raised.iter().filter(|(_, names)| names.len() > 1).map(|(id, _)| format!("incident {id} was raised twice")),
    );
}

/// A mail comes once, and again only when nobody could know that it had come.
fn nothing_comes_too_often(world: &World, said: &mut Vec<Complaint>) {
    let mut times: BTreeMap<&str, usize> = BTreeMap::new();
    for (_, name, _) in &world.arrived {
        *times.entry(name).or_default() += 1;
    }
    for (name, times) in times {
        let may = 1 + world.mailing.may_repeat.get(name).copied().unwrap_or(0);
        if times > may && !world.mailing.unwritten.contains(name) {
            said.push(format!("{name} came {times} times, and {may} would have done"));
        }
    }
}

/// The hour's measure holds for all but the first `now` of an incident and the letters.
fn caps_hold(world: &World, said: &mut Vec<Complaint>) {
    let mut urgent = BTreeSet::new();
    let mut counted = |n: &serde_json::Value| {
        let asks = ["raised", "worse", "repeated", "handed-on"].contains(&word(n, "event"));
        // An incident that was first worth today may become one of now. What is raised is a new one, also under a number that was
        // given before a death and never stored.
        let mut new = || urgent.insert(word(n, "incident").to_owned()) || word(n, "event") == "raised";
        let first_now = word(n, "urgency") == "now" && new();
        asks && !first_now
    };
    let ticks: Vec<i64> = world.written.iter().filter(|(_, n)| counted(n)).map(|(tick, _)| *tick).collect();
    for hour in ticks.windows(AT_MOST + 1) {
        let (first, last) = (hour[0], hour[AT_MOST]);
        if last - first < 60 && !world.kills.iter().any(|k| (first..=last).contains(k)) {
            said.push(format!("{} mails from {first} to {last}", AT_MOST + 1));
        }
    }
}

/// A mail that was given up is told of: by mail when others go through, and on the page.
fn refusals_are_told(world: &World, said: &mut Vec<Complaint>) {
    for (tick, _) in &world.mailing.refused {
        let near = |at: &i64| (tick - TOLD_BEFORE..tick + 5).contains(at);
        let told = world.written.iter().any(|(at, n)| near(at) && word(n, "cause") == "post-failing");
        let lost = world.kills.iter().any(|k| (*tick..tick + 5).contains(k));
        if !told && !lost {
            said.push(format!("a mail was given up at {tick} and nobody was told"));
        }
    }
}

/// Ticks in which nobody could have known.
fn blind_ticks(world: &World, from: i64, until: i64) -> i64 {
    let deaf: i64 = world.deaf.iter().map(|(a, b)| (b.min(&until) - a.max(&from)).max(0)).sum();
    let kills = world.kills.iter().filter(|k| (from..until).contains(*k)).count() as i64;
    deaf + kills * 12
}

/// The probe's own silence hides the heat.
fn hidden(world: &World, s: &Stretch) -> bool {
    let Truth { silent, stuck, .. } = &world.truth;
    let mut probe = silent.iter().chain(stuck);
    probe.any(|q| q.enclosure == s.enclosure && q.from < s.until && s.from < q.until + 30)
}

fn hot_is_mailed(world: &World, said: &mut Vec<Complaint>) {
    for s in &world.truth.hot {
        // 0.6 K a tick from about 30.5: past 38 after 13.
        let crossing = s.from + 14;
        let blind = blind_ticks(world, s.from, s.until);
        if hidden(world, s) || s.until - crossing < HOT_WITHIN + blind {
            continue;
        }
        let hot = ["too-hot", "heat-stuck-on", "outside-heat", "room-hot"];
        let tells = |tick: i64, n: &serde_json::Value| {
            let told = causes(n, s.enclosure).iter().any(|cause| hot.contains(cause));
            tick >= s.from && told && word(n, "event") != "ended"
        };
        let told = world.arrived.iter().find(|(tick, _, n)| tells(*tick, n));
        // Given up by the server, that much was told of.
        if world.mailing.refused.iter().any(|(tick, n)| tells(*tick, n)) {
            continue;
        }
        // The disk and the mail server may hold it up for a while; it must not be lost.
        let limit = crossing + HOT_WITHIN + blind + 40;
        match told {
            Some((tick, ..)) if *tick <= limit => {}
            Some((tick, ..)) => {
                said.push(format!("e{} was past its limit at {crossing} and mailed at {tick} only", s.enclosure))
            }
            None => said.push(format!("e{} was past its limit at {crossing} and nobody was told", s.enclosure)),
        }
    }
}

fn silence_is_mailed(world: &World, said: &mut Vec<Complaint>) {
    for s in &world.truth.silent {
        let blind = blind_ticks(world, s.from, s.until);
        // Messages that overtake one another, or too few hours, leave a rhythm unknown; then silence is borne for longer.
        let deaths = world.kills.iter().filter(|k| **k < s.from).count() as i64;
        let listened = s.from - blind_ticks(world, 0, s.from) - FORGOTTEN * deaths;
        let unknown = world.mix.reorder > 0 || listened < RHYTHM_KNOWN_AFTER;
        let within = if unknown { UNKNOWN_SILENT_WITHIN } else { SILENT_WITHIN };
        if s.until - s.from < within + blind * 2 {
            continue;
        }
        let told = world.written.iter().any(|(tick, n)| {
            let told = !causes(n, s.enclosure).is_empty() && word(n, "event") != "ended";
            (s.from..s.until + 60).contains(tick) && told
        });
        if !told {
            said.push(format!("e{} was silent from {} to {} and nobody was told", s.enclosure, s.from, s.until));
        }
    }
}

/// Nobody is mailed of an enclosure at which nothing was wrong.
fn nothing_is_invented(world: &World, said: &mut Vec<Complaint>) {
    for (tick, name, notice) in &world.arrived {
        if word(notice, "event") != "raised" {
            continue;
        }
        for enclosure in (0..ENCLOSURES).filter(|e| concerns(notice, *e)) {
            let near = |s: &&Stretch| s.enclosure == enclosure && (s.from..s.until + LINGERS).contains(tick);
            let cause = word(notice, "cause");
            let deaf = world.deaf.iter().any(|(a, b)| (*a..b + LINGERS).contains(tick));
            let watcher = matches!(
                cause,
                "store-failing" | "post-failing" | "watcher-restarted" | "clock-wrong" | "outpost-silent"
            );
            let Truth { hot, cold, silent, stuck } = &world.truth;
            let explained = [hot, cold, silent, stuck].into_iter().flatten().any(|s| near(&s));
            let feed = cause == "feed-silent" && deaf;
            // Rubbish that goes on may rightly be called so.
            let probe = matches!(cause, "probe-faulty" | "probe-silent" | "probe-stuck");
            if !explained && !watcher && !feed && !probe {
                said.push(format!("{name} at tick {tick} tells {cause} of e{enclosure}, where nothing was wrong"));
            }
        }
    }
}

/// A feed that hears nothing to the end is told, and at the end nothing waits unsent.
fn letters_come(world: &World, said: &mut Vec<Complaint>) {
    if world.unsubscribed_for() > 60 && !world.arrived.iter().any(|(_, _, n)| word(n, "cause") == "feed-silent") {
        said.push("nothing was heard for an hour and nobody was told".to_owned());
    }
    if world.unsubscribed_for() > 0 {
        said.push("the link came back and nothing is heard".to_owned());
    }
    let refused = world.mailing.refused.iter().map(|(_, n)| n);
    let daily = world.arrived.iter().map(|(_, _, n)| n).chain(refused).any(|n| word(n, "event") == "digest");
    // A clock that is set while it comes may jump over the hour, and back.
    if !daily && !world.marks.contains(&Mark::ClockStepped) {
        said.push("no daily mail came".to_owned());
    }
}

/// The first long spell in which nobody listens is told while it lasts, not when it is over.
fn deafness_is_told(world: &World, said: &mut Vec<Complaint>) {
    let Some((from, until)) = world.deaf.first().copied() else { return };
    let within = if world.untold.contains(&(from, until)) { UNTOLD_WITHIN } else { TOLD_WITHIN };
    let unknown = world.untold.contains(&(from, until)) && (from < RHYTHM_KNOWN_AFTER || world.mix.reorder > 0);
    if world.asleep.iter().any(|(a, b)| *a < until && from < *b) || until - from < within || unknown {
        return;
    }
    if world.kills.iter().any(|k| (from - 5..until).contains(k)) {
        return;
    }
    // Where the rhythm of some is not known yet, those of the others are told as silent.
    let silent = ["feed-silent", "probe-silent"];
    let told =
        |(tick, n): &(i64, serde_json::Value)| (from..until).contains(tick) && silent.contains(&word(n, "cause"));
    if !world.written.iter().any(told) {
        said.push(format!("nobody listened from {from} to {until}, and nobody was told meanwhile"));
    }
}

/// What a run without deaths tells of a heat source that fails, one with deaths tells too.
pub fn a_restart_is_no_restart(with: &World, without: &World) -> Vec<Complaint> {
    let mut said = Vec::new();
    for s in with.truth.hot.iter().chain(&with.truth.cold) {
        let told = |world: &World| {
            // What is told of a probe may become what is told of its heat.
            let asks = |n: &serde_json::Value| ["raised", "worse", "digest"].contains(&word(n, "event"));
            let mine = world.written.iter().filter(|(_, n)| asks(n) && !causes(n, s.enclosure).is_empty());
            mine.map(|(tick, _)| *tick).find(|tick| (s.from..s.until + LINGERS).contains(tick))
        };
        // What is told of it may be that its probe is silent, and when.
        let Some(first) = told(without).filter(|_| !hidden(with, s)) else { continue };
        // What was learned while the disk took nothing went with the process, and is learned anew.
        let forgetful = [Mark::DiskFailed, Mark::DiskFailedLong, Mark::DiskSlow].iter().any(|m| with.marks.contains(m));
        let blind = blind_ticks(with, s.from, s.until) + if forgetful { LEARNED_ANEW } else { 0 };
        if s.until - first < HOT_WITHIN + blind {
            continue;
        }
        if told(with).is_none_or(|tick| tick > first + HOT_WITHIN + blind) {
            said.push(format!("e{}: told at {first}, and with restarts at {:?}", s.enclosure, told(with)));
        }
    }
    said
}

/// Each line: tick, incident, event. A number that a death freed is a new incident; without one, what is over the measure is said.
#[test]
fn the_measure_is_held_against_what_a_death_left_known() {
    let lived = |kills: &[i64], written: &[(i64, &str, &str)]| {
        let mut world = World::new(1, None, crate::chance::Deaths::none());
        world.kills = kills.to_vec();
        let notice = |(tick, incident, event): &(i64, &str, &str)| {
            (*tick, serde_json::json!({"incident": incident, "event": event, "urgency": "now"}))
        };
        world.written = written.iter().map(notice).collect();
        let mut said = Vec::new();
        caps_hold(&world, &mut said);
        said
    };
    let repeated: Vec<(i64, &str, &str)> = (0..AT_MOST as i64).map(|i| (390 + 5 * i, "11", "repeated")).collect();
    let mut freed = vec![(380, "11", "raised"), (387, "11", "raised")];
    freed.extend(&repeated);
    assert_eq!(lived(&[386], &freed), Vec::<String>::new());
    freed.push((430, "11", "repeated"));
    assert_eq!(lived(&[386], &freed), ["7 mails from 390 to 430"]);
    // A death between them forgets how many there were.
    assert_eq!(lived(&[386, 400], &freed), Vec::<String>::new());
}
