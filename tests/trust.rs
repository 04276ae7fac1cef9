//! Trust in probes, one hard case a test: what is believed, what is doubted, what is told and when.

use warmside::reading::probes::Known;
use warmside::reading::refusal::Refusal;
use warmside::reading::{Reading, Slot, Target};
use warmside::terms::id::{EnclosureIx, LinkIx, ProbeIx, RoomIx};
use warmside::terms::place::Place;
use warmside::terms::quantity::{Quantity, Unit};
use warmside::terms::time::{Now, Span, Wall};
use warmside::trust::watch::Watch;
use warmside::trust::{Doubt, Event, Fault, Kind, Verdict};

const WARM: u32 = 0;
const COOL: u32 = 1;
const BATTERY: u32 = 2;
/// Of [`House::with_room`].
const ROOM: u32 = 3;
const HEAT: u32 = 4;

/// One enclosure with a warm and a cool probe and a battery, all on their own topics, in simulated time.
struct House {
    watch: Watch,
    known: Vec<Known>,
    events: Vec<(i64, Event)>,
    now: Now,
}

fn known(slot: Slot, topic: &str, unit: Unit) -> Known {
    let target = Target::Enclosure(EnclosureIx(0));
    Known {
        target,
        slot,
        link: LinkIx(0),
        topic: Some(topic.into()),
        every: None,
        unit,
        offset_k: 0.0,
        heard: 0,
        last: None,
    }
}

impl House {
    fn new() -> House {
        let at = |place| Slot::At(place, Quantity::Temperature);
        let known = vec![
            known(at(Place::WarmSide), "a1/warm", Unit::Celsius),
            known(at(Place::CoolSide), "a1/cool", Unit::Celsius),
            known(Slot::Battery, "a1/battery", Unit::Volt),
        ];
        let mut watch = Watch::new(vec![Some(RoomIx(0))]);
        let now = Now::at(1_767_600_000_000);
        watch.fit(&known, now);
        House { watch, known, events: Vec::new(), now }
    }

    /// The same in a room with its own probe, and with a plug that tells the heat's watts.
    fn with_room() -> House {
        let mut house = House::new();
        let room = known(Slot::At(Place::Air, Quantity::Temperature), "room/air", Unit::Celsius);
        house.known.push(Known { target: Target::Room(RoomIx(0)), ..room });
        house.known.push(known(Slot::Heat(0, Quantity::Power), "a1/plug", Unit::Watt));
        house.watch.fit(&house.known, house.now);
        house
    }

    fn minute(&self) -> i64 {
        self.now.mono.since(Now::at(1_767_600_000_000).mono).as_ms() / 60_000
    }

    /// Lets time pass, with every timer at its own moment.
    fn until(&mut self, then: Now) {
        while let Some(due) = self.watch.next_wake().filter(|due| *due <= then.mono) {
            self.now = Now::at(due.as_ms().max(self.now.mono.as_ms()));
            let mut out = Vec::new();
            self.watch.wake(self.now, &mut out);
            self.note(out);
        }
        self.now = then;
    }

    fn wait(&mut self, span: Span) {
        self.until(self.now + span);
    }

    fn note(&mut self, out: Vec<Event>) {
        let minute = self.minute();
        self.events.extend(out.into_iter().map(|event| (minute, event)));
    }

    fn reading(&self, probe: u32, value: f64) -> Reading {
        let known = &self.known[probe as usize];
        let (target, slot) = (known.target, known.slot);
        Reading { probe: ProbeIx(probe), target, slot, at: self.now, measured: None, value, retained: false }
    }

    fn hear(&mut self, reading: Reading) -> Verdict {
        let mut out = Vec::new();
        let verdict = self.watch.hear(&reading, &mut out);
        self.note(out);
        verdict
    }

    fn say(&mut self, probe: u32, value: f64) -> Verdict {
        self.hear(self.reading(probe, value))
    }

    /// Both probes, a reading each `every` seconds, for so many minutes; `warm` and `cool` by the minute since the start.
    fn run(&mut self, minutes: i64, every: i64, warm: impl Fn(f64) -> f64, cool: impl Fn(f64) -> f64) -> Vec<Verdict> {
        let verdicts = (0..minutes * 60 / every).map(|_| {
            self.wait(Span::s(every));
            let m = self.now.mono.since(Now::at(1_767_600_000_000).mono).as_min();
            self.say(COOL, round(cool(m)));
            self.say(WARM, round(warm(m)))
        });
        verdicts.collect()
    }

