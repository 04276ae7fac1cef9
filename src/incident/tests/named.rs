//! What several findings of one fault are told as: by which name, and in how many incidents.

use super::*;
use crate::terms::quantity::Quantity;

fn past_never(ix: u16, place: Place, since_min: i64) -> Finding {
    let key = Key { subject: Subject::Enclosure(EnclosureIx(ix)), cause: Cause::TooHot, place: Some(place) };
    let fact = Fact::Reading { place, quantity: Quantity::Temperature, value: 41.0, limit: Some(40.0), never: true };
    Finding { key, facts: vec![fact], latched: true, ..found(ix, Cause::TooHot, since_min) }
}

fn silent(subject: Subject, since_min: i64) -> Finding {
    let fact = Fact::Silent {
        place: Some(Place::WarmSide),
        quantity: Some(Quantity::Temperature),
        last: Some(Wall::from_ms(since_min * 60_000)),
        usual: Some(Span::min(1)),
        value: None,
    };
    let f = found(0, Cause::ProbeSilent, since_min);
    Finding { key: Key { subject, ..f.key }, facts: vec![fact], ..f }
}

fn silent_probe(ix: u16, since_min: i64) -> Finding {
    silent(Subject::Enclosure(EnclosureIx(ix)), since_min)
}

#[test]
fn the_other_end_past_its_limit_too_is_no_news() {
    let mut d = Day::new(house(&[14]));
    d.stands(0, Finding { urgency: Urgency::Now, ..found(A, Cause::NoRetreat, 0) });
    d.stands(10, past_never(A, Place::WarmSide, 9));
    d.stands(20, past_never(A, Place::CoolSide, 19));
    d.until(60);
    d.gave(&["0 raised 10 no-retreat a1", "10 worse Never 10 no-retreat a1"]);
}

#[test]
fn enclosures_that_a_cold_room_takes_hours_apart_are_one_incident() {
    let mut d = Day::new(house(&[14]));
    for (at, ix) in [(0, 0), (90, 1), (300, 2)] {
        d.stands(at, Finding { urgency: Urgency::Today, ..found(ix, Cause::TooCold, at) });
        d.stands(at, found(ix, Cause::RoomCold, at));
    }
    d.until(400);
    d.gave(&["3 raised 10 room-cold a1"]);
    assert_eq!(d.book.get("10").map(|i| i.members().len()), Some(3));
}

#[test]
fn a_room_probe_that_falls_silent_with_its_enclosures_is_the_feed_too() {
    let mut d = Day::new(house(&[4]));
    d.stands(20, silent(Subject::Room(RoomIx(0)), 0));
    for ix in 0..4 {
        d.stands(20, silent_probe(ix, 1));
    }
    d.until(60);
    d.gave(&["20 raised 10 feed-silent a1,a2,a3,a4"]);
}

#[test]
fn an_outage_is_not_the_old_fault_of_one_probe() {
    let mut d = Day::new(house(&[4]));
    d.stands(0, found(3, Cause::ProbeFaulty, 0));
    d.stands(1_000, silent_probe(3, 990));
    for ix in 0..3 {
        // The network dies from one end to the other.
        d.stands(1_001 + i64::from(ix), silent_probe(ix, 980 + 5 * i64::from(ix)));
    }
    d.until(1_100);
    d.gave(&["3 raised 10 probe-faulty a4", "1003 raised 11 feed-silent a1,a2,a3"]);
    let since = d.book.get("11").map(|i| i.since().wall);
    assert_eq!(since, Some(Wall::from_ms(980 * 60_000)), "not that of the broken probe");
}

#[test]
fn what_a_lying_probe_says_is_told_with_its_lie() {
    let mut d = Day::new(house(&[4]));
    d.stands(0, found(A, Cause::ProbeFaulty, 0));
    d.stands(2_000, Finding { urgency: Urgency::Today, ..found(A, Cause::TooHot, 1_960) });
    d.until(2_100);
    d.gave(&["3 raised 10 probe-faulty a1"]);
    d.stands(2_200, past_never(A, Place::WarmSide, 2_199));
    d.until(2_300);
    assert_eq!(d.out.last().map(String::as_str), Some("2200 worse Urgency 10 too-hot a1"));
}

#[test]
fn a_deadline_that_passed_without_harm_is_told_no_more() {
    let mut d = Day::new(house(&[4]));
    d.stands(0, Finding { act_by: Some(Wall::from_ms(60 * 60_000)), ..found(A, Cause::RoomCold, 0) });
    d.until(70);
    assert!(d.book.get("10").is_some_and(|i| i.act_by().is_some()), "it may still be about to come true");
    d.stands(100, found(A, Cause::GradientLost, 90));
    d.book.wake(d.now, &mut Vec::new());
    assert_eq!(d.book.get("10").map(|i| i.act_by()), Some(None));
}

#[test]
fn a_first_mail_waits_for_those_that_are_about_to_say_the_same_and_no_longer() {
    let lost = |ix, min| Finding { expects_company: true, urgency: Urgency::Now, ..found(ix, Cause::HeatFailed, min) };
    let mut d = Day::new(house(&[4]));
    d.stands(10, lost(0, 8));
    d.stands(15, lost(1, 9));
    d.until(60);
    d.gave(&["15 raised 10 power-lost a1,a2,a3,a4"]);
    let mut d = Day::new(house(&[4]));
    d.stands(10, lost(0, 8));
    d.until(60);
    d.gave(&["16 raised 10 heat-failed a1"]);
}

#[test]
fn nights_that_do_not_come_in_a_hot_room_are_the_rooms() {
    let mut d = Day::new(house(&[6]));
    d.stands(0, Finding { urgency: Urgency::Today, ..found(0, Cause::RoomHot, 0) });
    d.stands(40, Finding { urgency: Urgency::Today, ..found(1, Cause::NightDropMissing, 40) });
    d.stands(200, Finding { urgency: Urgency::Today, ..found(2, Cause::NightDropMissing, 200) });
    d.until(300);
    d.gave(&["3 raised 10 room-hot a1"]);
    assert_eq!(d.book.get("10").map(|i| i.members().len()), Some(3));
}

#[test]
fn probes_that_show_a_changed_unit_when_they_next_speak_are_one_incident() {
    let mut d = Day::new(house(&[6]));
    for (ix, min) in [(0, 0), (1, 1), (2, 40)] {
        d.stands(min, Finding { urgency: Urgency::Today, ..found(ix, Cause::UnitChanged, min) });
    }
    d.until(100);
    d.gave(&["3 raised 10 unit-changed a1,a2"]);
    assert_eq!(d.book.get("10").map(|i| i.members().len()), Some(3));
}
