//! The watch as a whole against odd input: gaps, clocks, spikes, restarts, no settings; and its size.

use super::clue::Beside;
use super::settings::{Kind, Settings, Source, Thermostat};
use super::verdict::{Cause, Change};
use super::watts::Plug;
use super::{Context, Input, Relearn, Watch};
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Wall};

mod alone;
mod noisy;
mod steered;
mod timers;
mod weak;

fn settings() -> Settings {
    let source = Source {
        id: "main".into(),
        kind: Kind::CeramicEmitter,
        at: Place::WarmSide,
        watts: Some(100.0),
        thermostat: Some(Thermostat::OnOff),
    };
    Settings { sources: vec![source] }
}

/// An on-off thermostat: a saw-tooth of 40 minutes between 29 and 31 °C; from `dead_min` on an exponential fall to 21 °C.
fn level(minute: i64, dead_min: i64) -> f64 {
    let saw = |m: i64| {
        let phase = (m.rem_euclid(40)) as f64 / 40.0;
        if phase < 0.5 { 29.0 + 4.0 * phase } else { 33.0 - 4.0 * phase }
    };
    if minute < dead_min {
        saw(minute)
    } else {
        21.0 + (saw(dead_min) - 21.0) * libm::exp(-(minute - dead_min) as f64 / 100.0)
    }
}

fn cool(minute: i64, dead_min: i64) -> f64 {
    24.0 + 0.1 * (level(minute, dead_min) - 30.0)
}

fn context(minute: i64) -> Context {
    Context {
        local_minute: minute.rem_euclid(1_440) as u16,
        day: minute.div_euclid(1_440) as i32,
        ..Context::default()
    }
}

fn feed(watch: &mut Watch, minutes: std::ops::Range<i64>, dead_min: i64) -> Vec<(i64, Change)> {
    feed_wanting(None, watch, minutes, dead_min)
}

fn feed_wanting(
    wanted: Option<(f64, f64)>,
    watch: &mut Watch,
    minutes: std::ops::Range<i64>,
    dead_min: i64,
) -> Vec<(i64, Change)> {
    let mut said = Vec::new();
    let mut out = Vec::new();
    for m in minutes {
        let now = Now::at(m * 60_000);
        for (place, celsius) in [(Place::CoolSide, cool(m, dead_min)), (Place::WarmSide, level(m, dead_min))] {
            let mut context = context(m);
            context.wanted[Place::WarmSide.index()] = wanted;
            watch.hear(Input::Level { place, celsius }, now, &context, &mut out);
        }
        said.extend(out.drain(..).map(|c| (m, c)));
    }
    said
}

fn first(said: &[(i64, Change)], cause: Cause) -> Option<i64> {
    said.iter().find(|(_, c)| matches!(c, Change::Stands(v) if v.cause == cause)).map(|(m, _)| *m)
}

#[test]
fn a_dead_heater_is_said_once_and_ends_when_heat_is_back() {
    let mut watch = Watch::new(&settings());
    let dead = 3 * 1_440 + 20;
    let said = feed(&mut watch, 0..dead + 600, dead);
    let at = first(&said, Cause::HeatFailed);
    assert!(at.is_some_and(|m| m - dead < 45), "{said:?}");
    assert_eq!(said.len(), 1, "{said:?}");
    let Some((_, Change::Stands(v))) = said.first() else { return };
    assert!((v.since.as_ms() / 60_000 - dead).abs() < 12, "since {:?}", v.since);
    assert!(
        v.sure > 0.7
            && v.evidence.level_then.is_some_and(|then| v.evidence.level_now < then)
            && v.evidence.days_known == 3,
        "{v:?}"
    );
    let after = feed(&mut watch, dead + 600..dead + 1_500, i64::MAX);
    assert_eq!(after.len(), 1, "{after:?}");
    assert!(matches!(after[0].1, Change::Calm(Cause::HeatFailed, Place::WarmSide)), "{after:?}");
}

