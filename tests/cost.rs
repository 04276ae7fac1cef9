//! What a reading costs that no clock need measure: memory that is asked for, and what an enclosure's heat keeps.
//!
//! The allocator of this test counts; it is a crate's, for nothing of ours is unsafe. One test, so that nobody else is counted.

#[path = "home/mod.rs"]
mod home;

use home::rack::{A_DAY, Message, Rack};
use home::sensor::Home;
use home::trial::{context, input, settings};
use home::{Case, Control, DAY_S, Size, Watts};
use stats_alloc::{INSTRUMENTED_SYSTEM, Stats, StatsAlloc};
use std::alloc::System;
use std::sync::Arc;
use warmside::engine::Engine;
use warmside::engine::effect::Effect;
use warmside::engine::event::Event;
use warmside::heat::Watch;
use warmside::terms::time::Now;

#[global_allocator]
static COUNTING: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const ENCLOSURES: usize = 4;
const DAYS: i64 = 3;
/// Of one enclosure's heat, whatever drives it: bytes.
const HEAT_AT_MOST: usize = 8_000;

#[test]
fn a_reading_asks_for_no_memory_and_the_heat_of_an_enclosure_is_small() {
    a_reading_in_the_steady_state_asks_for_none();
    what_is_known_of_the_heat_is_small();
}

fn since(before: &Stats) -> Stats {
    COUNTING.stats() - *before
}

fn a_reading_in_the_steady_state_asks_for_none() {
    let mut rack = Rack::new(ENCLOSURES, DAYS);
    let settings = Arc::new(rack.settings());
    let mut engine: Option<Engine> = None;
    let mut effects = Vec::with_capacity(1_000);
    for day in 0..DAYS {
        let mut asked = 0;
        for Message { at, topic, payload } in rack.day() {
            let now = Now::at(at.as_ms());
            let engine = engine.get_or_insert_with(|| Engine::new(settings.clone(), now));
            while let Some(due) = engine.next_wake().filter(|due| *due <= now.mono) {
                engine.handle(Event::Wake, Now::at(due.as_ms()), &mut effects);
            }
            effects.clear();
            let before = COUNTING.stats();
            let message = Event::Message { topic: &topic, payload: payload.as_bytes(), retained: false };
            engine.handle(message, now, &mut effects);
            let since = since(&before);
            // What is told is worth its memory.
            let quiet = effects.iter().all(|effect| matches!(effect, Effect::Keep(_)));
            asked += usize::from(quiet && since.allocations + since.reallocations > 0);
        }
        println!("day {day}: {asked} of {} readings asked for memory", ENCLOSURES * A_DAY);
        // Once an enclosure and day or so something is learned that needs room.
        assert!(day < 2 || asked <= 5 * ENCLOSURES, "day {day}: {asked} readings asked for memory");
    }
}

/// Bytes asked for and not given back; what a reallocation adds or frees is counted as such.
fn kept(since: Stats) -> isize {
    since.bytes_allocated as isize - since.bytes_deallocated as isize
}

fn what_is_known_of_the_heat_is_small() {
    for control in Control::ALL {
        let case = Case { watts: Watts::Instant, relay: true, ..Case::new(4_001, control, Size::Medium) };
        let mut home = Home::new(case, DAYS);
        let settings = settings(&home);
        let before = COUNTING.stats();
        let mut watch = Watch::new(&settings);
        let mut heap = kept(since(&before));
        let (mut samples, mut changes) = (Vec::new(), Vec::with_capacity(100));
        while home.world.at_s < DAYS * DAY_S {
            home.step(&mut samples);
            for sample in samples.drain(..) {
                let Some(input) = input(&sample) else { continue };
                let context = context(&home);
                let before = COUNTING.stats();
                watch.hear(input, Now::at(sample.at_ms), &context, &mut changes);
                heap += kept(since(&before));
                changes.clear();
            }
        }
        let bytes = size_of::<Watch>() + heap.unsigned_abs();
        println!("{}: {bytes} bytes, of which {} in itself", control.word(), size_of::<Watch>());
        assert!(bytes <= HEAT_AT_MOST, "{}: {bytes} bytes", control.word());
    }
}
