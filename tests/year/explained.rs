//! What `explain` says of the year's enclosure, and that what was learned of it survives a restart.

use crate::at;
use crate::home::{Fault, Home};
use std::path::Path;
use std::sync::Arc;
use warmside::commands::explain;
use warmside::engine::Engine;
use warmside::engine::event::Event;
use warmside::engine::settings::Settings;
use warmside::engine::view::{FollowsView, View};
use warmside::terms::time::{Now, Span, Wall};

fn settings(unit: &str) -> Arc<Settings> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/year/house.toml");
    let config = warmside::config::load_without_secrets(&path).unwrap_or_else(|r| panic!("{}", r.render(false)));
    let mut settings = config.settings;
    if unit == "F" {
        settings.notice.degrees = warmside::terms::quantity::Degrees::F;
    }
    Arc::new(settings)
}

fn now(wall: Wall) -> Now {
    Now::at(wall.as_ms())
}

/// The engine after the days from `from` to `until`, told every 5 minutes.
fn watched(unit: &str, from: &str, until: &str, faults: Vec<Fault>) -> Engine {
    let mut home = Home::new(at(from), faults);
    let mut engine = Engine::new(settings(unit), now(home.at()));
    let mut effects = Vec::new();
    while home.at() < at(until) {
        let payload = home.five_minutes();
        while let Some(due) = engine.next_wake().filter(|due| due.as_ms() < home.at().as_ms()) {
            engine.handle(Event::Wake, Now::at(due.as_ms()), &mut effects);
        }
        let message = Event::Message { topic: "climate/a3", payload: payload.as_bytes(), retained: false };
        engine.handle(message, now(home.at()), &mut effects);
        effects.clear();
    }
    engine
}

fn follows(view: &View) -> Option<FollowsView> {
    view.enclosures[0].follows
}

/// What is said before the heat, whose model has its own tests.
fn head(view: &View) -> String {
    let text = explain::words(view, "a3").expect("it is there");
    println!("{text}");
    let widest = text.lines().filter(|l| !l.starts_with("    climate/")).map(|l| l.chars().count()).max();
    assert!(widest <= Some(42), "{widest:?}");
    text.split("\nHEAT").next().expect("before it").to_owned()
}

#[test]
fn an_afternoon_is_explained_with_the_next_24_hours() {
    let engine = watched("C", "2027-08-01T00:00:00Z", "2027-08-10T13:00:00Z", vec![]);
    let said = "\
a3 Juno: as wanted

NOW, °C         now  wanted    never
warm side      30.5  29–32     20–36
cool side      24.3  22–26     16–31

HUMIDITY, cool side: 46 %, wanted 40–60 %
  measured there, dew point 11.8 °C
  The same air is 32 % at the warm side.

LIGHT: on, as planned, 909 lx
  seen by: light meter
  lit above 364 lx: learned here over 9
  days (lit 909 lx, dark 0 lx)

24 HOURS, °C warm      cool
now   lit    29–32     22–26
20:00 dark…  25–32     20–26
21:00 dark   25–29     20–25
08:00 lit…   25–32     20–26
09:00 lit    29–32     22–26
  … on its way: what was wanted before
  still counts
  It has 45 min to follow a change:
  learned from its last 14.
";
    assert_eq!(head(&engine.view()), said);
}

#[test]
fn a_day_on_the_way_into_brumation_in_fahrenheit() {
    let engine = watched("F", "2027-11-12T00:00:00Z", "2027-11-18T15:00:00Z", vec![]);
    let said = "\
a3 Juno: as wanted

NOW, °F         now  wanted    never
warm side      79.6  75.9–85.4 59.7–92.8
cool side      71.0  63.3–76.1 52.5–85.1

HUMIDITY, cool side: 48 %, wanted 40–60 %
  measured there, dew point 50.6 °F
  The same air is 36 % at the warm side.

LIGHT: on, as planned, 909 lx
  seen by: light meter
  lit above 365 lx: learned here over 6
  days (lit 910 lx, dark 1 lx)

24 HOURS, °F warm      cool
now   lit…   75.9–85.4 63.3–76.1
18:00 dark…  68.5–85.2 59.5–75.9
19:00 dark…  68.4–80.5 59.4–74.4
10:00 lit…   67.2–84.1 58.2–75.2
11:00 lit…   74.4–84   61.8–75.2
  brumation: day 4 on the way in
  … on its way: what was wanted before
  still counts
  It has 45 min to follow a change:
  learned from its last 6.
";
    assert_eq!(head(&engine.view()), said);
}

#[test]
fn what_was_learned_survives_a_restart() {
    let engine = watched("C", "2027-08-01T00:00:00Z", "2027-08-10T13:00:00Z", vec![]);
    let learned = follows(&engine.view()).expect("care");
    assert!(learned.learned_from >= 10 && learned.within < Span::min(90), "{learned:?}");
    let later = now(at("2027-08-10T13:05:00Z"));
    let mut again = Engine::new(settings("C"), later);
    assert_eq!(follows(&again.view()).map(|f| (f.within, f.learned_from)), Some((Span::min(90), 0)));
    assert_eq!(again.restore(&engine.snapshot(), later), [""; 0]);
    assert_eq!(follows(&again.view()), Some(learned));
    let light = |engine: &Engine| engine.view().enclosures[0].light.levels;
    assert_eq!(light(&again), light(&engine));
    let ramp = |view: View| view.enclosures[0].coming.iter().map(|row| row.from).collect::<Vec<_>>();
    assert_eq!(ramp(again.view())[1..], ramp(engine.view())[1..], "the plan is given that time at once");
}
