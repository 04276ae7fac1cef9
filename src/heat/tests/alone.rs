//! What a probe does while its enclosure stays as it was: it fell out, or an animal lay down on it; and what hands do to both ends.

use super::{context, level, settings};
use crate::heat::verdict::{Cause, Change};
use crate::heat::{Input, Watch};
use crate::terms::place::Place;
use crate::terms::time::Now;

/// At three in the night of the fifth day the warm probe goes to what `alone` makes of the level that it would have shown and the
/// minutes since; the cool side has `along` of it. All that is said within two hours, and after how many minutes.
fn goes(along: f64, alone: impl Fn(f64, f64) -> f64) -> Vec<(Cause, i64)> {
    let went_min = 4 * 1_440 + 180;
    let (mut watch, mut out, mut said) = (Watch::new(&settings()), Vec::new(), Vec::new());
    for m in 0..went_min + 120 {
        let sound = level(m, i64::MAX);
        let warm = if m < went_min { sound } else { alone(sound, (m - went_min) as f64) };
        let cool_c = 24.0 + along * (warm - 30.0);
        for (place, celsius) in [(Place::CoolSide, cool_c), (Place::WarmSide, warm)] {
            watch.hear(Input::Level { place, celsius }, Now::at(m * 60_000), &context(m), &mut out);
        }
        let causes = out.drain(..).filter_map(|c| if let Change::Stands(v) = c { Some(v.cause) } else { None });
        said.extend(causes.map(|cause| (cause, m - went_min)));
    }
    said
}

/// A way from 30 °C to another level, with this time constant, min.
fn toward(to: f64, lag_min: f64) -> impl Fn(f64, f64) -> f64 {
    move |_, since| to + (30.0 - to) * libm::exp(-since / lag_min)
}

#[test]
fn a_probe_that_fell_out_is_told_within_the_hour_and_never_as_failed_heat() {
    for (to, lag_min) in [(17.0, 2.0), (17.0, 7.0), (21.0, 10.0)] {
        let said = goes(0.0, toward(to, lag_min));
        assert!(matches!(said[..], [(Cause::ProbeDisplaced, 12..=60)]), "to {to} within {lag_min} min: {said:?}");
    }
}

#[test]
fn a_cold_animal_that_lies_down_on_the_probe_and_warms_up_is_nothing() {
    let said = goes(0.0, |sound, since| {
        let body = 30.0 - 7.5 * libm::exp(-since / 50.0);
        let covered = 0.85 * (1.0 - libm::exp(-since / 2.0));
        sound + covered * (body - sound)
    });
    assert_eq!(said, []);
}

#[test]
fn a_warm_animal_on_the_probe_is_no_heat_without_end_while_the_cool_side_stays_as_it_was() {
    let lies = |sound: f64, since: f64| sound + 0.85 * (32.6 - sound) * (1.0 - libm::exp(-since / 15.0));
    assert_eq!(goes(0.0, lies), []);
    let stuck = |_: f64, since: f64| 31.0 + 10.0 * (1.0 - libm::exp(-since / 60.0));
    let (alone, along) = (goes(0.0, stuck), goes(0.12, stuck));
    assert!(matches!(along[..], [(Cause::HeatStuckOn, 1..=25)]), "{along:?}");
    // What no animal makes is told all the same, a little later.
    assert!(matches!(alone[..], [(Cause::HeatStuckOn, 1..=60)]) && alone[0].1 > along[0].1, "{alone:?}");
}

/// At one in the afternoon somebody takes the heat off for 38 minutes, as the plug shows, and the cool side goes along by so much of
/// the fall: what is said of it.
fn heat_off(along: f64) -> Vec<Cause> {
    let off_min = 4 * 1_440 + 780;
    let (mut watch, mut out) = (Watch::new(&settings()), Vec::new());
    for m in 0..off_min + 80 {
        let since = (m - off_min) as f64;
        let off = (0.0..38.0).contains(&since);
        let lost_k = if off { 0.13 * since } else { (5.0 - 0.25 * (since - 38.0)).clamp(0.0, 5.0) };
        let lost_k = if since < 0.0 { 0.0 } else { lost_k };
        let rises = level(m + 1, i64::MAX) > level(m, i64::MAX);
        let now = Now::at(m * 60_000);
        let watts = if rises && !off { 100.0 } else { 0.3 };
        watch.hear(Input::Power { source: 0, watts }, now, &context(m), &mut out);
        let warm = if lost_k > 0.0 { 31.0 - lost_k } else { level(m, i64::MAX) };
        for (place, celsius) in [(Place::CoolSide, 24.0 - along * lost_k), (Place::WarmSide, warm)] {
            watch.hear(Input::Level { place, celsius }, now, &context(m), &mut out);
        }
    }
    out.into_iter().filter_map(|c| if let Change::Stands(v) = c { Some(v.cause) } else { None }).collect()
}

#[test]
fn a_plug_without_power_while_both_ends_sink_is_a_cleaning_and_alone_it_is_failed_heat() {
    assert_eq!(heat_off(0.5), []);
    assert_eq!(heat_off(0.05), [Cause::HeatFailed]);
}
