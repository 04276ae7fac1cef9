//! Heat on a timer: what should come or go at an hour and does not.

use super::{context, settings};
use crate::heat::settings::{Kind, Settings, Source, Thermostat};
use crate::heat::verdict::{Cause, Change, Way};
use crate::heat::{Input, Watch};
use crate::terms::place::Place;
use crate::terms::time::Now;

/// A lamp without a word on a timer, 8 to 20 h; from `wrong_min` on it stays as it was before that minute: what is said, and how many
/// minutes later. `shown`: told to have no thermostat, behind a plug, and each evening two hours to cool are planned.
fn timer_fails(wrong_min: i64, shown: bool) -> Option<(Cause, i64)> {
    let thermostat = shown.then_some(Thermostat::None);
    let source = Source { kind: Kind::Other, thermostat, watts: None, ..settings().sources.remove(0) };
    let (mut watch, mut out) = (Watch::new(&Settings { sources: vec![source] }), Vec::new());
    let mut celsius = 22.0;
    for m in 0..wrong_min + 180 {
        let lit = |m: i64| (480..1_200).contains(&m.rem_euclid(1_440));
        let burns = lit(m.min(wrong_min - 1));
        let reached = if burns { 34.0 } else { 21.0 };
        celsius += (reached - celsius) / 40.0;
        let (now, mut context) = (Now::at(m * 60_000), context(m));
        if shown {
            let cools = (1_200..1_320).contains(&m.rem_euclid(1_440));
            context.on_its_way[Place::WarmSide.index()] = cools.then_some((19.0, 36.0));
            watch.hear(Input::Power { source: 0, watts: if burns { 70.0 } else { 0.2 } }, now, &context, &mut out);
        }
        let cool_c = 21.0 + 0.2 * (celsius - 21.0);
        watch.hear(Input::Level { place: Place::CoolSide, celsius: cool_c }, now, &context, &mut out);
        let noise = 0.03 * (m.rem_euclid(3) - 1) as f64;
        watch.hear(Input::Level { place: Place::WarmSide, celsius: celsius + noise }, now, &context, &mut out);
        if let Some(Change::Stands(v)) = out.first() {
            // It stays as it was: no fall and no rise is told of, and the days are what it is set against.
            let above_k = v.evidence.furthest_known.map(|known| v.evidence.level_now - known);
            assert!(
                v.evidence.level_then.is_none()
                    && (v.evidence.way != Way::Watts || above_k > Some(2.0) || !v.cause.is_hot()),
                "{v:?}"
            );
            assert!(v.evidence.over.as_min() <= (m - wrong_min) as f64 + 1.0, "{v:?}");
            return Some((v.cause, m - wrong_min));
        }
    }
    None
}

#[test]
fn heat_that_a_timer_should_bring_or_end_is_told_within_the_hour() {
    let morning = timer_fails(4 * 1_440 + 480, false);
    assert!(matches!(morning, Some((Cause::HeatFailed, 5..=40))), "{morning:?}");
    let evening = timer_fails(4 * 1_440 + 1_200, false);
    assert!(matches!(evening, Some((Cause::HeatStuckOn, 25..=60))), "{evening:?}");
}

#[test]
fn power_at_an_hour_that_never_had_any_is_told_although_the_evening_is_planned() {
    let evening = timer_fails(4 * 1_440 + 1_200, true);
    assert!(matches!(evening, Some((Cause::HeatStuckOn, 30..=100))), "{evening:?}");
    let morning = timer_fails(4 * 1_440 + 480, true);
    assert!(matches!(morning, Some((Cause::HeatFailed, 0..=60))), "{morning:?}");
}

/// Four days of a lamp from 8 to 20 h behind a plug, told to have no thermostat; the level is heard every tenth minute, the plug each. On
/// the fifth day the sun lifts the warm end from one o'clock on by so many K, or the lamp dies then: what is said first.
fn at_one_o_clock(sun_k: f64, dies: bool) -> Option<crate::heat::verdict::Verdict> {
    let source =
        Source { kind: Kind::Other, thermostat: Some(Thermostat::None), watts: None, ..settings().sources.remove(0) };
    let (mut watch, mut out) = (Watch::new(&Settings { sources: vec![source] }), Vec::new());
    let one = 4 * 1_440 + 785_i64;
    let (mut celsius, mut lift) = (22.0, 0.0);
    for m in 0..one + 180 {
        let lit = (480..1_200).contains(&m.rem_euclid(1_440)) && !(dies && m >= one);
        celsius += (if lit { 34.0 } else { 21.0 } - celsius) / 40.0;
        lift += (if m >= one { sun_k } else { 0.0 } - lift) / 30.0;
        let (now, context) = (Now::at(m * 60_000), context(m));
        watch.hear(Input::Power { source: 0, watts: if lit { 70.0 } else { 0.2 } }, now, &context, &mut out);
        if m % 10 == 0 {
            let cool_c = 21.0 + 0.2 * (celsius - 21.0) + 0.6 * lift;
            watch.hear(Input::Level { place: Place::CoolSide, celsius: cool_c }, now, &context, &mut out);
            watch.hear(Input::Level { place: Place::WarmSide, celsius: celsius + lift }, now, &context, &mut out);
        }
    }
    out.into_iter().find_map(|change| match change {
        Change::Stands(verdict) => Some(verdict),
        Change::Calm(..) => None,
    })
}

#[test]
fn power_at_its_usual_hour_does_not_make_the_sun_a_time_switch_that_stuck() {
    assert!(
        at_one_o_clock(8.0, false).is_none_or(|v| v.cause != Cause::HeatStuckOn),
        "{:?}",
        at_one_o_clock(8.0, false)
    );
}

#[test]
fn a_verdict_that_a_report_of_the_plug_brings_tells_the_watts_of_that_report() {
    let said = at_one_o_clock(0.0, true).expect("there is no power");
    assert_eq!((said.cause, said.evidence.power_now_w), (Cause::HeatFailed, Some(0.2)), "{said:?}");
}
