//! Vapour from simple courses: a front, a misting, a cooling enclosure, probes that are stuck, soaked or rare.

use super::{Told, Vapour};
use crate::nature::moist_air::saturation_hpa;
use crate::terms::place::Place;

const COOL: Place = Place::CoolSide;
const DAY: i64 = 1_440;

/// Air of 15 hPa in a room of 10 hPa, 24 °C over 20 °C, with a small daily wave; a probe that steps by one per cent, every `every`.
struct Home {
    vapour: Vapour,
    hpa: f64,
    celsius: f64,
    every: i64,
    /// Vapour and temperature follow an open front; the heat is dead; the probe has stuck.
    open: bool,
    dead: bool,
    stuck: bool,
    mist: bool,
    percent: f64,
}

fn home(every: i64) -> Home {
    let (open, dead, stuck, mist) = (false, false, false, false);
    Home { vapour: Vapour::default(), hpa: 15.0, celsius: 24.0, every, open, dead, stuck, mist, percent: 50.0 }
}

impl Home {
    fn run(&mut self, minutes: std::ops::Range<i64>) -> Option<Told> {
        for minute in minutes.clone() {
            let wave = libm::sin(minute as f64 / 1_440.0 * core::f64::consts::TAU);
            let (hpa, hpa_min) = if self.open { (10.5, 6.0) } else { (15.0 + 0.4 * wave, 60.0) };
            let (celsius, celsius_min) = match (self.open, self.dead) {
                (true, _) => (22.0, 15.0),
                (_, true) => (20.5, 60.0),
                _ => (24.0 + 0.5 * wave, 30.0),
            };
            self.hpa += (hpa - self.hpa) / hpa_min + if self.mist { 0.5 } else { 0.0 };
            self.celsius += (celsius - self.celsius) / celsius_min;
            self.vapour.level(COOL, minute as f64, self.celsius);
            if minute % self.every == 0 {
                if !self.stuck {
                    let ripple = 0.4 * libm::sin(minute as f64);
                    self.percent = (100.0 * self.hpa / saturation_hpa(self.celsius) + ripple).round();
                }
                self.vapour.hear(COOL, minute as f64 + 0.1, self.percent);
            }
        }
        self.vapour.told(minutes.end as f64)
    }
}

#[test]
fn a_front_is_noticed_within_a_quarter_of_an_hour_whatever_the_probe_and_lasts_until_it_is_closed() {
    for every in [1, 2, 5] {
        let mut home = home(every);
        home.run(0..3 * DAY);
        home.open = true;
        let told = home.run(3 * DAY..3 * DAY + 18).unwrap();
        assert!(told.since_opened < 18.0 && !told.lasts, "every {every} min: {told:?}");
        let told = home.run(3 * DAY + 18..3 * DAY + 110).unwrap();
        assert!(told.lasts, "every {every} min: {told:?}");
        home.open = false;
        let told = home.run(3 * DAY + 110..3 * DAY + 200).unwrap();
        assert!(!told.lasts, "closed, every {every} min: {told:?}");
    }
}

#[test]
fn heat_that_dies_moves_no_vapour_and_that_is_told_where_an_opening_would_show() {
    let mut home = home(1);
    home.run(0..DAY);
    home.open = true;
    home.run(DAY..DAY + 10);
    home.open = false;
    home.run(DAY + 10..2 * DAY);
    home.dead = true;
    let told = home.run(2 * DAY..2 * DAY + 90).unwrap();
    assert!(told.since_opened > DAY as f32 / 2.0 && told.still >= 90.0, "{told:?}");
}

#[test]
fn air_that_is_as_dry_as_the_rooms_does_not_vouch_for_a_closed_front() {
    let mut home = home(1);
    home.run(0..2 * DAY);
    assert_eq!(home.vapour.told(2.0 * DAY as f64).unwrap().still, 0.0, "nothing has shown how dry the room is");
}

#[test]
fn a_misting_is_told() {
    let mut home = home(2);
    home.run(0..DAY);
    home.mist = true;
    let told = home.run(DAY..DAY + 10).unwrap();
    assert!(told.since_wetted < 6.0 && told.since_opened.is_infinite(), "{told:?}");
}

#[test]
fn a_probe_that_is_stuck_soaked_silent_or_absurd_tells_nothing() {
    let mut stuck = home(1);
    stuck.run(0..DAY);
    (stuck.stuck, stuck.open) = (true, true);
    let told = stuck.run(DAY..DAY + 60).unwrap();
    assert!(told.since_opened.is_infinite() && told.still < 60.0, "the fall of the temperature alone: {told:?}");
    assert_eq!(stuck.run(DAY + 60..DAY + 300), None, "stuck for hours");
    for value in [99.9, 0.0, -4.0, f64::NAN, 230.0] {
        let mut home = home(1);
        home.run(0..DAY);
        for minute in DAY..DAY + 90 {
            home.vapour.level(COOL, minute as f64, 24.0);
            home.vapour.hear(COOL, minute as f64, value);
        }
        assert_eq!(home.vapour.told(DAY as f64 + 90.0), None, "{value}");
    }
    let mut silent = home(1);
    silent.run(0..DAY);
    assert!(silent.vapour.told(DAY as f64 + 10.0).is_some());
    assert_eq!(silent.vapour.told(DAY as f64 + 61.0), None);
    assert_eq!(Vapour::default().told(0.0), None);
}

#[test]
fn a_probe_without_a_thermometer_beside_it_tells_nothing() {
    let mut vapour = Vapour::default();
    for minute in 0..DAY {
        vapour.level(Place::WarmSide, minute as f64, 30.0);
        vapour.hear(COOL, minute as f64, 50.0 + (minute % 3) as f64);
    }
    assert_eq!(vapour.told(DAY as f64), None);
}
