//! Values: what is believed at once, held, doubted, and told of the probe.

use crate::house::{BATTERY, COOL, HEAT, House, ROOM, WARM, all_trusted, cool, round, triangle, warm};
use warmside::reading::refusal::Refusal;
use warmside::terms::id::ProbeIx;
use warmside::terms::place::Place;
use warmside::terms::time::Span;
use warmside::trust::{Doubt, Fault, Kind, Verdict};

#[test]
fn a_quiet_week_tells_nothing() {
    let mut house = House::new();
    assert!(all_trusted(&house.run(7 * 1_440, 60, warm, cool)));
    assert_eq!(house.told(), []);
}

#[test]
fn power_on_values_never_pass_and_repeated_they_are_told() {
    let mut house = House::new();
    house.run(300, 30, warm, cool);
    assert_eq!(house.say(WARM, 85.0), Verdict::Doubted(Doubt::Sentinel));
    assert!(all_trusted(&house.run(30, 30, warm, cool)));
    assert_eq!(house.told(), [], "once is nothing");
    for value in [85.0, -127.0] {
        let before = house.events.len();
        let verdicts = house.run(30, 30, |_| value, cool);
        assert!(verdicts.iter().all(|v| matches!(v, Verdict::Doubted(Doubt::Sentinel | Doubt::Impossible))));
        assert_eq!(house.kinds().len(), before / 2 + 1);
        assert_eq!(house.events[before].0, house.minute() - 20, "after ten minutes");
        house.run(60, 30, warm, cool);
        assert!(house.events.last().is_some_and(|(_, e)| e.fault.is_none()));
    }
}

#[test]
fn a_true_overheating_is_believed_alone() {
    // The recorded rise of the open set lwsndr (S. Suthaharan et al., ODC-BY 1.0, CC BY 4.0): steam, a reading every 5 s.
    let rise = [28.4, 36.39, 41.45, 45.53, 49.9, 54.08, 56.56, 51.55, 47.09, 43.24, 40.45, 38.4, 36.77];
    let mut house = House::new();
    house.run(60, 5, |_| 28.3, |_| 25.0);
    let mut trusted_after = None;
    for (i, celsius) in rise.into_iter().enumerate() {
        house.wait(Span::s(5));
        if house.say(WARM, celsius) == Verdict::Trusted && celsius > 40.0 {
            trusted_after.get_or_insert(5 * i - 5);
        }
    }
    assert_eq!(trusted_after, Some(10), "s after the first high reading");
    assert_eq!(house.told(), []);
    // A heater that runs away by 2 K a minute is never even held.
    let mut house = House::new();
    house.run(300, 60, warm, cool);
    assert!(all_trusted(&house.run(15, 60, |m| warm(300.0) + 1.7 * (m - 300.0), cool)));
}

/// The trade-off of `trust/`, both sides: the same jump alone is doubted and told, with a witness it is believed at once.
#[test]
fn a_leap_is_doubted_alone_and_believed_with_a_witness() {
    let leap = |m: f64| if m > 600.0 { 52.0 + 0.1 * triangle(m) } else { warm(m) };
    let mut alone = House::new();
    alone.run(600, 60, warm, cool);
    let verdicts = alone.run(60, 60, leap, cool);
    assert!(verdicts.iter().all(|v| *v != Verdict::Trusted), "{verdicts:?}");
    assert_eq!(alone.told(), [(611, Kind::Faulty, Some(Fault::Unbelievable(Doubt::Step)))]);

    let mut witnessed = House::new();
    witnessed.run(600, 60, warm, cool);
    let follows = |m: f64| if m > 598.0 { 25.0 + 1.9 * (m - 598.0).min(12.0) } else { cool(m) };
    let verdicts = witnessed.run(60, 60, |m| if m > 602.0 { 52.0 + 0.1 * triangle(m) } else { warm(m) }, follows);
    assert!(all_trusted(&verdicts), "the cool side rises too: {verdicts:?}");
}

/// The same leap once more: heat that stays on as it never did is a witness too.
#[test]
fn a_leap_under_heat_that_does_not_go_off_is_believed() {
    let run = |stuck: bool| {
        let mut house = House::with_room();
        let mut verdicts = Vec::new();
        for m in 0..700 {
            house.wait(Span::min(1));
            let minute = f64::from(m);
            // On for 12 of 25 minutes; from 580 on without end.
            let on = m % 25 < 12 || (stuck && m > 580);
            house.say(HEAT, if on { 60.0 } else { 0.0 });
            house.say(ROOM, 20.0);
            house.say(COOL, round(cool(minute)));
            verdicts.push(house.say(WARM, if m > 620 { 50.0 } else { round(warm(minute)) }));
        }
        verdicts[625..].iter().filter(|v| **v == Verdict::Trusted).count()
    };
    assert_eq!((run(false), run(true)), (0, 75));
}

