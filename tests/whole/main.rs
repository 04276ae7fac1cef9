//! Simulated houses through the whole engine, as keepers would have set them up: what is mailed in health, and what of a fault.
//!
//! The heat room's own figures stand in `src/heat/FIGURES.md`; here bands, trust, comfort, incidents and the desk join in, and
//! mails are counted, not verdicts. The last table stands in `SCOREBOARD.md` beside this file.

#[path = "../home/mod.rs"]
mod home;
mod house;
mod life;
mod plain;
mod score;
mod trouble;
mod truth;

use home::DAY_S;
use house::House;
use life::{Mail, mails};
use trouble::Trouble;

fn raised(mails: &[Mail]) -> Vec<&Mail> {
    mails.iter().filter(|m| m.event == "raised").collect()
}

fn told(mails: &[Mail]) -> Vec<String> {
    mails.iter().filter(|m| m.event != "repeated").map(Mail::words).collect()
}

#[test]
fn healthy_homes_are_told_nothing_urgent() {
    for seed in [3, 13] {
        let mails = mails(House::new(seed, 4, None), 4).mails;
        let urgent: Vec<_> = raised(&mails).into_iter().filter(|m| m.urgency == "now" && m.at_s >= DAY_S).collect();
        assert!(urgent.is_empty(), "seed {seed}: {:#?}", told(&mails));
    }
}

#[test]
fn a_dead_heater_is_one_incident_rightly_named() {
    for seed in [9, 13] {
        let fault_s = 3 * DAY_S + 14 * 3_600;
        let mails = mails(House::new(seed, 4, Some((Trouble::HeatDead, fault_s))), 4).mails;
        let of_it = |m: &&Mail| m.at_s >= fault_s && m.enclosures.contains(&"a1".to_owned());
        let raised: Vec<_> = raised(&mails).into_iter().filter(of_it).collect();
        assert_eq!(raised.len(), 1, "seed {seed}: {:#?}", told(&mails));
        assert_eq!((raised[0].cause.as_str(), raised[0].urgency.as_str()), ("heat-failed", "now"), "seed {seed}");
        assert!(raised[0].at_s - fault_s < 3_600, "seed {seed}: {:#?}", told(&mails));
    }
}

#[test]
fn who_cleans_a_box_with_one_probe_is_not_told_that_it_moved_or_that_its_heat_is_dead() {
    let mails = mails(House::new(7_115, 20, None), 4).mails;
    let of_it = |m: &&Mail| m.enclosures.contains(&"a5".to_owned()) && m.event == "raised";
    let named: Vec<&str> = mails.iter().filter(of_it).map(|m| m.cause.as_str()).collect();
    assert_eq!(named, ["left-open"], "{:#?}", told(&mails));
}

#[test]
fn the_sun_and_a_cold_room_are_named_in_the_first_mail() {
    for (trouble, seed) in [(Trouble::Sun, 7), (Trouble::RoomCold, 7)] {
        let o = score::outcome(trouble, seed);
        assert!(o.right && o.incidents == 1, "{trouble:?}: {:#?}", told(&o.list));
    }
}

#[test]
fn of_a_circuit_without_power_the_first_mail_names_the_circuit() {
    let o = score::outcome(Trouble::PowerOfCircuit, 6_007);
    assert!(o.right && o.incidents == 1, "{:#?}", told(&o.list));
}

#[test]
fn who_cleans_for_an_hour_beside_one_probe_and_the_rooms_is_not_told_that_the_heat_is_dead() {
    let mails = mails(House::new(4_024, 20, None), 10).mails;
    let of_it = |m: &&Mail| m.enclosures.contains(&"a3".to_owned()) && m.cause == "heat-failed" && m.at_s > 2 * DAY_S;
    assert_eq!(mails.iter().filter(of_it).count(), 0, "{:#?}", told(&mails));
}
