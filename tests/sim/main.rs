//! A whole world in one thread around the real engine: sensors, broker, disk, mail server, clocks, keeper, restarts.
//!
//! Faults that must be survivable, drawn per seed (each run its own mix, [`chance::Mix`]): rubbish, duplicates, overtaken
//! messages, retained ghosts, a silent or stuck probe, a lost or half-open link, a burst of what a broker kept, the wall
//! clock stepped by hours, a suspended machine, a disk that fails, is slow or lies about a commit, a mail server that
//! defers, refuses or loses its answer, the process killed between any two steps and restored from disk. What is true is
//! known here and nowhere else: an enclosure that overheats must be mailed, one that does not must not be.
//!
//! A night of it: `WARMSIDE_SEEDS=5000 CARGO_PROFILE_DEV_OPT_LEVEL=2 cargo test --test sim every_seed -- --nocapture`; `WARMSIDE_FIRST`
//! goes on where the last one ended. What one of them lived through, with its deaths and without:
//! `WARMSIDE_FIRST=228 cargo test --test sim one_seed -- --ignored --nocapture`.

#![allow(clippy::disallowed_methods, reason = "the world swings by std's sine")]

mod chance;
mod edges;
mod judges;
mod reference;
mod sensors;
mod world;

use chance::{Bug, Deaths, Mark};
use judges::Complaint;
use std::collections::BTreeMap;
use world::World;

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

fn seeds() -> std::ops::Range<u64> {
    let first = number("WARMSIDE_FIRST", 0);
    first..first + number("WARMSIDE_SEEDS", 200)
}

fn lived(seed: u64, bug: Option<Bug>, deaths: Deaths) -> World {
    let mut world = World::new(seed, bug, deaths);
    world.run();
    world
}

fn run(seed: u64, bug: Option<Bug>) -> (World, Vec<Complaint>) {
    let world = lived(seed, bug, Deaths::draw(seed));
    let mut complaints = judges::judge(&world);
    if bug.is_none() && !world.kills.is_empty() {
        complaints.extend(judges::a_restart_is_no_restart(&world, &lived(seed, bug, Deaths::none())));
    }
    (world, complaints)
}

#[test]
fn every_seed_is_survived_twice_alike_and_every_kind_of_fault_is_met() {
    let mut met: BTreeMap<Mark, u32> = BTreeMap::new();
    let mut bad = Vec::new();
    for seed in seeds() {
        let (world, complaints) = run(seed, None);
        if !complaints.is_empty() {
            bad.push(format!("seed {seed}: {complaints:#?}"));
            println!("seed {seed}\n{}", world.story());
        }
        let again = lived(seed, None, Deaths::draw(seed));
        assert_eq!(world.trace, again.trace, "seed {seed} is not deterministic");
        for mark in &world.marks {
            *met.entry(*mark).or_default() += 1;
        }
    }
    assert!(bad.is_empty(), "{} seeds (their stories are above):\n{}", bad.len(), bad.join("\n"));
    for mark in Mark::ALL {
        assert!(met.contains_key(&mark), "no seed met {mark:?}: {met:?}");
    }
    println!("{met:?}");
}

#[test]
fn every_planted_bug_is_caught() {
    for bug in Bug::ALL {
        let caught = seeds().find(|seed| !run(*seed, Some(bug)).1.is_empty());
        println!("{bug:?} is caught by seed {caught:?}");
        assert!(caught.is_some(), "nobody noticed {bug:?}");
    }
}

#[test]
#[ignore = "shows what one seed lived through"]
fn one_seed() {
    let seed = seeds().start;
    let (world, complaints) = run(seed, None);
    println!("{:#?}\n{:#?}\n{}\n{complaints:#?}", world.mix, world.truth, world.story());
    println!("and without its deaths:\n{}", lived(seed, None, Deaths::none()).story());
}
