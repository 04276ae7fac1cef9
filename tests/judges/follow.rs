//! How long an enclosure takes to follow: learned from its own changes, and what that makes of the next.

use crate::climate::Air;
use crate::house::{Clock, Said, corn_snake, run_with};
use warmside::care::plan::FOLLOWS_WITHIN;
use warmside::finding::bands::{self, Course};
use warmside::finding::follow::{Follow, LEAST};
use warmside::finding::night;
use warmside::terms::place::Place;
use warmside::terms::time::Span;

/// A house whose warm side comes and goes with `tau_min`, as `air` says; what the judges say and what was learned at the end.
fn run(days: i64, air: impl Fn(&Clock) -> Option<Air>) -> (Said, Follow) {
    let (mut follow, mut night, mut band) = (Follow::default(), night::Judge::default(), bands::Judge::default());
    let said = run_with(corn_snake(), "2027-03-02", days, |clock, around, now, plan, out| {
        let Some(air) = air(clock) else { return };
        for (place, celsius) in [(Place::WarmSide, air.warm_c), (Place::CoolSide, air.cool_c)] {
            if follow.hear(around.wanted, place, celsius, !around.hold, now) {
                plan.set_follows_within(follow.within().unwrap_or(FOLLOWS_WITHIN));
            }
        }
        night.hear(around, Place::WarmSide, air.warm_c, now, out);
        let warm = around.wanted.place(Place::WarmSide).expect("judged");
        let limits = bands::Limits {
            wanted_low: warm.low_judged.then_some(warm.wanted.low),
            wanted_high: Some(night::too_hot_from(warm)),
            ..bands::Limits::default()
        };
        let (subject, course) = (around.subject, Course::default());
        let spot =
            bands::Spot { subject, place: Place::WarmSide, limits, course, hold: false, opened: false, unlike: false };
        band.hear(&spot, air.warm_c, now, out);
    });
    (said, follow)
}

/// 26.6 °C by night and 30.6 °C by day, on the way between them with a time constant.
fn box_with(tau_min: f64) -> impl Fn(&Clock) -> Option<Air> {
    move |c| {
        let follow = |since: i64| 1.0 - libm::exp(-(since as f64) / tau_min);
        let is_day = (480..1_200).contains(&c.minute);
        let share = if is_day { follow(c.minute - 480) } else { 1.0 - follow((c.minute - 1_200).rem_euclid(1_440)) };
        Some(Air { warm_c: 26.6 + 4.0 * share, cool_c: 22.3 + 1.6 * share, rh: 50.0 })
    }
}

#[test]
fn a_fast_box_is_given_less_time_and_a_slow_one_more() {
    // Into the band of the day: from 26.6 to 29 of 30.6 °C, ln(4 / 1.6) = 0.92 time constants; of the night: 30.6 to 29, 0.51.
    let (said, fast) = run(6, box_with(20.0));
    assert_eq!(said.said(), [""; 0]);
    assert_eq!(fast.within(), Some(LEAST));
    let (said, slow) = run(6, box_with(110.0));
    assert_eq!(said.said(), [""; 0], "it needs 101 min, which the waiting time of the band still forgives");
    assert_eq!(slow.within(), Some(Span::min(130)), "101 min and a quarter more, in steps of 5");
    assert!(slow.changes() >= 10, "{}", slow.changes());
}

#[test]
fn what_takes_longer_than_it_is_given_alarms_until_that_is_learned() {
    // 0.92 time constants of 400 min: 368 min.
    let (said, slow) = run(8, box_with(400.0));
    let days: Vec<&str> = said.said().iter().filter(|s| s.ends_with(" too-cold")).map(|s| &s[..10]).collect();
    assert_eq!(days, ["2027-03-02", "2027-03-03", "2027-03-04"], "three changes make it known");
    assert_eq!(slow.within(), Some(Span::h(4)), "and no more than this");
}

#[test]
fn a_fast_box_is_told_sooner_that_its_night_did_not_come() {
    let by_day = |c: &Clock| Clock { minute: 900, ..*c };
    let stuck_on = |day: i64| {
        move |c: &Clock| {
            let stays = c.day * 1_440 + c.minute >= day * 1_440 + 1_000;
            box_with(20.0)(&if stays { by_day(c) } else { Clock { ..*c } })
        }
    };
    // At first: 90 min, a third of that in which the day's band fades, and 45 min of patience.
    assert_eq!(run(2, stuck_on(0)).0.said(), ["2027-03-02 22:45 night-drop-missing"]);
    assert_eq!(run(8, stuck_on(6)).0.said(), ["2027-03-08 21:45 night-drop-missing"]);
}

#[test]
fn nights_that_do_not_come_and_hands_make_nobody_patient() {
    let by_day = |c: &Clock| Clock { minute: 900, ..*c };
    let (_, none) = run(6, |c| box_with(20.0)(&by_day(c)));
    assert_eq!((none.within(), none.changes()), (None, 0));
    // Heard only in the afternoon: nobody saw when it arrived.
    let (_, unseen) = run(6, |c| box_with(20.0)(c).filter(|_| (800..1_100).contains(&c.minute)));
    assert_eq!(unseen.within(), None);
    // One slow morning of six is forgiven.
    let (_, once) = run(6, |c| box_with(if c.day == 3 { 150.0 } else { 20.0 })(c));
    assert_eq!(once.within(), Some(LEAST));
}
