//! Gradient, retreat, night and humidity of one enclosure over days.

use crate::house::{Clock, Said, corn_snake, run as run_house};
use warmside::care::settings::{Care, HumidityCare};
use warmside::finding::bands::Course;
use warmside::finding::{gradient, humidity, night};
use warmside::terms::place::Place;
use warmside::terms::time::Span;

/// Temperatures of both sides and humidity of the cool side at a minute.
#[derive(Clone, Copy)]
pub struct Air {
    pub warm_c: f64,
    pub cool_c: f64,
    pub rh: f64,
}

/// A thermostat whose set point falls by 4 K at night and whose heat comes and goes; the room is a little cooler at night.
fn healthy(c: &Clock) -> Air {
    let follow = |since: i64| 1.0 - libm::exp(-(since as f64) / 40.0);
    let is_day = (480..1_200).contains(&c.minute);
    let day_share = if is_day { follow(c.minute - 480) } else { 1.0 - follow((c.minute - 1_200).rem_euclid(1_440)) };
    let cycle = if c.passed % 24 < 12 { 0.3 } else { -0.3 };
    let warm_c = 26.6 + 4.0 * day_share + cycle + 0.1 * c.noise();
    let cool_c = 22.3 + 1.6 * day_share + 0.3 * cycle + 0.1 * c.noise();
    // The same water in cooler air.
    let rh = 58.0 - 7.0 * day_share + c.noise();
    Air { warm_c, cool_c, rh }
}

fn run_care(care: Care, first: &str, days: i64, every: i64, air: impl Fn(&Clock) -> Air) -> Said {
    let (mut gradient, mut night, mut humidity) =
        (gradient::Judge::default(), night::Judge::default(), humidity::Judge::default());
    run_house(care, first, days, |clock, around, now, out| {
        if clock.passed % every == 0 {
            let Air { warm_c, cool_c, rh } = air(clock);
            for (place, celsius) in [(Place::WarmSide, warm_c), (Place::CoolSide, cool_c)] {
                gradient.hear(around, place, celsius, Course::default(), now, out);
                humidity.hear_temperature(place, celsius, now);
            }
            night.hear(around, Place::WarmSide, warm_c, now, out);
            humidity.hear_humidity(around, Place::CoolSide, rh, now, out);
        }
    })
}

fn run(first: &str, days: i64, air: impl Fn(&Clock) -> Air) -> Said {
    run_care(corn_snake(), first, days, 1, air)
}

#[test]
fn a_healthy_fortnight_says_nothing_at_any_interval() {
    for every in [1, 15] {
        assert_eq!(run_care(corn_snake(), "2027-03-20", 14, every, healthy).said(), [""; 0]);
    }
}

#[test]
fn a_front_that_stands_open_for_cleaning_loses_no_gradient() {
    let run = run("2027-03-02", 4, |c| match healthy(c) {
        air if (600..640).contains(&c.minute) => Air { warm_c: 25.0, cool_c: 22.5, ..air },
        air => air,
    });
    assert_eq!(run.said(), [""; 0]);
}

#[test]
fn a_gradient_that_is_lost_is_told_once_and_ends() {
    let run = run("2027-03-02", 4, |c| match healthy(c) {
        air if c.day == 2 && (600..840).contains(&c.minute) => {
            Air { warm_c: 27.5 + 0.3 * c.noise(), cool_c: 25.0, ..air }
        }
        air => air,
    });
    assert_eq!(run.said(), ["2027-03-04 11:00 gradient-lost", "2027-03-04 14:05 -gradient-lost"]);
}

#[test]
fn a_retreat_that_is_lost_at_noon_is_told() {
    let sun = |c: &Clock| (1.0 - ((c.minute - 750) as f64 / 120.0).abs()).max(0.0);
    let lost = run("2027-06-02", 4, |c| match healthy(c) {
        air if c.day == 2 => Air { warm_c: air.warm_c + 6.0 * sun(c), cool_c: air.cool_c + 7.0 * sun(c), ..air },
        air => air,
    });
    assert_eq!(lost.said().len(), 2, "{:?}", lost.said());
    assert!(
        lost.said()[0].starts_with("2027-06-04 12:") && lost.said()[0].ends_with(" no-retreat"),
        "{:?}",
        lost.said()
    );
    let a_little = run("2027-06-02", 4, |c| match healthy(c) {
        air if c.day == 2 => Air { cool_c: air.cool_c + 4.0 * sun(c), ..air },
        air => air,
    });
    assert!(a_little.said().iter().all(|said| !said.ends_with("no-retreat")), "{:?}", a_little.said());
}

#[test]
fn a_warm_spell_in_brumation_takes_no_retreat_and_no_gradient() {
    let run = run("2027-12-20", 6, |c| {
        let spell = if c.day >= 2 { 5.0 } else { 0.0 };
        Air { warm_c: 12.3 + spell, cool_c: 12.0 + spell, rh: 50.0 }
    });
    assert_eq!(run.said(), [""; 0], "it is too hot, which the bands say");
}