#[test]
fn what_may_be_a_dial_is_waited_for_by_day_but_not_by_night_nor_out_of_what_is_wanted() {
    // Dead at three at night, and at one in the afternoon, at the same phase of the saw-tooth.
    let found = |hour: i64, wanted| {
        let dead_min = 4 * 1_440 + hour * 60;
        let mut watch = Watch::new(&settings());
        let said = feed_wanting(wanted, &mut watch, 0..dead_min + 120, dead_min);
        first(&said, Cause::HeatFailed).map(|m| m - dead_min)
    };
    let (night, day, at_the_edge) = (found(3, None), found(13, None), found(13, Some((30.0, 33.0))));
    let (Some(night), Some(day), Some(edge)) = (night, day, at_the_edge) else {
        panic!("missed: {night:?} {day:?} {at_the_edge:?}")
    };
    assert!(night + 8 < day && edge + 4 < day, "night {night} min, day {day}, leaving what is wanted {edge}");
}

/// How far heat that dies at 13 h leans, minute by minute, and when it is said to have failed; `beside`: others fall as well.
fn falls(beside: bool) -> (Vec<f64>, Option<i64>) {
    let dead_min = 4 * 1_440 + 780;
    let (mut watch, mut out, mut said, mut leans) = (Watch::new(&settings()), Vec::new(), None, Vec::new());
    for m in 0..dead_min + 180 {
        let now = Now::at(m * 60_000);
        let context = Context { falls_together: beside, ..context(m) };
        for (place, celsius) in [(Place::CoolSide, cool(m, dead_min)), (Place::WarmSide, level(m, dead_min))] {
            watch.hear(Input::Level { place, celsius }, now, &context, &mut out);
        }
        let failed = |c: &Change| matches!(c, Change::Stands(v) if v.cause == Cause::HeatFailed);
        said = said.or_else(|| out.iter().any(failed).then_some(m - dead_min));
        assert!(m >= dead_min || out.is_empty(), "at minute {m}: {out:?}");
        if m >= dead_min {
            leans.push(watch.lean(now.mono).unwrap_or(-1.0));
        }
    }
    (leans, said)
}

#[test]
fn several_that_fall_together_are_neither_dials_nor_failed_heaters() {
    let ((leans, alone), (_, together)) = (falls(false), falls(true));
    let found = alone.zip(together);
    assert!(found.is_some_and(|(alone, together)| together + 10 < alone), "alone {alone:?}, together {together:?}");
    assert!(leans[0] <= 0.0 && leans[40] > 1.0, "{leans:?}");
    assert!(leans[150..].iter().all(|lean| *lean <= 0.0), "what failed hours ago says nothing of another: {leans:?}");
}

/// Minutes after its death at which the heat of one probe alone is told as dead.
fn alone_found(hour: i64) -> Option<i64> {
    let dead_min = 4 * 1_440 + hour * 60;
    let (mut watch, mut out) = (Watch::new(&settings()), Vec::new());
    for m in 0..dead_min + 200 {
        let celsius = level(m, dead_min);
        watch.hear(Input::Level { place: Place::WarmSide, celsius }, Now::at(m * 60_000), &context(m), &mut out);
        if out.iter().any(|c| matches!(c, Change::Stands(v) if v.cause == Cause::HeatFailed)) {
            return Some(m - dead_min);
        }
    }
    None
}

#[test]
fn one_probe_alone_is_believed_sooner_when_nobody_is_up_to_clean() {
    let (night, day) = (alone_found(3), alone_found(13));
    assert!(night.zip(day).is_some_and(|(night, day)| night + 12 < day), "night {night:?}, day {day:?}");
}

