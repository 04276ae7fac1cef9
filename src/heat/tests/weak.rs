//! A heater that has grown weak, cycle by cycle, and a day that only looks like it.

use super::{context, settings};
use crate::heat::verdict::{Cause, Change};
use crate::heat::{Input, Watch};
use crate::terms::place::Place;
use crate::terms::time::Now;

/// An on-off thermostat between 29 and 31 °C whose heater has `power` of what it had from ten in the morning of the fifth day on, for
/// so many hours: after how many minutes weak heat is told within two days.
fn weakened(power: f64, hours: i64) -> Option<i64> {
    let from_min = 4 * 1_440 + 600;
    let (mut watch, mut out) = (Watch::new(&settings()), Vec::new());
    let (mut celsius, mut on) = (29.0, true);
    for m in 0..from_min + 2 * 1_440 {
        let weak = (from_min..from_min + hours * 60).contains(&m);
        on = if on { celsius < 31.0 } else { celsius < 29.0 };
        // What the heater gives less what is lost.
        celsius += if on { 0.2 * if weak { power } else { 1.0 } - 0.1 } else { -0.1 };
        let cool_c = 24.0 + 0.1 * (celsius - 30.0);
        for (place, celsius) in [(Place::CoolSide, cool_c), (Place::WarmSide, celsius)] {
            watch.hear(Input::Level { place, celsius }, Now::at(m * 60_000), &context(m), &mut out);
        }
        let weak = |c: &Change| matches!(c, Change::Stands(v) if v.cause == Cause::HeatWeak);
        if out.drain(..).any(|c| weak(&c)) {
            return Some(m - from_min);
        }
    }
    None
}

#[test]
fn a_heater_that_stays_weak_is_told_and_one_that_was_for_a_morning_is_not() {
    let told = weakened(0.75, 48);
    assert!(matches!(told, Some(720..=1_800)), "{told:?}");
    assert_eq!(weakened(0.75, 9), None);
}
