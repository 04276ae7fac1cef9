//! Light seen against light planned, over days: each planted fault gives one finding of the right name, health gives none.

use crate::house::{Clock, Said, corn_snake, run as run_house};
use warmside::care::settings::Care;
use warmside::finding::around::Around;
use warmside::finding::light::Judge;
use warmside::finding::light_seen::Evidence;
use warmside::terms::time::{Span, Wall};

/// Lights from 08:00 for 12 h in Dublin; a report every `every` minutes of what `evidence` sees (none where it sees nothing).
fn run(first: &str, days: i64, every: i64, evidence: impl Fn(&Clock) -> Vec<Evidence>) -> Said {
    let care = Care { light: corn_snake().light, ..Default::default() };
    let (mut judge, mut next_wake) = (Judge::default(), None);
    run_house(care, first, days, |clock, around, now, out| {
        if clock.passed % every == 0 {
            for seen in evidence(clock) {
                judge.hear(around, seen, now, out);
            }
        }
        // The engine wakes a judge at the instant it asked for, not before.
        if next_wake.is_some_and(|wake| now.mono >= wake) {
            judge.wake(around, now, out);
        }
        next_wake = judge.next_wake(around.wanted, now);
        assert!(next_wake.is_none_or(|wake| wake > now.mono));
    })
}

fn lit(minute: i64) -> bool {
    (480..1_200).contains(&minute)
}

/// A meter by a lamp of 900 lx, with some dusk and noise; the same on every machine.
fn lux(on: bool, clock: &Clock) -> Vec<Evidence> {
    let noise = ((clock.day * 1_440 + clock.minute) * 7_919 % 97) as f64 / 97.0;
    let daylight = if (420..1_320).contains(&clock.minute) { 25.0 } else { 0.3 };
    vec![Evidence::Illuminance(if on { 900.0 + 60.0 * noise } else { 0.0 } + daylight * noise)]
}

#[test]
fn a_healthy_fortnight_over_a_clock_change_says_nothing() {
    for every in [1, 15] {
        for first in ["2027-03-20", "2027-10-24", "2028-02-20"] {
            assert_eq!(run(first, 14, every, |c| lux(lit(c.minute), c)).said(), [""; 0], "{first} {every}");
        }
    }
    let on_change = run("2027-03-20", 14, 1, |c| match c.minute {
        480 => vec![Evidence::LampSwitch(true)],
        1_200 => vec![Evidence::LampSwitch(false)],
        _ => vec![],
    });
    assert_eq!(on_change.said(), [""; 0]);
}

#[test]
fn glitches_breaks_and_people_say_nothing() {
    let run = run("2027-01-05", 14, 1, |c| {
        let lunch = c.day % 3 == 0 && (790..815).contains(&c.minute);
        let cleaning = c.day == 5 && (600..670).contains(&c.minute);
        let a_look_at_night = c.day == 6 && (120..140).contains(&c.minute);
        let up_late = c.day == 7 && (1_200..1_255).contains(&c.minute);
        let glitch = (c.minute + c.day * 131) % 400 == 7;
        let on = (lit(c.minute) && !lunch && !cleaning) || a_look_at_night || up_late;
        lux(on != glitch, c)
    });
    assert_eq!(run.said(), [""; 0]);
}

#[test]
fn the_times_of_light_are_kept_for_the_page() {
    let mut judge = Judge::default();
    let care = Care { light: corn_snake().light, ..Default::default() };
    let (mut lit, mut threshold) = (vec![], None);
    run_house(care, "2027-01-05", 3, |clock, around, now, out| {
        lux((480..1_200).contains(&clock.minute), clock)
            .into_iter()
            .for_each(|seen| judge.hear(around, seen, now, out));
        if clock.day == 2 && clock.minute == 1_260 {
            let midnight = now.wall - Span::min(1_260);
            lit = judge.lit_since(midnight);
            lit.iter_mut().for_each(|(from, until)| {
                *from = Wall::from_ms(from.since(midnight).as_ms() / 60_000);
                *until = until.map(|at| Wall::from_ms(at.since(midnight).as_ms() / 60_000));
            });
            threshold = judge.seen().threshold_lx();
        }
    });
    let minute = Wall::from_ms;
    assert_eq!(lit, [(minute(480), Some(minute(1_200)))]);
    // Lit at 900 to 985 lx, dark at next to nothing: two fifths of the way.
    assert!(threshold.is_some_and(|lx| (360.0..400.0).contains(&lx)), "{threshold:?}");
}

#[test]
fn a_lamp_that_does_not_come_on_is_missing_until_it_keeps_its_time_again() {
    let run = run("2027-01-05", 7, 1, |c| {
        let replaced = c.day > 4 || (c.day == 4 && c.minute >= 900);
        lux(lit(c.minute) && (c.day < 3 || replaced), c)
    });
    assert_eq!(run.said(), ["2027-01-08 09:15 light-missing", "2027-01-09 20:05 -light-missing"]);
}

