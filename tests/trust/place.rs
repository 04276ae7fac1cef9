//! Where a probe lies: fallen out, in the bowl, exchanged, drifted.

use crate::house::{COOL, HEAT, House, ROOM, WARM, all_trusted, cool, round, triangle, warm};
use warmside::reading::Target;
use warmside::terms::id::{EnclosureIx, ProbeIx, RoomIx};
use warmside::terms::place::Place;
use warmside::terms::time::Span;
use warmside::trust::{Doubt, Event, Fault, Kind, Verdict};

#[test]
fn a_probe_that_fell_out_reads_what_the_room_reads_and_is_no_cold() {
    let room = |m: f64| 20.5 + 0.2 * triangle(m / 7.0);
    let mut house = House::with_room();
    let mut verdicts = Vec::new();
    for m in 0..2_200 {
        house.wait(Span::min(1));
        let minute = f64::from(m);
        house.say(ROOM, round(room(minute)));
        house.say(HEAT, 60.0);
        house.say(COOL, round(cool(minute)));
        let out = (2_000..2_100).contains(&m);
        let level = if out { room(minute) + 10.0 * libm::exp(-(minute - 2_000.0) / 3.0) } else { warm(minute) };
        verdicts.push(house.say(WARM, round(level)));
    }
    let like = Some(Target::Room(RoomIx(0)));
    let told = house.told();
    let [(began, Kind::Displaced, Some(Fault::LiesElsewhere { like: told_like })), (over, Kind::Displaced, None)] =
        told[..]
    else {
        panic!("{told:?}")
    };
    assert!(told_like == like && (2_025..2_045).contains(&began) && (2_118..2_130).contains(&over), "{told:?}");
    assert_eq!(verdicts[2_090], Verdict::Doubted(Doubt::Displaced));
    assert_eq!(verdicts.last(), Some(&Verdict::Trusted), "it lies in its place again");
}

/// A probe with nobody beside it that goes this share of the way to the room's air (°C) with this time constant, min: whether it
/// is called displaced.
fn lone_probe_is_displaced(share: f64, tau_min: f64, room_c: f64) -> bool {
    let room = |m: f64| room_c + 0.2 * triangle(m / 7.0);
    let mut house = House::with_room();
    for m in 0..2_200 {
        house.wait(Span::min(1));
        let minute = f64::from(m);
        house.say(ROOM, round(room(minute)));
        let left = 1.0 - share * (1.0 - libm::exp(-(minute - 2_000.0) / tau_min));
        house.say(WARM, round(if m < 2_000 { warm(minute) } else { room(minute) + (30.0 - room_c) * left }));
    }
    house.told().iter().any(|(_, kind, _)| *kind == Kind::Displaced)
}

#[test]
fn a_lone_probe_is_displaced_only_by_all_of_the_way_to_the_room_at_once() {
    assert!(lone_probe_is_displaced(1.0, 3.0, 20.5), "no enclosure cools like that");
    assert!(!lone_probe_is_displaced(1.0, 20.0, 20.5), "the whole of a small one does");
    assert!(!lone_probe_is_displaced(0.8, 3.0, 20.5), "so does the air behind an open front");
    assert!(!lone_probe_is_displaced(1.0, 2.0, 25.6), "and what was hardly warmer than the room proves nothing");
}

#[test]
fn a_probe_that_walks_away_from_its_neighbour_has_drifted() {
    let mut house = House::new();
    let drift = |m: f64| 0.001 * (m - 3.0 * 1_440.0).max(0.0);
    assert!(all_trusted(&house.run(9 * 1_440, 300, |m| warm(m) + drift(m), cool)));
    let told = house.told();
    assert!(
        matches!(told[..], [(m, Kind::Drift, Some(Fault::Drifted { by_k }))] if m > 5 * 1_440 && by_k > 2.9),
        "{told:?}"
    );
    assert!(house.watch.probe(ProbeIx(WARM)).is_some_and(|p| p.sees()), "it goes on being judged by its limits");
}

#[test]
fn a_keepers_own_thermometer_shows_how_far_a_probe_is_off() {
    let mut house = House::new();
    house.run(600, 60, |_| 31.0, cool);
    let target = Target::Enclosure(EnclosureIx(0));
    let mut out = Vec::new();
    assert_eq!(house.watch.check(target, Place::WarmSide, 30.2, house.now, &mut out), Some(0.8000000000000007));
    assert!(out.is_empty(), "within what two thermometers differ");
    assert_eq!(house.watch.check(target, Place::WarmSide, 35.0, house.now, &mut out), Some(-4.0));
    assert!(matches!(out[..], [Event { kind: Kind::Drift, fault: Some(_), .. }]), "{out:?}");
    out.clear();
    house.watch.check(target, Place::WarmSide, 31.5, house.now, &mut out);
    assert!(matches!(out[..], [Event { kind: Kind::Drift, fault: None, .. }]), "{out:?}");
    assert_eq!(house.watch.check(target, Place::Hide, 30.0, house.now, &mut out), None, "no probe there");
}

#[test]
fn a_probe_in_the_water_bowl_is_heat_and_not_a_fault() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    let verdicts = house.run(30, 60, |_| 23.4, cool);
    assert_eq!(verdicts[0], Verdict::Held);
    assert!(all_trusted(&verdicts[1..]), "{verdicts:?}");
    assert_eq!(house.told(), []);
}

#[test]
fn swapped_ends_are_told_of_both_and_end_together() {
    let mut house = House::new();
    house.run(1_440, 60, warm, cool);
    house.wait(Span::min(4)); // the bus reboots
    let verdicts = house.run(60, 60, cool, warm);
    let trusted = verdicts.iter().filter(|v| **v == Verdict::Trusted).count();
    assert!(trusted <= 1, "neither end is too hot or too cold meanwhile: {trusted}");
    assert_eq!(house.kinds(), [Kind::Swapped, Kind::Swapped]);
    assert!(house.told().iter().any(|(_, _, f)| *f == Some(Fault::SwappedWith(Place::CoolSide))));
    assert_eq!(verdicts.last(), Some(&Verdict::Doubted(Doubt::Swapped)));
    let verdicts = house.run(90, 60, warm, cool);
    assert_eq!(verdicts.last(), Some(&Verdict::Trusted));
    assert!(house.events[2..].iter().all(|(_, e)| e.fault.is_none()) && house.events.len() == 4);
}

#[test]
fn two_senders_mixed_up_for_a_while_are_not_swapped() {
    let mut house = House::new();
    house.run(1_440, 60, warm, cool);
    // Seen in an open recording: for half an hour each topic carried both motes by turns.
    let mixed = |m: f64| (m as i64) % 3 == 0;
    house.run(35, 60, |m| if mixed(m) { cool(m) } else { warm(m) }, |m| if mixed(m) { warm(m) } else { cool(m) });
    house.run(300, 60, warm, cool);
    assert!(!house.kinds().contains(&Kind::Swapped), "{:?}", house.told());
}
