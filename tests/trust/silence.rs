//! Silence: whose it is, when it is told, and what breaks it.

use crate::house::{COOL, House, WARM, all_trusted, cool, round, warm};
use warmside::reading::{Reading, Target};
use warmside::terms::id::{EnclosureIx, LinkIx, ProbeIx};
use warmside::terms::time::{Span, Wall};
use warmside::trust::{Doubt, Fault, Kind, Verdict};

#[test]
fn a_probe_that_stops_is_silent_and_comes_back() {
    let mut house = House::new();
    house.run(600, 10, warm, cool);
    for _ in 0..60 {
        house.wait(Span::s(30));
        house.say(COOL, 25.0);
    }
    house.say(WARM, 31.0);
    assert_eq!(house.told(), [(620, Kind::Silent, Some(Fault::Silent)), (630, Kind::Silent, None)]);
    assert_eq!(house.events[0].1.since.mono, house.now.mono - Span::min(30), "since the last that was heard");
}

#[test]
fn a_house_that_is_silent_as_a_whole_is_told_at_once() {
    let mut house = House::new();
    // The cool side loses reports: alone it would be granted more time.
    for i in 0..4_000_i64 {
        house.wait(Span::min(1));
        house.say(WARM, round(warm(i as f64)));
        if i % 200 > 9 {
            house.say(COOL, round(cool(i as f64)));
        }
    }
    assert_eq!(house.told(), []);
    house.wait(Span::h(2));
    let minutes: Vec<i64> = house.told().iter().map(|(minute, ..)| minute - 4_000).collect();
    assert!(matches!(minutes[..], [a, b] if a == b && (12..30).contains(&a)), "{minutes:?}");
    assert_eq!(house.watch.speaking(), (2, 0), "so that the feed is told, and not each probe");
}

#[test]
fn an_on_change_probe_may_be_quiet_for_fifty_minutes() {
    let mut house = House::new();
    house.watch.fit(&house.known.clone(), house.now);
    // Reports every 20 s while it warms up, then on change only, then 50 min of nothing.
    for i in 0..60 {
        house.wait(Span::s(20));
        house.say(WARM, 22.0 + 0.1 * f64::from(i));
        house.say(COOL, 22.0 + 0.05 * f64::from(i));
    }
    for i in 0..40 {
        house.wait(Span::s(40 + i % 7 * 50));
        house.say(WARM, 28.0 + 0.1 * f64::from(i32::try_from(i % 4).unwrap_or(0)));
        house.say(COOL, 24.0 + 0.1 * f64::from(i32::try_from(i % 3).unwrap_or(0)));
    }
    house.wait(Span::min(50));
    assert_eq!(house.told(), []);
    house.wait(Span::h(5));
    assert_eq!(house.kinds(), [Kind::Silent, Kind::Silent], "but not for ever");
}

#[test]
fn an_on_change_probe_is_missed_when_its_neighbour_goes_on() {
    let mut house = House::new();
    let mut last = [f64::NAN; 2];
    for m in 0..3 * 1_440 + 600 {
        house.wait(Span::min(1));
        for (i, (probe, level)) in [(WARM, warm(f64::from(m))), (COOL, cool(f64::from(m)))].into_iter().enumerate() {
            let dead = probe == WARM && m > 3 * 1_440;
            // It speaks on a change of 0.2 K, so that a calm hour may pass without a word.
            if !dead && (last[i].is_nan() || (level - last[i]).abs() >= 0.2) {
                house.say(probe, round(level));
                last[i] = level;
            }
        }
        if house.told().iter().any(|(_, kind, _)| *kind == Kind::Silent) {
            break;
        }
    }
    let told = house.told();
    assert!(
        matches!(told[..], [(m, Kind::Silent, Some(Fault::Silent))] if (15..150).contains(&(m - 3 * 1_440))),
        "{told:?}"
    );
}

#[test]
fn a_device_that_says_it_is_lost_is_silent_a_minute_later() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    house.watch.hear_turned(ProbeIx(WARM), true, house.now);
    house.watch.hear_turned(ProbeIx(COOL), true, house.now);
    house.wait(Span::s(30));
    house.watch.hear_turned(ProbeIx(COOL), false, house.now);
    house.wait(Span::min(1));
    assert_eq!(house.told(), [(601, Kind::Silent, Some(Fault::Silent))], "a radio that reconnects is not");
    house.say(WARM, 31.0);
    assert_eq!(house.told().len(), 2);
}

#[test]
fn ghosts_end_nothing_and_do_not_stop_the_clock() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    for _ in 0..25 {
        house.wait(Span::min(1));
        let ghost = Reading { retained: true, ..house.reading(WARM, 31.0) };
        assert_eq!(house.hear(ghost), Verdict::Doubted(Doubt::UnknownAge));
        house.say(COOL, 25.0);
    }
    assert_eq!(house.told(), [(620, Kind::Silent, Some(Fault::Silent))]);
}