#[test]
fn heat_that_runs_away_faster_than_it_ever_rose_is_no_sun() {
    // Held by a dimmer within a few tenths of a kelvin; then it is stuck at full power, at one in the afternoon.
    let stuck_min = 4 * 1_440 + 780_i64;
    let (mut watch, mut out) = (Watch::new(&settings()), Vec::new());
    let told = (0..stuck_min + 120).find(|&m| {
        let held = 30.0 + 0.2 * libm::sin(m as f64 / 9.0) + 0.03 * (m.rem_euclid(3) - 1) as f64;
        let runs_min = (m - stuck_min).max(0) as f64;
        let rise = 14.0 * (1.0 - libm::exp(-runs_min / 15.0));
        for (place, celsius) in [(Place::CoolSide, 24.0 + 0.2 * rise), (Place::WarmSide, held + rise)] {
            watch.hear(Input::Level { place, celsius }, Now::at(m * 60_000), &context(m), &mut out);
        }
        out.iter().any(|c| matches!(c, Change::Stands(v) if v.cause == Cause::HeatStuckOn))
    });
    assert!(told.is_some_and(|m| (5..18).contains(&(m - stuck_min))), "{:?}", told.map(|m| m - stuck_min));
}

#[test]
fn lamps_that_are_dark_by_plan_have_no_heat_to_lose() {
    let source = Source { kind: Kind::BaskingLamp, thermostat: None, ..settings().sources.remove(0) };
    let dead = |lights_planned: fn(bool) -> Option<bool>| {
        let (mut watch, mut out) = (Watch::new(&Settings { sources: vec![source.clone()] }), Vec::new());
        for m in 0..5 * 1_440_i64 {
            // Lit from 8 to 20 h; on the last evening the place cools further than ever, as a colder wall would make it.
            let hour = m.rem_euclid(1_440) as f64 / 60.0;
            let lit = (8.0..20.0).contains(&hour);
            let ends_at = if m > 4 * 1_440 + 1_200 { 18.5 } else { 21.0 };
            let dark_h = if lit { 0.0 } else { (hour - 20.0).rem_euclid(24.0) };
            let celsius = ends_at + (34.0 - ends_at) * libm::exp(-dark_h / 0.6);
            let context = Context { lights_planned: lights_planned(lit), ..context(m) };
            let now = Now::at(m * 60_000);
            let watts = if lit { 100.0 } else { 0.0 };
            for input in [
                Input::Power { source: 0, watts },
                Input::Level { place: Place::CoolSide, celsius: 20.0 + 0.1 * (celsius - 21.0) },
                Input::Level { place: Place::WarmSide, celsius },
            ] {
                watch.hear(input, now, &context, &mut out);
            }
        }
        out.iter().filter(|c| matches!(c, Change::Stands(v) if v.cause == Cause::HeatFailed)).count()
    };
    assert_eq!(dead(|_| None), 1, "nobody says when it is dark");
    assert_eq!(dead(Some), 0);
}

#[test]
fn the_first_power_of_a_day_is_no_surge() {
    // A plug that reports means: the interval in which the lamp went on shows a part of its power.
    let mut plug = Plug::default();
    for k in 0..200 {
        let t = f64::from(k) * 0.5;
        let b = Beside { v: 0.1, level: Some(25.0), ..Beside::nothing(t, &Context::default()) };
        plug.report(if k < 120 { 0.0 } else { 10.0 + 26.0 * f64::from(k - 120).min(1.0) }, None, &b);
        assert!(!plug.clue(&b, false).surges, "report {k}");
    }
}

#[test]
fn the_first_power_after_a_night_of_noise_is_no_surge_and_a_surge_later_is_one() {
    let mut plug = Plug::default();
    let surges: Vec<i64> = (0..2_400)
        .filter(|k| {
            let t = *k as f64 * 0.5;
            let b = Beside { v: 0.1, level: Some(25.0), ..Beside::nothing(t, &Context::default()) };
            // A meter that wavers about nothing by up to a watt and a half, eleven hours of its lamp, and twice its power at last.
            let noise_w = (k * 7 % 11) as f64 * 0.15;
            let drawn_w = match k {
                ..1_000 => 0.0,
                ..2_320 => 18.0,
                _ => 36.0,
            };
            plug.report(noise_w + drawn_w, None, &b);
            plug.clue(&b, false).surges
        })
        .collect();
    assert!(surges.first().is_some_and(|k| (2_320..2_330).contains(k)), "{surges:?}");
}

