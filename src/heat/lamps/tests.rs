//! Lamps that go by the clock, out of turn, too deep; meters that see the day.

use super::{Lamps, Told};

const DAY: i64 = 1_440;

/// Lit from 8 to 20 h; the level is 2 K higher then, within half an hour.
fn plan(minute: i64) -> bool {
    (480..1_200).contains(&minute.rem_euclid(DAY))
}

struct Home {
    lamps: Lamps,
    celsius: f64,
    /// Its effect, K.
    warms: f64,
}

impl Home {
    fn run(&mut self, minutes: std::ops::Range<i64>, on: impl Fn(i64) -> bool) -> Option<Told> {
        for minute in minutes.clone() {
            let lit = on(minute);
            self.celsius += (30.0 + if lit { self.warms } else { 0.0 } - self.celsius) / 15.0;
            self.lamps.power(minute as f64, if lit { 40.0 } else { 0.4 });
            self.lamps.level(minute as f64, minute.rem_euclid(DAY) as u16, self.celsius, true);
        }
        self.lamps.told(minutes.end as f64, self.celsius)
    }
}

fn taught() -> Home {
    let mut home = Home { lamps: Lamps::default(), celsius: 30.0, warms: 2.0 };
    home.run(0..3 * DAY, plan);
    home
}

#[test]
fn a_lamp_that_goes_by_the_clock_explains_nothing() {
    let mut home = taught();
    for hour in 0..24 {
        let told = home.run(3 * DAY + 60 * hour..3 * DAY + 60 * hour + 60, plan).unwrap();
        assert!(!told.explains, "{hour} h: {told:?}");
    }
}

#[test]
fn a_lamp_out_of_turn_explains_what_it_did_before_and_no_more() {
    let noon = 3 * DAY + 720;
    for (warms, explains) in [(2.0, true), (4.5, false)] {
        let mut home = taught();
        home.run(3 * DAY..noon, plan);
        let told = home.run(noon..noon + 40, |_| false).unwrap();
        assert!(!told.on && told.since_change <= 40.0, "{told:?}");
        // A fall of `warms` K: 2 K by the lamp, more by something else.
        home.celsius = 32.0 - warms;
        assert_eq!(home.lamps.told((noon + 41) as f64, home.celsius).unwrap().explains, explains, "{warms} K");
    }
}

#[test]
fn a_lamp_at_night_explains_its_rise() {
    let mut home = taught();
    let night = 3 * DAY + 60;
    home.run(3 * DAY..night, plan);
    let told = home.run(night..night + 100, |_| true).unwrap();
    assert!(told.on && told.explains, "{told:?}");
}

#[test]
fn the_day_in_a_meter_is_no_lamp_and_watts_outrank_it() {
    let mut lamps = Lamps::default();
    for minute in 0..3 * DAY {
        let sun = 1_500.0 * libm::sin((minute.rem_euclid(DAY) - 360) as f64 / 720.0 * core::f64::consts::PI).max(0.0);
        lamps.lit(minute as f64, sun);
        lamps.level(minute as f64, minute.rem_euclid(DAY) as u16, 30.0, true);
    }
    assert_eq!(lamps.learned().map(|l| (l.up, l.down)), Some((None, None)));
    lamps.power(3.0 * DAY as f64, 40.0);
    lamps.lit(3.0 * DAY as f64 + 1.0, 0.0);
    assert!(lamps.told(3.0 * DAY as f64 + 1.0, 30.0).unwrap().on);
}

#[test]
fn silence_and_nonsense_tell_nothing() {
    let mut lamps = Lamps::default();
    for lx in [f64::NAN, -5.0, 1e9, 20.0] {
        lamps.lit(0.0, lx);
    }
    lamps.power(0.0, f64::NAN);
    assert_eq!(lamps.told(0.0, 30.0), None);
    let home = taught();
    assert_eq!(home.lamps.told((4 * DAY) as f64, 30.0), None, "sixteen hours silent");
}