#[test]
fn a_late_batch_is_history() {
    let mut house = House::new();
    for i in 0..600 {
        house.wait(Span::min(1));
        let live = Reading { measured: Some(house.now.wall), ..house.reading(WARM, warm(f64::from(i))) };
        assert_eq!(house.hear(live), Verdict::Trusted);
    }
    house.wait(Span::h(1));
    for i in 0..50_i64 {
        let measured = Some(house.now.wall - Span::min(55 - i));
        let late = Reading { measured, ..house.reading(WARM, 60.0) };
        assert_eq!(house.hear(late), Verdict::Doubted(Doubt::Late));
        house.wait(Span::ms(100));
    }
    let live = Reading { measured: Some(house.now.wall), ..house.reading(WARM, 31.0) };
    assert_eq!(house.hear(live), Verdict::Trusted);
    // A sender that lives in 1970 is heard after a few readings.
    let mut house = House::new();
    let verdicts: Vec<_> = (0..6)
        .map(|i| {
            house.wait(Span::min(1));
            house.hear(Reading { measured: Some(Wall::from_ms(i * 60_000)), ..house.reading(WARM, 31.0) })
        })
        .collect();
    assert_eq!(verdicts[..3], [Verdict::Doubted(Doubt::Late); 3]);
    assert!(all_trusted(&verdicts[3..]));
}

#[test]
fn a_lost_link_is_no_silence_and_teaches_nothing() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    house.watch.link_lost();
    house.wait(Span::h(5));
    assert_eq!(house.told(), []);
    house.watch.link_up(house.now);
    house.wait(Span::min(19));
    assert_eq!(house.told(), []);
    house.say(COOL, 25.0);
    house.wait(Span::min(2));
    assert_eq!(house.kinds(), [Kind::Silent], "the warm side did not come back");
}

#[test]
fn a_linked_probe_that_never_speaks_is_noted_and_then_told() {
    let mut house = House::new();
    let ours = |house: &House| {
        house.events.iter().filter(|(_, e)| e.probe.0 == COOL).map(|(m, e)| (*m, e.fault)).collect::<Vec<_>>()
    };
    for _ in 0..1_500 {
        house.wait(Span::min(1));
        house.say(WARM, 31.0);
    }
    let never = |a_day| Some(Fault::NeverHeard { a_day });
    assert_eq!(ours(&house), [(180, never(false)), (1_440, never(true))]);
    house.say(COOL, 25.0);
    assert_eq!(ours(&house).last(), Some(&(1_500, None)));
}

#[test]
fn a_place_that_a_sensor_does_not_have_is_noted_and_not_told() {
    // One link reads warm and cool side of whatever sends there; this sender has no cool side.
    let mut known = House::new().known;
    known.iter_mut().for_each(|known| known.link = LinkIx(0));
    let mut house = House::of(known);
    for _ in 0..4_000 {
        house.wait(Span::min(1));
        house.say(WARM, 31.0);
    }
    let of_cool: Vec<_> = house.events.iter().filter(|(_, e)| e.probe.0 == COOL).map(|(m, e)| (*m, e.fault)).collect();
    assert_eq!(of_cool, [(180, Some(Fault::NeverHeard { a_day: false }))]);
}

#[test]
fn silence_goes_on_over_a_restart_and_marks_make_it_learn_anew() {
    let mut house = House::new();
    house.run(1_440, 60, warm, cool);
    house.run(30, 60, |m| warm(m) + 25.0, cool);
    assert_eq!(house.kinds(), [Kind::Faulty]);
    let stored: Vec<String> = (0..3)
        .filter_map(|i| house.watch.probe(ProbeIx(i)))
        .filter_map(|probe| serde_json::to_string(probe).ok())
        .collect();
    let mut again = House { now: house.now, ..House::new() };
    for (i, json) in stored.iter().enumerate() {
        let probe = serde_json::from_str(json).expect("a stored probe");
        again.watch.restore(ProbeIx(i as u32), probe, &house.known[i], house.now);
    }
    let mut standing = Vec::new();
    again.watch.standing(&mut standing);
    assert_eq!(standing.iter().map(|e| e.kind).collect::<Vec<_>>(), [Kind::Faulty]);
    again.wait(Span::min(21));
    assert_eq!(again.kinds(), [Kind::Silent, Kind::Silent]);
    let mut out = Vec::new();
    again.watch.relearn(Target::Enclosure(EnclosureIx(0)), again.now, &mut out);
    assert!(out.iter().any(|e| e.kind == Kind::Faulty && e.fault.is_none()));
    assert_eq!(again.say(WARM, 56.0), Verdict::Trusted, "the keeper knows");
}

#[test]
fn short_gaps_again_and_again_do_not_hide_a_dead_probe() {
    let mut house = House::new();
    house.run(30, 60, warm, cool);
    // From here on the warm side is dead, and somebody restarts us, or the broker, every hour.
    for minute in 1..=300 {
        house.wait(Span::min(1));
        house.say(COOL, 25.0);
        if minute % 60 == 0 {
            house.watch.link_lost();
            house.wait(Span::s(20));
            house.watch.link_up(house.now);
        }
    }
    let silent = house.events.iter().find(|(_, event)| event.probe.0 == WARM && event.kind == Kind::Silent);
    // Three hours are granted while its rhythm is not known.
    assert!(silent.is_some_and(|(minute, _)| (30 + 180..30 + 200).contains(minute)), "{:?}", house.told());
}
