//! What a wall of 300 costs, in bytes and as a ratio to work of known size.

use crate::house::{barn, calm};
use crate::wall_of;
use std::sync::Arc;
use std::time::Instant;
use warmside::config;
use warmside::engine::Engine;
use warmside::engine::event::Event;
use warmside::page::standing::House;
use warmside::page::{asset, send};
use warmside::terms::time::Now;

#[test]
fn a_wall_of_300_is_small() {
    let page = wall_of(&barn());
    let packed = send::gzip(page.as_bytes()).unwrap().len();
    let all = packed
        + [asset::STYLE_TEXT, asset::SCRIPT_TEXT]
            .map(|t| send::gzip(t.as_bytes()).unwrap().len())
            .iter()
            .sum::<usize>();
    assert!(all < 60_000, "{all} bytes packed, {} unpacked", page.len());
    assert!(page.len() < 300_000, "{}", page.len());
}

/// No square of the number of enclosures hides in the drawing: three times the enclosures cost about three times as much,
/// not nine. A ratio, so that the machine's speed drops out; both drawings are short and the quickest of many counts, so
/// that what else the machine does drops out too.
#[test]
#[expect(clippy::disallowed_methods, reason = "a test may look at a clock to compare two costs")]
fn drawing_grows_with_the_wall_and_not_with_its_square() {
    let small = calm();
    let mut large = calm();
    for copy in ["x", "y"] {
        let more = small.enclosures.iter().cloned().map(|mut e| {
            e.id = format!("{copy}{}", e.id);
            e
        });
        large.enclosures.extend(more);
    }
    let time = |view: &_| {
        let start = Instant::now();
        std::hint::black_box(wall_of(view));
        start.elapsed().as_secs_f64()
    };
    let both = (0..200).map(|_| (time(&small), time(&large)));
    let (small, large) = both.fold((f64::MAX, f64::MAX), |(a, b), (c, d)| (a.min(c), b.min(d)));
    println!("24 enclosures {:.2} ms, 72 enclosures {:.2} ms", small * 1e3, large * 1e3);
    assert!(large / small < 6.0, "three times the enclosures cost {:.1} times as much", large / small);
}

/// Nor in the engine's view of itself, with every probe heard: ten times the enclosures and probes cost about ten times as much.
#[test]
#[expect(clippy::disallowed_methods, reason = "a test may look at a clock to compare two costs")]
fn a_view_grows_with_the_house_and_not_with_its_square() {
    let house = |enclosures: usize| {
        let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/config/rack-of-40.toml")).unwrap();
        let text = text.replace("\"a1..a8\"", &format!("\"a1..a{}\"", enclosures - 32));
        let config = config::from_bytes("rack.toml", text.as_bytes(), std::path::Path::new("/nowhere")).unwrap();
        let (now, mut out) = (Now::at(1_772_548_266_000), Vec::new());
        let topics = config.settings.enclosures.iter().map(|e| e.id.clone()).collect::<Vec<_>>();
        let mut engine = Engine::new(Arc::new(config.settings), now);
        for (id, place) in topics.iter().flat_map(|id| ["w", "c"].map(|place| (id, place))) {
            let topic = format!("rack/{id}/{place}/temperature");
            engine.handle(Event::Message { topic: &topic, payload: b"29.5", retained: false }, now, &mut out);
        }
        assert_eq!(engine.counts().accepted as usize, 2 * enclosures);
        engine
    };
    let (small, large) = (house(100), house(1_000));
    let time = |engine: &Engine| {
        let start = Instant::now();
        std::hint::black_box(engine.view());
        start.elapsed().as_secs_f64()
    };
    let both = (0..12).map(|_| (time(&small), time(&large)));
    let (small, large) = both.fold((f64::MAX, f64::MAX), |(a, b), (c, d)| (a.min(c), b.min(d)));
    println!("100 enclosures {:.2} ms, 1000 enclosures {:.2} ms", small * 1e3, large * 1e3);
    assert!(large / small < 15.0, "ten times the enclosures cost {:.1} times as much", large / small);
}

/// What a wall of 300 and a view of 300 cost. `CARGO_PROFILE_DEV_OPT_LEVEL=2 cargo test --test page what_300 -- --ignored --nocapture`.
#[test]
#[ignore = "measures; run it alone"]
#[expect(clippy::disallowed_methods, reason = "a measurement looks at a clock")]
fn what_300_enclosures_cost() {
    let quickest = |mut work: Box<dyn FnMut() -> usize>| {
        let mut once = || {
            let start = Instant::now();
            std::hint::black_box(work());
            start.elapsed().as_secs_f64() * 1e3
        };
        (0..30).map(|_| once()).fold(f64::MAX, f64::min)
    };
    let (drawn, counted) = (barn(), barn());
    let page = wall_of(&drawn);
    let packed = send::gzip(page.as_bytes()).unwrap().len();
    println!("wall of 300: {} bytes, {packed} packed", page.len());
    println!("drawn in {:.1} ms", quickest(Box::new(move || wall_of(&drawn).len())));
    println!("packed in {:.1} ms", quickest(Box::new(move || send::gzip(page.as_bytes()).unwrap().len())));
    println!("counted and sorted in {:.2} ms", quickest(Box::new(move || House::of(&counted).standings.len())));
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/config/rack-of-40.toml")).unwrap();
    let text = text.replace("\"a1..a8\"", "\"a1..a269\"");
    let config = config::from_bytes("rack.toml", text.as_bytes(), std::path::Path::new("/nowhere")).unwrap();
    assert_eq!(config.settings.enclosures.len(), 301);
    let engine = Engine::new(Arc::new(config.settings), Now::at(1_772_548_266_000));
    let view = engine.view();
    let changes: usize = view.enclosures.iter().map(|e| e.coming.len()).sum();
    println!(
        "a view of 301, with {changes} planned changes, in {:.1} ms",
        quickest(Box::new(move || engine.view().enclosures.len()))
    );
}