#[test]
fn a_lamp_that_is_dead_from_the_first_day_is_missing() {
    let run = run("2027-01-05", 2, 1, |c| lux(false, c));
    // Two minutes later than a learned one: some of the daylight is neither dark nor lit beyond doubt.
    assert_eq!(run.said(), ["2027-01-05 09:17 light-missing"]);
}

#[test]
fn a_lamp_that_dies_at_noon_is_missing_at_half_past_one() {
    let run = run("2027-01-05", 5, 1, |c| lux(lit(c.minute) && (c.day < 3 || (c.day == 3 && c.minute < 720)), c));
    assert_eq!(run.said(), ["2027-01-08 13:30 light-missing"]);
}

#[test]
fn a_lamp_that_stays_on_is_stuck() {
    let run = run("2027-01-05", 7, 1, |c| lux(lit(c.minute) || c.day == 3 || (c.day == 4 && c.minute < 120), c));
    assert_eq!(run.said(), ["2027-01-08 01:15 light-stuck-on", "2027-01-09 08:05 -light-stuck-on"]);
    let power = self::run("2027-01-05", 7, 1, |c| {
        vec![Evidence::LampPower(if lit(c.minute) || c.day >= 4 { 61.0 } else { 0.4 })]
    });
    assert_eq!(power.said(), ["2027-01-09 01:15 light-stuck-on"]);
}

#[test]
fn a_timer_that_nobody_set_is_one_fault_of_an_hour() {
    // Spring: 28 March 2027; autumn: 31 October 2027.
    let spring = run("2027-03-20", 16, 1, |c| lux(lit(if c.day < 13 { c.unset } else { c.minute }), c));
    assert_eq!(spring.said(), ["2027-03-28 09:05 light-shifted", "2027-04-02 08:05 -light-shifted"]);
    assert_eq!(spring.shifts, [60]);
    let autumn = run("2027-10-25", 12, 1, |c| lux(lit(c.unset), c));
    assert_eq!(autumn.said(), ["2027-10-31 08:00 light-shifted"]);
    assert_eq!(autumn.shifts, [-60]);
    let slow = run("2027-03-20", 12, 15, |c| lux(lit(c.unset), c));
    assert_eq!(slow.said().len(), 1, "{:?}", slow.said());
    assert_eq!(slow.shifts, [60]);
    let switch = run("2027-03-20", 12, 1, |c| match c.unset {
        480 => vec![Evidence::LampSwitch(true)],
        1_200 => vec![Evidence::LampSwitch(false)],
        _ => vec![],
    });
    assert_eq!(switch.shifts, [60], "{:?}", switch.said());
    assert_eq!(switch.said().len(), 1, "{:?}", switch.said());
}

#[test]
fn a_lamp_that_does_not_come_on_on_the_day_of_the_clock_change_is_missing() {
    let run = run("2027-03-20", 10, 1, |c| lux(lit(c.minute) && c.day != 8, c));
    assert_eq!(run.said(), ["2027-03-28 09:15 light-missing", "2027-03-29 08:05 -light-missing"]);
}

#[test]
fn a_lamp_that_is_the_heat_is_urgent_when_it_fails_and_not_when_it_is_late() {
    let care = || Care { light: corn_snake().light, ..Default::default() };
    let run = |lit: fn(&Clock) -> bool| {
        let mut judge = Judge::default();
        run_house(care(), "2027-01-05", 6, |clock, around, now, out| {
            let around = Around { lamp_heats: true, ..*around };
            lux(lit(clock), clock).into_iter().for_each(|seen| judge.hear(&around, seen, now, out));
        })
    };
    assert_eq!(run(|c| lit(c.minute) && c.day < 4).said(), ["2027-01-09 09:15 light-missing now"]);
    assert_eq!(run(|c| lit(c.minute) || c.day >= 4).said(), ["2027-01-09 01:15 light-stuck-on now"]);
    assert_eq!(run(|c| lit(c.minute - if c.day < 4 { 0 } else { 60 })).said(), ["2027-01-09 09:05 light-shifted"]);
}

#[test]
fn a_timer_that_stood_still_for_three_hours_is_shifted() {
    let run = run("2027-01-05", 8, 1, |c| lux(lit(if c.day < 4 { c.minute } else { c.minute - 180 }), c));
    assert_eq!(
        run.said(),
        ["2027-01-09 09:15 light-missing", "2027-01-09 23:05 light-shifted", "2027-01-09 23:05 -light-missing"]
    );
    assert_eq!(run.shifts, [180]);
}

