//! A whole world in one thread around the real engine: sensors, broker, disk, mail server, clocks, keeper, restarts.
//!
//! Faults that must be survivable, drawn per seed (each run its own mix): rubbish, duplicates, retained ghosts, a silent
//! probe, a lost link, the wall clock stepped by hours, a disk that fails or lies about a commit, a mail server that defers
//! or loses its answer, the process killed between any two steps and restored from disk. What is true is known here and
//! nowhere else: an enclosure that overheats must be mailed, one that does not must not be.
//!
//! A day of it: `WARMSIDE_SEEDS=5000 cargo test --release --test sim`.

#![allow(clippy::disallowed_methods, reason = "the world swings by std's sine")]

mod judges;
mod world;

use judges::Complaint;
use std::collections::BTreeMap;
use world::{Bug, Mark, World};

fn seeds() -> u64 {
    std::env::var("WARMSIDE_SEEDS").ok().and_then(|n| n.parse().ok()).unwrap_or(50)
}

fn run(seed: u64, bug: Option<Bug>) -> (World, Vec<Complaint>) {
    let mut world = World::new(seed, bug);
    world.run();
    let complaints = judges::judge(&world);
    (world, complaints)
}

#[test]
fn every_seed_is_survived_twice_alike_and_every_kind_of_fault_is_met() {
    let mut met: BTreeMap<Mark, u32> = BTreeMap::new();
    for seed in 0..seeds() {
        let (world, complaints) = run(seed, None);
        assert!(complaints.is_empty(), "seed {seed}: {complaints:#?}\n{}", world.story());
        let (again, _) = run(seed, None);
        assert_eq!(world.trace, again.trace, "seed {seed} is not deterministic");
        for mark in &world.marks {
            *met.entry(*mark).or_default() += 1;
        }
    }
    for mark in Mark::ALL {
        assert!(met.contains_key(&mark), "no seed met {mark:?}: {met:?}");
    }
}

#[test]
fn every_planted_bug_is_caught() {
    for bug in Bug::ALL {
        let caught = (0..seeds()).any(|seed| !run(seed, Some(bug)).1.is_empty());
        assert!(caught, "nobody noticed {bug:?}");
    }
}