    /// (minute, fault) of what began to stand, `None` for what was over.
    fn told(&self) -> Vec<(i64, Kind, Option<Fault>)> {
        self.events.iter().map(|(minute, e)| (*minute, e.kind, e.fault)).collect()
    }

    fn kinds(&self) -> Vec<Kind> {
        self.events.iter().filter(|(_, e)| e.fault.is_some()).map(|(_, e)| e.kind).collect()
    }
}

/// A thermostat's swing of 1.5 K in 25 minutes about 31 °C, in tenths.
fn warm(minute: f64) -> f64 {
    31.0 + 0.75 * triangle(minute)
}

fn cool(minute: f64) -> f64 {
    25.0 + 0.25 * triangle(minute - 3.0)
}

fn triangle(minute: f64) -> f64 {
    let x = minute.rem_euclid(25.0) / 25.0;
    if x < 0.5 { 4.0 * x - 1.0 } else { 3.0 - 4.0 * x }
}

fn round(celsius: f64) -> f64 {
    (celsius * 10.0).round() / 10.0
}

fn all_trusted(verdicts: &[Verdict]) -> bool {
    verdicts.iter().all(|v| *v == Verdict::Trusted)
}

#[test]
fn a_quiet_week_tells_nothing() {
    let mut house = House::new();
    assert!(all_trusted(&house.run(7 * 1_440, 60, warm, cool)));
    assert_eq!(house.told(), []);
}

#[test]
fn a_probe_that_stops_is_silent_and_comes_back() {
    let mut house = House::new();
    house.run(600, 10, warm, cool);
    for _ in 0..60 {
        house.wait(Span::s(30));
        house.say(COOL, 25.0);
    }
    house.say(WARM, 31.0);
    assert_eq!(house.told(), [(612, Kind::Silent, Some(Fault::Silent)), (630, Kind::Silent, None)]);
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

#[test]
fn a_lone_probe_that_comes_to_read_what_the_room_reads_is_not_called_displaced() {
    let room = |m: f64| 20.5 + 0.2 * triangle(m / 7.0);
    let mut house = House::with_room();
    for m in 0..2_200 {
        house.wait(Span::min(1));
        let minute = f64::from(m);
        house.say(ROOM, round(room(minute)));
        // The whole of a small enclosure may have cooled: nothing beside the probe tells.
        let cooled = room(minute) + 10.0 * libm::exp(-(minute - 2_000.0) / 3.0);
        house.say(WARM, round(if m < 2_000 { warm(minute) } else { cooled }));
    }
    assert!(!house.told().iter().any(|(_, kind, _)| *kind == Kind::Displaced));
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
fn a_probe_in_the_water_bowl_is_heat_and_not_a_fault() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    let verdicts = house.run(30, 60, |_| 23.4, cool);
    assert_eq!(verdicts[0], Verdict::Held);
    assert!(all_trusted(&verdicts[1..]), "{verdicts:?}");
    assert_eq!(house.told(), []);
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
fn probes_that_change_their_unit_together_are_no_witnesses_of_heat() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    let verdicts = house.run(60, 60, |m| warm(m) * 1.8 + 32.0, |m| cool(m) * 1.8 + 32.0);
    assert!(verdicts.iter().all(|v| *v != Verdict::Trusted), "{verdicts:?}");
    assert_eq!(house.kinds(), [Kind::Unit, Kind::Unit]);
}

#[test]
fn ghosts_end_nothing_and_do_not_stop_the_clock() {
    let mut house = House::new();
    house.run(600, 60, warm, cool);
    for _ in 0..20 {
        house.wait(Span::min(1));
        let ghost = Reading { retained: true, ..house.reading(WARM, 31.0) };
        assert_eq!(house.hear(ghost), Verdict::Doubted(Doubt::UnknownAge));
        house.say(COOL, 25.0);
    }
    assert_eq!(house.told(), [(612, Kind::Silent, Some(Fault::Silent))]);
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
    house.wait(Span::min(11));
    assert_eq!(house.told(), []);
    house.say(COOL, 25.0);
    house.wait(Span::min(2));
    assert_eq!(house.kinds(), [Kind::Silent], "the warm side did not come back");
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
    again.wait(Span::min(13));
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