#[test]
fn a_timer_on_another_seasons_plan_is_one_fault() {
    let run = run("2027-01-05", 8, 1, |c| lux((600..1_080).contains(&c.minute), c));
    assert_eq!(run.said(), ["2027-01-05 09:17 light-missing"]);
}

#[test]
fn a_tube_that_flickers_is_told_once() {
    let run = run("2027-01-05", 6, 1, |c| {
        let flickers = c.day == 3 && (700..1_000).contains(&c.minute);
        lux(lit(c.minute) && !(flickers && c.minute * 7 % 5 < 2), c)
    });
    assert_eq!(run.said().len(), 2, "{:?}", run.said());
    assert!(
        run.said()[0].starts_with("2027-01-08 11:") && run.said()[0].ends_with(" light-flickering"),
        "{:?}",
        run.said()
    );
    assert!(run.said()[1].ends_with(" -light-flickering"));
}

#[test]
fn the_power_of_a_lamp_that_may_be_dimmed_tells_nothing_of_flicker() {
    let care = || Care { light: corn_snake().light, ..Default::default() };
    let run = |lamp_may_waver| {
        let mut judge = Judge::default();
        run_house(care(), "2027-01-05", 6, |clock, around, now, out| {
            let around = Around { lamp_heats: true, lamp_may_waver, ..*around };
            // On a warm day the thermostat dims it to nothing and back, every ten minutes.
            let dimmed = clock.day == 3 && (700..1_000).contains(&clock.minute) && clock.minute % 10 < 5;
            let watts = if lit(clock.minute) && !dimmed { 40.0 } else { 0.0 };
            for seen in [Evidence::LampPower(watts), Evidence::Warmth(30.0)] {
                judge.hear(&around, seen, now, out);
            }
        })
    };
    assert_eq!(run(true).said(), [""; 0]);
    assert!(run(false).said().iter().any(|said| said.contains("light-flickering")), "a lamp on a timer flickers");
}

#[test]
fn a_lamp_under_a_thermostat_blinks_in_health() {
    let run = run("2027-01-05", 8, 1, |c| lux(lit(c.minute) && c.minute % 16 < 11, c));
    assert_eq!(run.said(), [""; 0]);
}

#[test]
fn a_silent_meter_is_no_dark() {
    let run = run("2027-01-05", 6, 1, |c| if c.day < 3 { lux(lit(c.minute), c) } else { vec![] });
    assert_eq!(run.said(), [""; 0]);
}

/// What a basking spot shows under a lamp: 12 K more, coming and going with 25 minutes.
fn warmth(c: &Clock, on: i64, off: i64) -> Vec<Evidence> {
    let since = |then: i64| ((c.minute - then).rem_euclid(1_440)) as f64;
    let rise = |m: f64| 1.0 - libm::exp(-m / 25.0);
    let share = if (on..off).contains(&c.minute) { rise(since(on)) } else { 1.0 - rise(since(off)) };
    let noise = ((c.day * 1_440 + c.minute) * 7_919 % 97) as f64 / 97.0;
    vec![Evidence::Warmth(24.0 + 12.0 * share + 0.4 * noise)]
}

#[test]
fn warmth_tells_a_lamp_that_stays_on_and_a_timer_that_nobody_set() {
    assert_eq!(run("2027-01-05", 14, 1, |c| warmth(c, 480, 1_200)).said(), [""; 0]);
    let stuck = run("2027-01-05", 12, 1, |c| {
        warmth(c, if c.day == 9 { 0 } else { 480 }, if c.day == 8 { 1_440 } else { 1_200 })
    });
    assert_eq!(stuck.said().len(), 2, "{:?}", stuck.said());
    assert!(stuck.said()[0].starts_with("2027-01-13 22:") && stuck.said()[0].ends_with(" light-stuck-on"));
    let spring = run("2027-03-20", 14, 1, |c| {
        let late = if c.day >= 8 { 60 } else { 0 };
        warmth(c, 480 + late, 1_200 + late)
    });
    assert_eq!(spring.said().len(), 1, "{:?}", spring.said());
    assert!(spring.shifts.iter().all(|by| (50..70).contains(by)), "{:?}", spring.shifts);
}

#[test]
fn daylight_behind_a_dead_lamp_is_no_lamp() {
    // The meter stands by a window: up to 150 lx at noon with clouds, beside a lamp of 900 lx.
    let run = run("2027-01-05", 6, 1, |c| {
        let sun = 150.0 * (1.0 - ((c.minute - 720) as f64 / 240.0).abs()).max(0.0);
        let cloud = if c.minute * 31 % 13 < 5 { 0.3 } else { 1.0 };
        vec![Evidence::Illuminance(if lit(c.minute) && c.day < 3 { 900.0 } else { 0.0 } + sun * cloud)]
    });
    assert_eq!(run.said(), ["2027-01-08 09:15 light-missing"]);
}