#[test]
fn a_restart_changes_nothing() {
    let dead = 3 * 1_440 + 7;
    let mut whole = Watch::new(&settings());
    feed(&mut whole, 0..dead + 5, dead);
    let mut bytes = Vec::new();
    assert!(ciborium::into_writer(&whole, &mut bytes).is_ok());
    let restored: Result<Watch, _> = ciborium::from_reader(bytes.as_slice());
    assert!(restored.is_ok(), "{:?}", restored.as_ref().err());
    let Ok(mut restored) = restored else { return };
    assert_eq!(feed(&mut whole, dead + 5..dead + 200, dead), feed(&mut restored, dead + 5..dead + 200, dead));
}

#[test]
fn hours_of_silence_and_a_return_at_any_level_alarm_no_one() {
    for gap in [61, 240, 2_900] {
        let mut watch = Watch::new(&settings());
        let mut said = feed(&mut watch, 0..4_000, i64::MAX);
        said.extend(feed(&mut watch, 4_000 + gap..7_500 + gap, i64::MAX));
        assert!(said.is_empty(), "gap {gap}: {said:?}");
    }
}

#[test]
fn clocks_that_jump_repeat_and_run_back_do_no_harm() {
    let mut watch = Watch::new(&settings());
    let mut said = feed(&mut watch, 0..4_400, i64::MAX);
    let mut out = Vec::new();
    // Old and repeated lines, then a local clock that goes back an hour and on by two.
    for m in [10, 4_399, 4_399, 3_000] {
        watch.hear(Input::Level { place: Place::WarmSide, celsius: 15.0 }, Now::at(m * 60_000), &context(m), &mut out);
    }
    for (from, shift) in [(4_400, -60), (7_000, 60)] {
        for m in from..from + 2_600 {
            let now = Now { mono: Mono::from_ms(m * 60_000), wall: Wall::from_ms((m + shift) * 60_000) };
            for (place, celsius) in [(Place::CoolSide, cool(m, i64::MAX)), (Place::WarmSide, level(m, i64::MAX))] {
                watch.hear(Input::Level { place, celsius }, now, &context(m + shift), &mut out);
            }
        }
    }
    said.extend(out.drain(..).map(|c| (0, c)));
    assert!(said.is_empty(), "{said:?}");
}

#[test]
fn what_is_no_number_and_single_spikes_do_no_harm() {
    let mut watch = Watch::new(&settings());
    let mut out = Vec::new();
    for m in 0..6_000 {
        let odd = match m % 700 {
            100 => f64::NAN,
            200 => f64::INFINITY,
            300 => -127.0,
            400 => 85.0,
            500 => 1e300,
            _ => level(m, i64::MAX),
        };
        for (place, celsius) in [(Place::CoolSide, cool(m, i64::MAX)), (Place::WarmSide, odd)] {
            watch.hear(Input::Level { place, celsius }, Now::at(m * 60_000), &context(m), &mut out);
        }
        watch.hear(Input::Power { source: 9, watts: f64::NAN }, Now::at(m * 60_000), &context(m), &mut out);
        watch.hear(Input::Power { source: 0, watts: -5e9 }, Now::at(m * 60_000), &context(m), &mut out);
    }
    assert!(out.is_empty(), "{out:?}");
}

#[test]
fn without_a_source_nothing_is_judged_and_relearning_ends_what_stands() {
    let dead = 3 * 1_440;
    let mut bare = Watch::new(&Settings::default());
    assert!(feed(&mut bare, 0..dead + 300, dead).is_empty());
    let mut watch = Watch::new(&settings());
    assert_eq!(feed(&mut watch, 0..dead + 300, dead).len(), 1);
    let mut out = Vec::new();
    watch.relearn(Relearn::SettingChanged, &mut out);
    assert_eq!(out, vec![Change::Calm(Cause::HeatFailed, Place::WarmSide)]);
    assert!(feed(&mut watch, dead + 300..dead + 420, dead).is_empty());
}

