//! A plain keeper's rules over the readings that reached the engine, written without it: what must have been told, and what
//! must not have been told without a reading that shows it.

use crate::judges::{self, Complaint, concerns, word};
use crate::sensors::Heard;
use crate::world::{ENCLOSURES, World};

/// The limits of the world's care, °C: (`never` low, wanted low, wanted high, `never` high).
const WARM: (f64, f64, f64, f64) = (20.0, 28.0, 33.0, 38.0);
const COOL: (f64, f64, f64, f64) = (15.0, 21.0, 27.0, 36.0);
/// Past a limit in every reading for so long, with no hole longer than [`HOLE`], is told so much later at the latest, ticks.
const PAST_NEVER: (i64, i64) = (6, 8);
const PAST_WANTED: (i64, i64) = (75, 15);
const HOLE: i64 = 3;
/// What is told has been seen so lately.
const EVIDENCE: i64 = 120;
/// A reading off by so little proves nothing.
const MARGIN: f64 = 0.3;

const HOT: [&str; 5] = ["too-hot", "heat-stuck-on", "outside-heat", "room-hot", "no-retreat"];
const COLD: [&str; 5] = ["too-cold", "heat-failed", "heat-weak", "room-cold", "power-lost"];

/// What is past a limit, for how long until it counts and how much later it is told at the latest, and as what.
type Rule<'a> = (&'a dyn Fn(f64) -> bool, (i64, i64), &'a [&'a str]);

pub fn judge(world: &World, said: &mut Vec<Complaint>) {
    for enclosure in 0..ENCLOSURES {
        for (warm, limits) in [(true, WARM), (false, COOL)] {
            let series: Vec<Heard> =
                world.heard.iter().filter(|h| h.enclosure == enclosure && h.warm == warm).copied().collect();
            let (never_low, low, high, never_high) = limits;
            let rules: [Rule; 4] = [
                (&|v| v > never_high + MARGIN, PAST_NEVER, &HOT),
                (&|v| v < never_low - MARGIN, PAST_NEVER, &COLD),
                (&|v| v > high + MARGIN, PAST_WANTED, &HOT),
                (&|v| v < low - MARGIN, PAST_WANTED, &COLD),
            ];
            for (is_past, (lasts, within), causes) in rules {
                for (since, at) in spells(&series, is_past, lasts) {
                    must_be_told(world, enclosure, causes, (since, at + within), said);
                }
            }
        }
    }
    told_is_seen(world, said);
}

/// (began, lasted long enough at) of each spell in which every reading is past.
fn spells(series: &[Heard], is_past: impl Fn(f64) -> bool, lasts: i64) -> Vec<(i64, i64)> {
    let mut found = Vec::new();
    let (mut since, mut last, mut noted) = (None, 0, false);
    for heard in series {
        if !is_past(heard.value) || (since.is_some() && heard.tick - last > HOLE) {
            (since, noted) = (None, false);
        }
        last = heard.tick;
        if is_past(heard.value) {
            let since = *since.get_or_insert(heard.tick);
            if !noted && heard.tick - since >= lasts {
                found.push((since, heard.tick));
                noted = true;
            }
        }
    }
    found
}

fn must_be_told(world: &World, enclosure: usize, causes: &[&str], span: (i64, i64), said: &mut Vec<Complaint>) {
    let (since, until) = span;
    // A restart forgets up to ten minutes of what was not yet said; a spell that a sleep or a restart cuts is not judged.
    let cut = |from: i64, to: i64| from <= until && to >= since - 1;
    if world.kills.iter().any(|k| cut(*k, *k)) || world.deaf.iter().any(|(a, b)| cut(*a, *b)) {
        return;
    }
    // Told before, and not ended since, is told.
    let told = world.written.iter().filter(|(tick, _)| *tick <= until);
    let mut stands = false;
    for (tick, notice) in told {
        if judges::causes(notice, enclosure).iter().any(|cause| causes.contains(cause)) {
            stands = word(notice, "event") != "ended" || (stands && *tick > since);
        }
    }
    // A doubted probe raises nothing; then the doubt itself has been told.
    let doubted = world.written.iter().any(|(tick, n)| {
        (since - 240..=until).contains(tick) && concerns(n, enclosure) && word(n, "cause").starts_with("probe-")
    });
    if !stands && !doubted {
        said.push(format!("e{enclosure} was past a limit from {since} on and {causes:?} was not told by {until}"));
    }
}

/// What is raised of an enclosure's warmth has shown itself in a reading of late.
fn told_is_seen(world: &World, said: &mut Vec<Complaint>) {
    for (tick, notice) in world.written.iter().filter(|(_, n)| word(n, "event") == "raised") {
        let cause = word(notice, "cause");
        for enclosure in (0..ENCLOSURES).filter(|e| concerns(notice, *e)) {
            let seen = |past: &dyn Fn(f64, bool) -> bool| {
                let lately = world.heard.iter().filter(|h| h.enclosure == enclosure && h.tick <= *tick);
                lately.filter(|h| h.tick > tick - EVIDENCE).filter(|h| past(h.value, h.warm)).count() >= 3
            };
            let limits = |warm: bool| if warm { WARM } else { COOL };
            // What comes down from far above its band falls, whatever its level.
            let fell =
                world.truth.hot.iter().any(|s| s.enclosure == enclosure && (s.until..s.until + 240).contains(tick));
            // A heater's own failure may be told before any limit: then it has left what it always kept.
            let shown = match cause {
                "too-hot" => seen(&|v, warm| v > limits(warm).2),
                "too-cold" => seen(&|v, warm| v < limits(warm).1),
                _ if HOT.contains(&cause) => seen(&|v, warm| v > if warm { 31.1 } else { 24.4 }),
                _ if COLD.contains(&cause) => seen(&|v, warm| v < if warm { 29.9 } else { 23.7 }),
                _ => true,
            };
            if !shown && !fell {
                said.push(format!("{cause} of e{enclosure} was raised at {tick}, and no reading showed it"));
            }
        }
    }
}
