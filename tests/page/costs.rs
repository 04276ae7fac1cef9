//! What a wall of 300 costs, in bytes and as a ratio to work of known size.

use crate::house::barn;
use crate::wall_of;
use std::time::Instant;
use warmside::page::{asset, send};

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

/// No square of the number of enclosures hides in the drawing. As a ratio of two sizes, so that the machine's speed drops
/// out; both large, so that the allocator treats both alike.
#[test]
#[expect(clippy::disallowed_methods, reason = "a test may look at a clock to compare two costs")]
fn drawing_grows_with_the_wall_and_not_with_its_square() {
    let small = barn();
    let mut large = barn();
    for copy in ["x", "y", "z"] {
        let more = small.enclosures.iter().cloned().map(|mut e| {
            e.id = format!("{copy}{}", e.id);
            e
        });
        large.enclosures.extend(more);
    }
    let cost = |view: &_| {
        let times = (0..7).map(|_| {
            let start = Instant::now();
            std::hint::black_box(wall_of(view));
            start.elapsed()
        });
        times.min().unwrap().as_secs_f64()
    };
    let (small, large) = (cost(&small), cost(&large));
    println!("300 enclosures {:.1} ms, 1,200 enclosures {:.1} ms", small * 1e3, large * 1e3);
    assert!(large / small < 9.0, "four times the enclosures cost {:.1} times as much", large / small);
}
