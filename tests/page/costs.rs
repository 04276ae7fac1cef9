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

/// Drawing costs about as much as writing the same bytes a few dozen times: no square of the number of enclosures hides
/// in it. As a ratio of two sizes, so that the machine's speed drops out.
#[test]
#[expect(clippy::disallowed_methods, reason = "a test may look at a clock to compare two costs")]
fn drawing_grows_with_the_wall_and_not_with_its_square() {
    let (mut small, large) = (barn(), barn());
    small.enclosures.truncate(75);
    let cost = |view: &_| {
        let times = (0..9).map(|_| {
            let start = Instant::now();
            std::hint::black_box(wall_of(view));
            start.elapsed()
        });
        times.min().unwrap().as_secs_f64()
    };
    wall_of(&large);
    let ratio = cost(&large) / cost(&small);
    assert!(ratio < 8.0, "four times the enclosures cost {ratio:.1} times as much");
}