#[test]
fn one_enclosure_fits_eight_kilobytes() {
    let mut watch = Watch::new(&settings());
    feed(&mut watch, 0..6_000, i64::MAX);
    for input in [Input::Power { source: 0, watts: 60.0 }, Input::Switch { source: 0, on: true }] {
        watch.hear(input, Now::at(6_000 * 60_000), &context(6_000), &mut Vec::new());
    }
    let bytes = watch.memory_bytes();
    assert!(bytes <= 8_192, "{bytes} bytes");
}

/// A plug that reports the mean of the last two minutes, a relay that reports its moves, over the saw-tooth; from `welded_min`
/// on the relay opens and the power stays. Minutes at which heat is said to be stuck on.
fn with_mean_plug(welded_min: i64, rises: bool) -> Vec<i64> {
    let (mut watch, mut out, mut said) = (Watch::new(&settings()), Vec::new(), Vec::new());
    let heats = |m: i64| m.rem_euclid(40) < 20 || m >= welded_min;
    for m in 0..4_000_i64 {
        let (now, context) = (Now::at(m * 60_000), context(m));
        let mut hear = |input| watch.hear(input, now, &context, &mut out);
        if m % 20 == 0 {
            hear(Input::Switch { source: 0, on: m.rem_euclid(40) < 20 });
        }
        // Heard in the minute after the relay's move: half of its two minutes lie before it.
        if m % 2 == 1 {
            let watts = [m - 1, m - 2].map(|then| if heats(then) { 100.0 } else { 0.0 });
            hear(Input::Power { source: 0, watts: if m % 20 == 1 { watts[1] } else { watts[0] } });
        }
        hear(Input::Level { place: Place::CoolSide, celsius: cool(m, i64::MAX) });
        let runs_on_min = if rises { (m - welded_min - 20).max(0) } else { 0 };
        hear(Input::Level { place: Place::WarmSide, celsius: level(m, i64::MAX) + 0.1 * runs_on_min as f64 });
        let stuck = |c: &Change| matches!(c, Change::Stands(v) if v.cause == Cause::HeatStuckOn);
        said.extend(out.drain(..).filter(stuck).map(|_| m));
    }
    said
}

#[test]
fn a_report_that_reaches_back_past_the_relays_move_is_no_power_under_an_open_relay() {
    assert_eq!(with_mean_plug(i64::MAX, false), [0_i64; 0]);
    let said = with_mean_plug(3_000, true);
    assert!(said.first().is_some_and(|m| (3_040..3_055).contains(m)), "{said:?}");
}

#[test]
fn a_relay_whose_word_was_lost_is_not_welded_while_the_level_is_as_ever() {
    assert_eq!(with_mean_plug(3_000, false), [0_i64; 0]);
}

/// A plug heard every fourth minute, a minute after each move of its relay; once the power ends before the relay says so, and the
/// relay goes on again just after the plug spoke.
#[test]
fn what_a_plug_said_before_its_relay_went_on_is_of_the_pause() {
    let (mut watch, mut out) = (Watch::new(&settings()), Vec::new());
    for m in 0..3_100_i64 {
        let (now, context) = (Now::at(m * 60_000), context(m));
        let on = m.rem_euclid(40) < 20 || (3_037..3_060).contains(&m);
        let mut hear = |input| watch.hear(input, now, &context, &mut out);
        let asked = if m == 3_037 { [true, false] } else { [false, true] };
        for power in asked {
            if power && m % 4 == 1 {
                hear(Input::Power { source: 0, watts: if on && ![3_017, 3_037].contains(&m) { 100.0 } else { 0.0 } });
            }
            if !power && (m % 20 == 0 || m == 3_037) {
                hear(Input::Switch { source: 0, on });
            }
        }
        hear(Input::Level { place: Place::CoolSide, celsius: cool(m, i64::MAX) });
        hear(Input::Level { place: Place::WarmSide, celsius: level(m, i64::MAX) });
    }
    assert!(out.is_empty(), "{out:?}");
}