#[test]
fn nights_that_do_not_come_are_one_fault_until_one_comes() {
    let run = run("2027-03-02", 7, |c| {
        let by_day = healthy(&Clock { minute: 900, ..*c });
        match healthy(c) {
            // From the evening of the second day to that of the fourth the set point stays.
            _ if (1..4).contains(&c.day) && c.day * 1_440 + c.minute < 3 * 1_440 + 1_000 && c.passed > 1_440 + 600 => {
                by_day
            }
            air => air,
        }
    });
    assert_eq!(run.said(), ["2027-03-03 22:45 night-drop-missing", "2027-03-05 20:19 -night-drop-missing"]);
}

#[test]
fn a_warm_room_that_halves_the_drop_is_no_missing_night() {
    let run = run("2027-07-02", 4, |c| {
        let air = healthy(c);
        Air { warm_c: air.warm_c.max(29.2), ..air }
    });
    assert_eq!(run.said(), [""; 0]);
}

#[test]
fn mistings_that_dry_are_healthy_and_a_leak_is_not() {
    let misted = |c: &Clock| {
        let since = (c.minute - 1_140).rem_euclid(1_440).min((c.minute - 540).rem_euclid(1_440));
        35.0 * libm::exp(-(since as f64) / 100.0)
    };
    let healthy_mist = run("2027-03-02", 7, |c| {
        let air = healthy(c);
        Air { rh: (air.rh - 5.0 + misted(c)).min(99.0), ..air }
    });
    assert_eq!(healthy_mist.said(), [""; 0]);
    let leak = run("2027-03-02", 7, |c| match healthy(c) {
        air if c.passed >= 3 * 1_440 + 600 && c.passed < 5 * 1_440 => Air { rh: 92.0, ..air },
        air => air,
    });
    assert_eq!(leak.said(), ["2027-03-05 15:59 humidity-high", "2027-03-07 00:29 -humidity-high"]);
}

#[test]
fn a_misting_must_dry_within_the_time_that_is_stated() {
    let mut care = corn_snake();
    care.humidity = care.humidity.map(|h| HumidityCare { dries_within: Some(Span::h(4)), ..h });
    let wet_for = |minutes: i64| {
        run_care(care.clone(), "2027-03-02", 4, 1, move |c| {
            let wet = c.day == 2 && (600..600 + minutes).contains(&c.minute);
            Air { warm_c: 30.6, cool_c: 24.0, rh: if wet { 85.0 } else { 50.0 } }
        })
    };
    let about_humidity = |said: &Said| said.all.iter().filter(|s| s.contains("humidity")).cloned().collect::<Vec<_>>();
    assert_eq!(about_humidity(&wet_for(235)), [""; 0]);
    assert_eq!(
        about_humidity(&wet_for(300)),
        ["2027-03-04 13:59 humidity-high", "2027-03-04 15:29 -humidity-high"],
        "four hours, and over when it has been dry for half an hour"
    );
}

#[test]
fn a_dry_spell_is_told_and_a_dry_noon_is_not() {
    let noon = run("2027-03-02", 6, |c| match healthy(c) {
        air if (600..1_000).contains(&c.minute) => Air { rh: 33.0, ..air },
        air => air,
    });
    assert_eq!(noon.said(), [""; 0]);
    let spell = run("2027-03-02", 6, |c| match healthy(c) {
        air if c.passed >= 3 * 1_440 => Air { rh: 28.0, ..air },
        air => air,
    });
    assert_eq!(spell.said(), ["2027-03-05 07:59 humidity-low"]);
}

#[test]
fn a_soaked_sensor_is_not_weather() {
    let soaked = run("2027-03-02", 6, |c| match healthy(c) {
        air if c.passed >= 3 * 1_440 => Air { rh: 99.9, ..air },
        air => air,
    });
    assert_eq!(soaked.said(), [""; 0]);
}

#[test]
fn air_is_taken_to_its_place_by_its_dew_point() {
    // 25 °C / 60 % air is 72 % at 22 °C (computed): the probe on the warm side reads 60 and means more on the cool side.
    let (mut judge, mut at_cool) = (humidity::Judge::default(), None);
    let said = run_house(corn_snake(), "2027-03-02", 1, |_, around, now, out| {
        judge.hear_temperature(Place::WarmSide, 25.0, now);
        judge.hear_temperature(Place::CoolSide, 22.0, now);
        judge.hear_humidity(around, Place::WarmSide, 60.0, now, out);
        at_cool = judge.at_place(Place::CoolSide, now.mono);
        let measured: Vec<_> = judge.everywhere(now.mono).into_iter().map(|air| (air.place, air.measured)).collect();
        assert_eq!(measured, [(Place::WarmSide, true), (Place::CoolSide, false)]);
    });
    assert!((at_cool.expect("both are heard") - 72.0).abs() < 0.5);
    assert_eq!(said.said(), ["2027-03-02 08:00 humidity-high"], "12 % over for 8 h");
}
