//! What a thermostat still steers, and what a day has had before, is no fault: the same pictures with one thing changed.

use super::{cool, feed, level, settings};
use crate::heat::clue::{Beside, Clue};
use crate::heat::picture::Picture;
use crate::heat::verdict::{Cause, Change, Way};
use crate::heat::watts::Plug;
use crate::heat::{Context, Input, Watch, high, lamps, low, vapour};
use crate::terms::place::Place;
use crate::terms::time::Now;

/// Five days of a saw-tooth, dead since three at night: the picture in which the course of the fall tells.
pub(super) fn lost() -> Picture {
    let dead_min = 5 * 1_440 + 180;
    let mut watch = Watch::new(&settings());
    feed(&mut watch, 0..dead_min, dead_min);
    for minute in dead_min..dead_min + 60 {
        feed(&mut watch, minute..minute + 1, dead_min);
        let picture = watch.tracts[0].picture.unwrap();
        if said_low(&picture) == Some((Cause::HeatFailed, Way::Course)) {
            return picture;
        }
    }
    panic!("{} and {} °C tell nothing", level(dead_min + 60, dead_min), cool(dead_min + 60, dead_min));
}

/// Far above every turn of this hour for an hour, the gradient too, and at its highest now.
fn endless() -> Picture {
    let mut picture = lost();
    picture.x += 8.0;
    (picture.fall, picture.v, picture.minute, picture.high.min) = (0.0, 0.0, 150, -picture.x);
    (picture.high.undercut, picture.high.past_min) = (4.0 * picture.high.threshold, Some(61.0));
    let gradient = picture.gradient.as_mut().unwrap();
    (gradient.now, gradient.high.undercut) = (2.0 * gradient.usual, 4.0 * gradient.high.threshold);
    picture
}

fn said_high(picture: &Picture) -> Option<(Cause, Way)> {
    high::judge(picture).map(|s| (s.cause, s.way))
}

pub(super) fn said_low(picture: &Picture) -> Option<(Cause, Way)> {
    low::judge(picture).map(|s| (s.cause, s.way))
}

#[test]
fn a_level_that_a_day_had_at_this_hour_is_no_lost_heat() {
    let mut picture = lost();
    picture.low.lowest = picture.x - 0.1;
    assert_eq!(low::judge(&picture), None);
    picture.low.lowest = picture.x + 0.1;
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Course)));
}

#[test]
fn no_power_is_nothing_missing_where_there_is_no_gradient_to_lose() {
    let mut picture = lost();
    (picture.cycler, picture.low.lowest, picture.low.undercut) = (false, picture.x - 0.1, 2.0);
    picture.clue = Some(Clue { lost: 20.0, none: true, ..Clue::default() });
    let usual = {
        let gradient = picture.gradient.as_mut().unwrap();
        gradient.low.undercut = 0.0;
        std::mem::replace(&mut gradient.low.habit, 0.1 * gradient.usual)
    };
    assert_eq!(low::judge(&picture), None);
    picture.gradient.as_mut().unwrap().low.habit = usual;
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Watts)));
}

