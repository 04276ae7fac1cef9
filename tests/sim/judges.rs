//! What must hold of any world, judged from the truth and from the mails that arrived, by rules written without the engine.

use super::world::{ENCLOSURES, Mark, Stretch, World};
use std::collections::{BTreeMap, BTreeSet};

/// What is wrong with a run, in words.
pub type Complaint = String;

/// An enclosure past its limit is mailed within so many ticks of the crossing, deaf and restart times not counted.
const HOT_WITHIN: i64 = 25;
/// A silent probe is known within so many.
const SILENT_WITHIN: i64 = 90;
/// A thing may be mailed for so long after it was true.
const LINGERS: i64 = 240;

pub fn judge(world: &World) -> Vec<Complaint> {
    let mut said = Vec::new();
    names_are_kept(world, &mut said);
    hot_is_mailed(world, &mut said);
    silence_is_mailed(world, &mut said);
    nothing_is_invented(world, &mut said);
    letters_come(world, &mut said);
    deafness_is_told(world, &mut said);
    if world.woken_without_end {
        said.push("the engine wants to be woken without end".to_owned());
    }
    said
}

fn word<'a>(notice: &'a serde_json::Value, key: &str) -> &'a str {
    notice[key].as_str().unwrap_or_default()
}

fn concerns(notice: &serde_json::Value, enclosure: usize) -> bool {
    let id = format!("e{enclosure}");
    notice["enclosures"].as_array().is_some_and(|list| list.iter().any(|e| e.as_str() == Some(&id)))
}

/// One content, one name: a mail that comes twice has the same name, and a name has one content. Each incident is raised once.
fn names_are_kept(world: &World, said: &mut Vec<Complaint>) {
    let mut content: BTreeMap<&str, String> = BTreeMap::new();
    let mut names: BTreeMap<String, &str> = BTreeMap::new();
    let mut raised: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (_, name, notice) in &world.arrived {
        let text = notice.to_string();
        if content.insert(name, text.clone()).is_some_and(|before| before != text) {
            said.push(format!("{name} has two contents"));
        }
        if names.insert(text, name).is_some_and(|before| before != name) {
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

/// Ticks in which nobody could have known.
fn blind_ticks(world: &World, from: i64, until: i64) -> i64 {
    let deaf: i64 = world.deaf.iter().map(|(a, b)| (b.min(&until) - a.max(&from)).max(0)).sum();
    let kills = world.kills.iter().filter(|k| (from..until).contains(*k)).count() as i64;
    deaf + kills * 12
}

/// The probe's own silence hides the heat.
fn hidden(world: &World, s: &Stretch) -> bool {
    world.silent.iter().any(|q| q.enclosure == s.enclosure && q.from < s.until && s.from < q.until + 30)
}

fn hot_is_mailed(world: &World, said: &mut Vec<Complaint>) {
    for s in &world.hot {
        // 0.6 K a tick from about 30.5: past 38 after 13.
        let crossing = s.from + 14;
        let blind = blind_ticks(world, s.from, s.until);
        if hidden(world, s) || s.until - crossing < HOT_WITHIN + blind {
            continue;
        }
        let hot = ["too-hot", "heat-stuck-on", "outside-heat", "room-hot"];
        let told = world.arrived.iter().find(|(tick, _, n)| {
            *tick >= s.from
                && concerns(n, s.enclosure)
                && hot.contains(&word(n, "cause"))
                && word(n, "event") != "ended"
        });
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
    for s in &world.silent {
        let blind = blind_ticks(world, s.from, s.until);
        if s.until - s.from < SILENT_WITHIN + blind * 2 {
            continue;
        }
        let told = world.arrived.iter().any(|(tick, _, n)| {
            (s.from..s.until + 60).contains(tick) && concerns(n, s.enclosure) && word(n, "event") != "ended"
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
            let explained = world.hot.iter().any(|s| near(&s)) || world.silent.iter().any(|s| near(&s));
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
    let daily = world.arrived.iter().any(|(_, _, n)| word(n, "event") == "digest");
    // A clock that is set while it comes may jump over the hour, and back.
    if !daily && !world.marks.contains(&Mark::ClockStepped) {
        said.push("no daily mail came".to_owned());
    }
}

/// The first long spell in which nobody listens is told while it lasts, not when it is over.
fn deafness_is_told(world: &World, said: &mut Vec<Complaint>) {
    let Some((from, until)) = world.deaf.first().copied().filter(|(from, until)| until - from >= 12) else { return };
    if world.kills.iter().any(|k| (from - 5..until).contains(k)) {
        return;
    }
    let told = |(tick, json): &(i64, String)| (from..until).contains(tick) && json.contains("feed-silent");
    if !world.written.iter().any(told) {
        said.push(format!("nobody listened from {from} to {until}, and nobody was told meanwhile"));
    }
}