#[test]
fn a_frozen_probe_is_stuck_while_its_neighbour_moves() {
    let mut house = House::new();
    house.run(3 * 1_440, 60, warm, cool);
    let frozen = house.minute();
    let verdicts = house.run(300, 60, |_| 31.2, cool);
    assert!(matches!(house.told()[..], [(m, Kind::Stuck, Some(_))] if m - frozen < 120), "{:?}", house.told());
    assert_eq!(verdicts.last(), Some(&Verdict::Doubted(Doubt::Stuck)));
    house.run(10, 60, warm, cool);
    assert_eq!(house.events.last().map(|(_, e)| e.fault), Some(None), "it moves again");
}

#[test]
fn half_degrees_in_a_dead_band_are_not_stuck() {
    let mut house = House::new();
    let coarse = |m: f64| (warm(m) * 2.0).round() / 2.0;
    house.run(3 * 1_440, 60, coarse, cool);
    // A calm day: the heater hardly works, the coarse probe shows one number, the fine one still trembles.
    house.run(1_440, 60, |_| 31.0, |m| 25.0 + 0.05 * triangle(m));
    assert_eq!(house.told(), []);
}

#[test]
fn a_changed_unit_is_known_by_its_arithmetic() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    let verdicts = house.run(60, 60, |m| warm(m) * 1.8 + 32.0, cool);
    assert!(verdicts.iter().all(|v| *v != Verdict::Trusted));
    assert_eq!(house.kinds(), [Kind::Unit]);
    assert!(house.events[0].0 <= 604);
    let verdicts = house.run(30, 60, warm, cool);
    assert!(all_trusted(&verdicts), "{verdicts:?}");
    assert_eq!(house.events.last().map(|(_, e)| e.fault), Some(None));
}

#[test]
fn a_changed_unit_is_known_where_readings_are_minutes_apart() {
    let mut house = House::new();
    house.run(1_500, 300, warm, cool);
    let verdicts = house.run(120, 300, |m| warm(m) * 1.8 + 32.0, |m| cool(m) * 1.8 + 32.0);
    assert!(verdicts.iter().all(|v| *v != Verdict::Trusted), "{verdicts:?}");
    assert_eq!(house.kinds(), [Kind::Unit, Kind::Unit]);
}

#[test]
fn probes_that_change_their_unit_together_are_no_witnesses_of_heat() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    let verdicts = house.run(60, 60, |m| warm(m) * 1.8 + 32.0, |m| cool(m) * 1.8 + 32.0);
    assert!(verdicts.iter().all(|v| *v != Verdict::Trusted), "{verdicts:?}");
    assert_eq!(house.kinds(), [Kind::Unit, Kind::Unit]);
}

#[test]
fn on_a_dying_battery_what_leaves_its_range_is_the_battery() {
    let mut house = House::new();
    for i in 0..2_000 {
        if i % 10 == 0 {
            house.say(BATTERY, 2.9 - 0.0004 * f64::from(i));
        }
        house.run(1, 60, warm, cool);
    }
    assert_eq!(house.kinds(), [Kind::Battery]);
    assert_eq!(house.events[0].1.place, Some(Place::WarmSide), "the place that it blinds first");
    let verdicts = house.run(300, 60, |m| 31.0 + (m - 2_000.0) * 0.15, cool);
    assert!(all_trusted(&verdicts[..10]), "a low battery alone spoils nothing");
    assert_eq!(verdicts.last(), Some(&Verdict::Doubted(Doubt::Dying)));
    let verdicts = house.run(60, 60, warm, cool);
    assert!(verdicts.iter().all(|v| *v == Verdict::Doubted(Doubt::Dying)), "plausible is no recovery");
    assert!(!house.kinds().contains(&Kind::Noisy));
}

#[test]
fn what_cannot_be_read_is_told_of_the_probe() {
    let mut house = House::new();
    house.run(100, 60, warm, cool);
    for _ in 0..12 {
        house.wait(Span::min(1));
        let mut out = Vec::new();
        house.watch.hear_refused(ProbeIx(WARM), Refusal::Null, house.now, &mut out);
        house.note(out);
        house.say(COOL, 25.0);
    }
    assert_eq!(house.told(), [(111, Kind::Faulty, Some(Fault::Unreadable(Refusal::Null)))]);
}

#[test]
fn what_moved_while_the_machine_slept_has_not_jumped() {
    for (slept, verdict) in [(Span::h(2), Verdict::Trusted), (Span::ZERO, Verdict::Held)] {
        let mut house = House::new();
        house.run(600, 60, warm, cool);
        house.watch.slept(slept);
        house.wait(Span::min(1));
        assert_eq!(house.say(WARM, 41.0), verdict, "slept for {slept}");
    }
}
