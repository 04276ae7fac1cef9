//! A real office's light (see `tests/data/occupancy/README.md`): no false notice on the days on which its lamp was used.

use crate::house::run as run_house;
use warmside::care::calendar::MonthDay;
use warmside::care::settings::{Care, LightPlan, Season};
use warmside::finding::light::Judge;
use warmside::finding::light_seen::Evidence;
use warmside::terms::place::Place;

/// lx at each minute from 2026-01-07 17:51 on.
fn light() -> Vec<f64> {
    let mut all: Vec<f64> = Vec::new();
    for line in include_str!("../data/occupancy/light.csv").lines() {
        let (minute, lux) = line.split_once(';').expect("two columns");
        let minute: usize = minute.parse().expect("a minute");
        all.resize(minute, all.last().copied().unwrap_or(0.0));
        all.push(lux.parse().expect("a number"));
    }
    all
}

/// A plan for one date alone.
fn on_date(date: &str, next: &str, on_min: u16, off_min: u16) -> Season {
    let day = |text| MonthDay::parse(text).expect("a day");
    Season {
        name: date.into(),
        from: day(date),
        until: day(next),
        step_k: 1.0,
        places: [None; Place::COUNT],
        humidity: None,
        light: Some(LightPlan::Fixed { on_min, hours: f64::from(off_min - on_min) / 60.0 }),
        gradient_at_least_k: None,
    }
}

fn run(seasons: Vec<Season>) -> Vec<String> {
    let light = light();
    let base = LightPlan::Fixed { on_min: 460, hours: 625.0 / 60.0 };
    let care = Care { light: Some(base), seasons, ..Default::default() };
    let (mut judge, mut wake) = (Judge::default(), None);
    let run = run_house(care, "2026-01-07", 7, |clock, around, now, out| {
        let lux = usize::try_from(clock.passed - (17 * 60 + 51)).ok().and_then(|i| light.get(i));
        if let Some(lux) = lux {
            judge.hear(around, Evidence::Illuminance(*lux), now, out);
        }
        if wake.is_some_and(|at| now.mono >= at) {
            judge.wake(around, now, out);
        }
        wake = judge.next_wake(around.wanted, now);
    });
    run.all
}

#[test]
fn working_days_as_their_lamp_was_used_say_nothing() {
    // First and last minute above 100 lx of the set's own labels; the weekend keeps a plan of 07:40 to 18:05, in vain.
    let seasons = vec![
        on_date("01-08", "01-09", 458, 1_084),
        on_date("01-09", "01-10", 460, 1_086),
        on_date("01-12", "01-13", 525, 1_084),
        on_date("01-13", "01-14", 517, 1_084),
    ];
    let said = run(seasons);
    let weekend = |line: &String| line.starts_with("2026-01-10") || line.starts_with("2026-01-11");
    let others: Vec<&String> = said.iter().filter(|line| !weekend(line)).collect();
    assert_eq!(others, ["2026-01-12 08:50 -light-missing"], "the weekend's own is over when the lamp keeps its time");
    assert_eq!(said.iter().filter(|line| weekend(line)).count(), 1, "{said:?}");
}

#[test]
fn one_plan_for_all_days_says_no_more_than_that_the_weekend_had_no_lamp() {
    assert_eq!(run(vec![]), ["2026-01-10 08:55 light-missing", "2026-01-12 18:10 -light-missing"]);
}
