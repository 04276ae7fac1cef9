//! What a thermostat still steers, and what a day has had before, is no fault: the same pictures with one thing changed.

use super::{cool, feed, level, settings};
use crate::heat::clue::{Beside, Clue};
use crate::heat::picture::Picture;
use crate::heat::verdict::{Cause, Way};
use crate::heat::watts::Plug;
use crate::heat::{Context, Watch, high, low};

/// Five days of a saw-tooth, dead since three at night: the picture in which the course of the fall tells.
fn lost() -> Picture {
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

fn said_low(picture: &Picture) -> Option<(Cause, Way)> {
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
    let mut picture = lost();
    // Far above every turn of this hour for an hour, the gradient too, and at its highest now.
    picture.x += 8.0;
    (picture.fall, picture.v, picture.minute) = (0.0, 0.0, 150);
    picture.high.undercut = 4.0 * picture.high.threshold;
    picture.high.past_min = Some(61.0);
    picture.high.min = -picture.x;
    let gradient = picture.gradient.as_mut().unwrap();
    gradient.now = 2.0 * gradient.usual;
    gradient.high.undercut = 4.0 * gradient.high.threshold;
    let said = |picture: &Picture| high::judge(picture).map(|s| (s.cause, s.way));
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
