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
use warmside::heat::settings::Source;
use warmside::heat::{Input, Watch};
use warmside::terms::place::Place;
use warmside::terms::time::Now;

#[global_allocator]
static COUNTING: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

const ENCLOSURES: usize = 4;
const DAYS: i64 = 3;
/// Of one enclosure's heat, whatever drives it: bytes, 8 kB. What a humidity probe and a lamp have taught comes on top.
const HEAT_AT_MOST: usize = 8_192;
/// Of one with two heated places, each with its plug: what each place and its plug have been like is known by itself, 7.5 kB, and
/// shared is next to nothing. The wanted 8 kB hold for one place.
const HEAT_OF_TWO_AT_MOST: usize = 15_672;

#[test]
fn a_reading_asks_for_no_memory_and_the_heat_of_an_enclosure_is_small() {
    a_reading_in_the_steady_state_asks_for_none();
    what_is_known_of_the_heat_is_small(1, HEAT_AT_MOST);
    what_is_known_of_the_heat_is_small(2, HEAT_OF_TWO_AT_MOST);
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
    let before = COUNTING.stats();
    drop(engine);
    println!("the engine kept {} bytes an enclosure of six probes", -kept(since(&before)) / ENCLOSURES as isize);
}

/// Bytes asked for and not given back; what a reallocation adds or frees is counted as such.
fn kept(since: Stats) -> isize {
    since.bytes_allocated as isize - since.bytes_deallocated as isize
}

/// After days under each control, every plug and relay speaking. The second place is a basking spot whose readings are those of the
/// first, 3 K warmer.
fn what_is_known_of_the_heat_is_small(places: usize, at_most: usize) {
    for control in Control::ALL {
        let case = Case { watts: Watts::Instant, relay: true, ..Case::new(4_001, control, Size::Medium) };
        let mut home = Home::new(case, DAYS);
        let mut settings = settings(&home);
        if let (2, Some(first)) = (places, settings.sources.first()) {
            let second = Source { id: "basking".to_owned(), at: Place::BaskingSpot, ..first.clone() };
            settings.sources.push(second);
        }
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
                for input in std::iter::once(input).chain(beside(input).filter(|_| places == 2)) {
                    watch.hear(input, Now::at(sample.at_ms), &context, &mut changes);
                }
                heap += kept(since(&before));
                changes.clear();
            }
        }
        assert_eq!(watch.pictures().count(), places, "every place is watched");
        let bytes = size_of::<Watch>() + heap.unsigned_abs();
        println!(
            "{}, heated places: {places}: {bytes} bytes, of which {} in itself",
            control.word(),
            size_of::<Watch>()
        );
        assert!(bytes <= at_most, "{}: {bytes} bytes", control.word());
    }
}

/// What the second place says when the first one says this.
fn beside(input: Input) -> Option<Input> {
    match input {
        Input::Level { place: Place::WarmSide, celsius } => {
            Some(Input::Level { place: Place::BaskingSpot, celsius: celsius + 3.0 })
        }
        Input::Power { source: 0, watts } => Some(Input::Power { source: 1, watts }),
        Input::Switch { source: 0, on } => Some(Input::Switch { source: 1, on }),
        _ => None,
    }
}