#[test]
fn a_level_that_has_turned_is_not_stuck_on() {
    let (mut picture, said) = (endless(), said_high);
    assert_eq!(said(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
    picture.high.min = -(picture.x + 5.0 * picture.s_x);
    assert_eq!(said(&picture), None);
    // One that no thermostat holds goes with the day: more is asked for.
    (picture.high.min, picture.held) = (-picture.x, false);
    assert_eq!(said(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
    picture.high.undercut = 1.2 * picture.high.threshold;
    assert_eq!(said(&picture), None);
    picture.held = true;
    assert_eq!(said(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
    // Beside a single day twice as much.
    (picture.held, picture.high.undercut) = (false, 2.0 * picture.high.threshold);
    assert_eq!(said(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
    picture.high.days = 1;
    assert_eq!(said(&picture), None);
}

#[test]
fn a_fall_that_finds_its_level_is_an_animal_on_the_probe_until_it_is_deep() {
    let mut picture = lost();
    (picture.cycler, picture.fades) = (false, true);
    let gradient = picture.gradient.as_mut().unwrap();
    gradient.low.undercut = 1.2 * gradient.low.threshold;
    picture.low.undercut = 1.2 * picture.low.threshold;
    assert_eq!(said_low(&picture), None);
    picture.fades = false;
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Course)));
    (picture.fades, picture.low.undercut) = (true, 2.1 * picture.low.threshold);
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Course)));
}

#[test]
fn on_the_first_day_a_plug_without_power_asks_for_twice_the_depth() {
    let mut picture = lost();
    (picture.cycler, picture.young, picture.dial) = (false, true, false);
    picture.low.undercut = 1.5 * picture.low.threshold;
    picture.clue = Some(Clue { lost: 20.0, none: true, ..Clue::default() });
    assert_eq!(said_low(&picture), None);
    picture.low.undercut = 2.1 * picture.low.threshold;
    assert_eq!(said_low(&picture).map(|(cause, _)| cause), Some(Cause::HeatFailed));
}

#[test]
fn one_day_does_not_know_what_weak_heat_is() {
    let mut picture = lost();
    (picture.cycler, picture.weak_cycles, picture.v) = (true, true, 0.1);
    (picture.low.undercut, picture.low.past_min) = (-1.0, None);
    assert_eq!(said_low(&picture), Some((Cause::HeatWeak, Way::Cycles)));
    picture.low.days = 1;
    assert_eq!(said_low(&picture), None);
}

#[test]
fn heat_that_runs_away_from_what_is_wanted_is_told_on_the_first_day() {
    let mut picture = endless();
    (picture.fall, picture.v, picture.young, picture.even_rise) = (-0.3, 0.3, true, true);
    (picture.since_hurried_rise, picture.since_dip, picture.since_cool_dip) = (2.0, 30.0, 60.0);
    (picture.high.past_min, picture.high.share) = (Some(12.0), Some(0.2));
    let mut said_when_wanted_to = |high: f64| {
        picture.wanted = Some((high - 4.0, high));
        said_high(&picture)
    };
    let x = endless().x;
    assert_eq!(said_when_wanted_to(x - 1.5), Some((Cause::HeatStuckOn, Way::Course)));
    assert_eq!(said_when_wanted_to(x - 0.5), None, "few set a dial higher than a kelvin out of it");
}

#[test]
fn the_first_day_knows_the_gradient_of_a_lamp_that_came_on_after_a_night_of_none() {
    let mut watch = Watch::new(&settings());
    let (on_min, dead_min) = (8 * 60, 13 * 60);
    let mut said = Vec::new();
    for minute in 0_i64..dead_min + 30 {
        let since = |then: i64| (minute - then).max(0) as f64;
        let lit = 11.0 * (1.0 - libm::exp(-since(on_min) / 25.0));
        let warm = 21.0 + lit * libm::exp(-since(dead_min) / 25.0);
        for (place, celsius) in [(Place::CoolSide, 20.7), (Place::WarmSide, warm)] {
            watch.hear(Input::Level { place, celsius }, Now::at(minute * 60_000), &super::context(minute), &mut said);
        }
    }
    // So fast a fall is no hurried one where there was so much to lose; but heat that sticks may still be as slow as the usual
    // gradient lets it.
    let picture = watch.tracts[0].picture.unwrap();
    assert!(picture.fall_speed.1 > 0.9 && picture.rise_speed.0 < 0.02, "{picture:?}");
    assert!(watch.tracts[0].picture.unwrap().since_hurried_fall > 60.0);
    assert!(matches!(said.first(), Some(Change::Stands(v)) if v.cause == Cause::HeatFailed), "{said:?}");
}

#[test]
fn a_lamp_that_went_off_or_on_out_of_turn_explains_what_it_usually_makes() {
    let mut picture = lost();
    let lamp = |on, explains| Some(lamps::Told { on, since_change: 20.0, explains });
    picture.lamp = lamp(false, true);
    assert_eq!(said_low(&picture), None);
    picture.lamp = lamp(false, false);
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Course)));
    picture.lamp = lamp(false, true);
    picture.wanted = Some((picture.x + 2.0, picture.x + 6.0));
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Course)), "nobody wants that of a lamp");

    let mut picture = endless();
    picture.lamp = lamp(true, true);
    assert_eq!(said_high(&picture), None);
    picture.lamp = lamp(true, false);
    assert_eq!(said_high(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
}

#[test]
fn what_vapour_tells_of_a_misting_and_of_a_front_counts() {
    let told = |since_wetted, still| vapour::Told { since_opened: f32::INFINITY, lasts: false, since_wetted, still };
    let mut picture = lost();
    (picture.cycler, picture.low.undercut) = (false, 1.5 * picture.low.threshold);
    picture.vapour = Some(told(10.0, 0.0));
    assert_eq!(said_low(&picture), None, "wet surfaces cool for a while");
    picture.vapour = Some(told(f32::INFINITY, 0.0));
    assert_eq!(said_low(&picture), Some((Cause::HeatFailed, Way::Course)));

    // An hour below, the cool side along since a hurried fall, at the bottom.
    (picture.low.past_min, picture.low.share, picture.since_hurried_fall) = (Some(50.0), Some(0.6), 55.0);
    (picture.v, picture.low.min, picture.low.undercut) = (0.0, picture.x, 1.6 * picture.low.threshold);
    assert_eq!(said_low(&picture).map(|(cause, _)| cause), Some(Cause::LeftOpen));
    picture.vapour = Some(told(f32::INFINITY, 200.0));
    assert_ne!(said_low(&picture).map(|(cause, _)| cause), Some(Cause::LeftOpen), "the air has not changed");
}

#[test]
fn a_hurried_fall_by_day_may_be_hands_where_heat_does_not_cycle() {
    let mut picture = lost();
    (picture.cycler, picture.dial, picture.minute) = (false, false, 840);
    picture.low.undercut = 4.0 * picture.low.threshold;
    let gradient = picture.gradient.as_mut().unwrap();
    gradient.low.undercut = 4.0 * gradient.low.threshold;
    gradient.now = 0.3 * gradient.usual;
    let mut said_after = |min: f64| {
        picture.since_hurried_fall = min;
        said_low(&picture).map(|(cause, _)| cause)
    };
    assert_ne!(said_after(20.0), Some(Cause::HeatFailed));
    assert_eq!(said_after(40.0), Some(Cause::HeatFailed));
}

#[test]
fn a_dimmer_that_has_turned_itself_down_is_not_endless() {
    let endless = |watts_w: f64| {
        let mut plug = Plug::default();
        let beside = |minute: i64, above_k: f64| Beside {
            level: Some(30.0 + above_k),
            below: Some(-1.0),
            above: Some(above_k),
            ..Beside::nothing(minute as f64, &Context { local_minute: (minute % 1_440) as u16, ..Context::default() })
        };
        for minute in 0..4_000_i64 {
            // About 33 W, and for some minutes now and then all that it has.
            let usual_w = if minute % 200 < 6 { 55.0 } else { 33.0 + (minute % 5) as f64 };
            plug.report(usual_w, None, &beside(minute, -1.0));
        }
        for minute in 4_000..4_060 {
            plug.report(watts_w, None, &beside(minute, 1.5));
        }
        plug.clue(&beside(4_060, 1.5), true).endless
    };
    assert!(endless(55.0) > 0.0);
    assert_eq!(endless(41.0), 0.0);
}

#[test]
fn a_cool_side_that_was_not_heard_at_the_peak_still_tells_an_open_front() {
    let mut picture = lost();
    picture.low.share = None;
    let drop = picture.low.drop(picture.x);
    let mut said_when_left = |of_the_fall: f64| {
        let gradient = picture.gradient.as_mut().unwrap();
        gradient.low.peak = gradient.now + of_the_fall * drop;
        said_low(&picture)
    };
    assert_eq!(said_when_left(0.4), None, "the cool side has taken the rest");
    assert_eq!(said_when_left(0.9), Some((Cause::HeatFailed, Way::Course)));
}

/// Heat without end that rises by steps: each is held for an hour and becomes a return, so nothing is past a threshold.
fn crept(hour: u16, above_k: f64) -> Picture {
    let mut picture = endless();
    (picture.minute, picture.since_dip) = (hour * 60, f64::INFINITY);
    (picture.high.undercut, picture.high.past_min) = (0.0, None);
    (picture.high.days, picture.high.lowest, picture.top) = (3, above_k - picture.x, (picture.x - above_k) as f32);
    let gradient = picture.gradient.as_mut().unwrap();
    gradient.high.undercut = 0.0;
    (gradient.low.usual, gradient.high.usual) = (0.7 * gradient.usual, -1.3 * gradient.usual);
    picture
}

#[test]
fn what_was_never_let_go_is_known_by_the_days() {
    let mut picture = crept(14, 3.2);
    assert!(high::is_above(&picture));
    assert!(!high::is_above(&crept(14, 2.8)), "a dial is turned by as much");
    picture.above_min = Some(60.0);
    assert_eq!(said_high(&picture), None, "the sun shines for as long");
    picture.above_min = Some(81.0);
    assert_eq!(said_high(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
    let unpowered = Clue { none: true, ..Clue::default() };
    assert_eq!(said_high(&Picture { clue: Some(unpowered), ..picture }), None);
    assert!(!high::is_above(&Picture { top: picture.x as f32, ..picture }), "a night that is held as the days are");
    // Whatever else warms a held level takes its gradient away.
    let gradient = picture.gradient.as_mut().unwrap();
    gradient.now = 0.9 * gradient.usual;
    assert!(!high::is_above(&picture));
}

#[test]
fn a_rise_that_began_in_the_dark_is_no_dial_and_no_sun() {
    let mut picture = crept(1, 2.2);
    picture.high.past_min = Some(90.0);
    assert!(high::is_above(&picture));
    picture.high.past_min = Some(150.0);
    assert!(!high::is_above(&picture), "it began at half past ten");
    picture.above_min = Some(31.0);
    assert_eq!(said_high(&picture), Some((Cause::HeatStuckOn, Way::Slow)));
}

#[test]
fn lamps_that_burn_by_plan_give_no_more_and_the_sun_takes_both_ends() {
    let mut picture = endless();
    picture.burns_by_plan = true;
    assert_eq!(said_high(&picture), None);
    picture.burns_by_plan = false;
    (picture.held, picture.cycler) = (false, false);
    let (few, enough) = (0.39 * picture.high.undercut, 0.41 * picture.high.undercut);
    let with = |undercut: f64| {
        let mut picture = picture;
        let gradient = picture.gradient.as_mut().unwrap();
        (gradient.high.undercut, gradient.high.threshold) = (undercut, undercut / 2.0);
        said_high(&picture)
    };
    assert_eq!(with(few), None, "most of it is the cool side's as well");
    assert_eq!(with(enough), Some((Cause::HeatStuckOn, Way::Slow)));
}

#[test]
fn on_the_first_day_a_crest_as_the_others_is_no_heat_without_end() {
    let mut picture = endless();
    (picture.young, picture.cycler, picture.since_dip) = (true, true, f64::INFINITY);
    (picture.fall, picture.v) = (-0.5 * picture.rise_speed.1, 0.1);
    (picture.strict_rise, picture.even_rise, picture.high.past_min) = (true, true, Some(2.0));
    (picture.since_hurried_rise, picture.high.share) = (f64::INFINITY, Some(0.1));
    picture.high.undercut = 2.0 * picture.high.threshold;
    picture.top = picture.x as f32 - 0.5;
    assert_eq!(said_high(&picture), Some((Cause::HeatStuckOn, Way::Course)));
    picture.top = picture.x as f32 + 0.1;
    assert_eq!(said_high(&picture), None);
}

#[test]
fn out_of_what_is_wanted_a_fall_that_may_be_a_dial_is_told_from_two_kelvin_on() {
    let picture = lost();
    let at = |minute: u16, undercut: f64, wanted: Option<(f64, f64)>| {
        let mut picture = picture;
        (picture.minute, picture.wanted, picture.low.undercut) = (minute, wanted, undercut);
        (picture.low.past_min, picture.since_hurried_fall) = (Some(5.0), f64::INFINITY);
        said_low(&picture)
    };
    let out = Some((picture.x + 1.1, picture.x + 9.0));
    let told = Some((Cause::HeatFailed, Way::Course));
    assert_eq!(at(180, 1.9, out), told, "nobody turns a dial at night");
    assert_eq!(at(720, 1.9, out), None);
    assert_eq!(at(720, 2.1, out), told);
    assert_eq!(at(720, 2.1, None), None);
}
