//! What is wanted, over years, zones and any mix of override, season and ramp: properties of `care`.

use proptest::prelude::*;
use std::sync::Arc;
use warmside::care::calendar::{Calendar, Date, MonthDay};
use warmside::care::light_plan::lit;
use warmside::care::plan::{Plan, Wanted};
use warmside::care::settings::{Band, Care, LightPlan, Override, PlaceBands, Season};
use warmside::nature::sun::Position;
use warmside::terms::place::Place;
use warmside::terms::quantity::Degrees;
use warmside::terms::time::{Span, Wall};

/// Zones with either hemisphere's clock changes, a half-hour one, one at midnight and none.
const ZONES: [&str; 6] =
    ["Europe/Dublin", "America/Denver", "Australia/Sydney", "Australia/Lord_Howe", "America/Santiago", "Asia/Kolkata"];

fn at(text: &str) -> Wall {
    Wall::parse_rfc3339(text).expect("a literal")
}

fn bands(
    wanted: (f64, f64),
    night: Option<(f64, f64)>,
    never: (f64, f64),
    never_night: Option<(f64, f64)>,
) -> PlaceBands {
    let of = |(low, high)| Band { low, high };
    PlaceBands {
        wanted: Some(of(wanted)),
        night: night.map(of),
        never: Some(of(never)),
        never_night: never_night.map(of),
        judged: None,
    }
}

/// The corn snake of `formats.md`, with its brumation.
fn corn_snake() -> Care {
    let mut care = Care::default();
    care.places[Place::WarmSide.index()] = Some(bands((29., 32.), Some((25., 29.)), (25., 36.), Some((20., 36.))));
    care.places[Place::CoolSide.index()] = Some(bands((22., 26.), Some((20., 25.)), (18., 30.), None));
    care.places[Place::BaskingSpot.index()] = Some(bands((30., 34.), None, (18., 42.), None));
    care.light = Some(LightPlan::Fixed { on_min: 480, hours: 12.0 });
    care.gradient_at_least_k = Some(4.0);
    let mut winter = Season {
        name: "brumation".into(),
        from: MonthDay::parse("11-15").expect("a day"),
        until: MonthDay::parse("02-10").expect("a day"),
        step_k: 1.0,
        places: [None; Place::COUNT],
        humidity: None,
        light: Some(LightPlan::Fixed { on_min: 600, hours: 8.0 }),
        gradient_at_least_k: Some(0.0),
    };
    winter.places[Place::WarmSide.index()] = Some(bands((10., 15.), Some((10., 15.)), (4., 20.), None));
    winter.places[Place::CoolSide.index()] = Some(bands((9., 15.), Some((9., 15.)), (4., 20.), None));
    winter.places[Place::BaskingSpot.index()] = Some(PlaceBands { judged: Some(false), ..Default::default() });
    care.seasons.push(winter);
    care
}

fn plan(care: Care, zone: &str, from: Wall) -> Plan {
    Plan::new(Arc::new(care), Arc::new(Calendar::new(zone, None).expect("a zone")), from)
}

fn warm(wanted: &Wanted) -> (f64, f64, f64, f64) {
    let w = wanted.place(Place::WarmSide).expect("judged");
    (w.wanted.low, w.wanted.high, w.never.low, w.never.high)
}

#[test]
fn a_day_of_the_corn_snake() {
    let mut plan = plan(corn_snake(), "Europe/Dublin", at("2026-06-01T00:00:00Z"));
    // Civil 08:00 is 07:00 UTC in June.
    assert_eq!(warm(plan.wanted(at("2026-06-01T06:59:59Z"))), (25., 29., 20., 36.), "night");
    assert_eq!(warm(plan.wanted(at("2026-06-01T07:00:00Z"))), (25., 32., 20., 36.), "lights on: wider at once");
    assert_eq!(warm(plan.wanted(at("2026-06-01T08:29:59Z"))), (25., 32., 20., 36.), "and while it follows");
    assert_eq!(warm(plan.wanted(at("2026-06-01T08:45:00Z"))), (27., 32., 22.5, 36.), "then narrower");
    assert_eq!(warm(plan.wanted(at("2026-06-01T09:00:00Z"))), (29., 32., 25., 36.), "day");
    assert_eq!(warm(plan.wanted(at("2026-06-01T19:00:00Z"))), (25., 32., 20., 36.), "lights off");
    assert_eq!(warm(plan.wanted(at("2026-06-01T21:00:00Z"))), (25., 29., 20., 36.), "the night drop is due");
    let night = *plan.wanted(at("2026-06-01T22:00:00Z"));
    assert!(night.is_night() && !night.moving);
    let basking = night.place(Place::BaskingSpot).expect("judged");
    assert!(!basking.low_judged && basking.wanted.high == 34.0, "no night band: not judged low");
    assert!((night.gradient_at_least_k - 4.0 * 4.5 / 6.5).abs() < 1e-9, "in proportion to the nightly bands");
    let day = plan.wanted(at("2026-06-01T12:00:00Z"));
    assert!(day.place(Place::BaskingSpot).expect("judged").low_judged);
    assert_eq!((day.gradient_at_least_k, day.light_on), (4.0, Some(true)));
    assert_eq!(day.since_planned_change(at("2026-06-01T12:00:00Z")), Some(Span::h(5)));
    assert_eq!(day.until_planned_change(at("2026-06-01T12:00:00Z")), Some(Span::h(7)));
    let midnight = at("2026-05-31T23:00:00Z");
    let mut wakes = vec![midnight];
    while wakes.len() < 8 {
        wakes.push(plan.next_wake(wakes[wakes.len() - 1]));
    }
    let hours: Vec<f64> = wakes.iter().map(|w| w.since(midnight).as_h()).collect();
    assert_eq!(hours, [0.0, 8.0, 9.5, 10.0, 20.0, 21.5, 22.0, 24.0]);
}

#[test]
fn brumation_comes_and_goes_by_a_kelvin_a_day() {
    let mut plan = plan(corn_snake(), "Europe/Dublin", at("2026-11-01T00:00:00Z"));
    let mut noon = |date: &str| warm(plan.wanted(at(&format!("{date}T14:00:00Z"))));
    assert_eq!(noon("2026-11-14"), (29., 32., 25., 36.), "the day before");
    let first = noon("2026-11-15");
    assert!((27.0..28.0).contains(&first.0) && first.1 == 32.0, "{first:?}");
    let fifth = noon("2026-11-20");
    assert!(fifth.0 < 24.5 && (27.0..28.5).contains(&fifth.1), "{fifth:?}");
    assert_eq!(noon("2026-12-24"), (10., 15., 4., 20.), "over New Year");
    assert_eq!(noon("2027-02-09"), (10., 15., 4., 20.));
    let back = noon("2027-02-14");
    assert!(back.0 < 14.1 && back.1 > 19.5, "{back:?}");
    assert_eq!(noon("2027-03-15"), (29., 32., 25., 36.), "spring");
    let mut plan = self::plan(corn_snake(), "Europe/Dublin", at("2026-12-24T14:00:00Z"));
    let deep = *plan.wanted(at("2026-12-24T14:00:00Z"));
    assert_eq!((deep.gradient_at_least_k, deep.place(Place::BaskingSpot)), (0.0, None));
    let table = plan.on(Date::parse("2026-11-15").expect("a date"));
    let light = table.light.expect("a plan");
    let shown: Vec<String> = light.changes.iter().map(|(when, on)| format!("{when} {on}")).collect();
    assert_eq!(shown, ["2026-11-15 10:00 true", "2026-11-15 18:00 false"], "a season's light at once");
    assert_eq!(light.lit, Span::h(8));
}

#[test]
fn a_timer_stays_in_civil_time_in_six_zones_for_four_years() {
    for zone in ZONES {
        let calendar = Calendar::new(zone, None).expect("a zone");
        let mut odd = 0;
        // 2027 to 2030 has a leap day, and every zone its changes.
        for day in 0..1_461 {
            let date = Date::new(2027, 1, 1).expect("a date").plus_days(day);
            let (on, off) = lit(LightPlan::Fixed { on_min: 480, hours: 12.0 }, date, &calendar).expect("a plan");
            assert_eq!(calendar.civil(on).to_string(), format!("{date} 08:00"), "{zone}");
            assert_eq!(calendar.civil(off).to_string(), format!("{date} 20:00"), "{zone}");
            assert_eq!(off.since(on), Span::h(12), "{zone} {date}");
            // Over the hours in which clocks change: as long as those hours were.
            let (on, off) = lit(LightPlan::Fixed { on_min: 1_380, hours: 6.0 }, date, &calendar).expect("a plan");
            let change = calendar.offset(off) - calendar.offset(on);
            assert_eq!(off.since(on) + change, Span::h(6), "{zone} {date}");
            odd += i32::from(change != Span::ZERO);
        }
        assert_eq!(odd, if zone == "Asia/Kolkata" { 0 } else { 8 }, "{zone}: two changes a year");
    }
}

#[test]
fn lights_in_the_skipped_and_the_repeated_hour() {
    let dublin = Calendar::new("Europe/Dublin", None).expect("a zone");
    let spring = Date::parse("2027-03-28").expect("a date");
    let autumn = Date::parse("2027-10-31").expect("a date");
    let plan = LightPlan::Fixed { on_min: 90, hours: 12.0 };
    assert_eq!(lit(plan, spring, &dublin), Some((at("2027-03-28T01:30:00Z"), at("2027-03-28T12:30:00Z"))));
    assert_eq!(lit(plan, autumn, &dublin), Some((at("2027-10-31T00:30:00Z"), at("2027-10-31T13:30:00Z"))));
}

/// Day length by the sunrise equation with the declination of Spencer 1971 and the usual -0.833°: from memory, good to some minutes.
fn day_length_h(latitude_deg: f64, day_of_year: f64) -> f64 {
    let g = std::f64::consts::TAU * (day_of_year - 1.0) / 365.0;
    let declination = 0.006918 - 0.399912 * libm::cos(g) + 0.070257 * libm::sin(g) - 0.006758 * libm::cos(2.0 * g)
        + 0.000907 * libm::sin(2.0 * g)
        - 0.002697 * libm::cos(3.0 * g)
        + 0.00148 * libm::sin(3.0 * g);
    let lat = latitude_deg.to_radians();
    let horizon = libm::sin((-0.833_f64).to_radians());
    let cos = (horizon - libm::sin(lat) * libm::sin(declination)) / (libm::cos(lat) * libm::cos(declination));
    2.0 * libm::acos(cos.clamp(-1.0, 1.0)).to_degrees() / 15.0
}

#[test]
fn light_that_follows_the_sun_is_as_long_as_the_day_on_every_day() {
    let places =
        [(53.35, -6.26), (39.74, -104.99), (-33.87, 151.21), (-31.55, 159.08), (-33.45, -70.67), (22.57, 88.36)];
    for (zone, (lat, lon)) in ZONES.into_iter().zip(places) {
        let calendar = Calendar::new(zone, Position::new(lat, lon)).expect("a zone");
        for day in 0..1_461 {
            let date = Date::new(2027, 1, 1).expect("a date").plus_days(day);
            let (year, _, _) = date.year_month_day();
            let of_year = date.days_since(Date::new(year, 1, 1).expect("a date")) + 1;
            let (on, off) =
                lit(LightPlan::Sun { shortest_h: 0.0, longest_h: 24.0 }, date, &calendar).expect("a position");
            let want = day_length_h(lat, of_year as f64);
            assert!((off.since(on).as_h() - want).abs() < 0.12, "{zone} {date}: {} for {want}", off.since(on).as_h());
            assert_eq!(calendar.civil(on).date, date, "{zone}: its own civil day");
            let (on, off) =
                lit(LightPlan::Sun { shortest_h: 10.0, longest_h: 14.0 }, date, &calendar).expect("a position");
            let clamped = off.since(on).as_h();
            assert!((clamped - want.clamp(10.0, 14.0)).abs() < 0.12 && (9.999..=14.001).contains(&clamped));
        }
    }
    let tromso = Calendar::new("Europe/Oslo", Position::new(69.65, 18.96)).expect("a zone");
    let hours = |date: &str| {
        let plan = LightPlan::Sun { shortest_h: 8.0, longest_h: 16.0 };
        lit(plan, Date::parse(date).expect("a date"), &tromso).map(|(on, off)| off.since(on))
    };
    assert_eq!(hours("2026-06-21"), Some(Span::h(16)), "polar day");
    assert_eq!(hours("2026-12-21"), Some(Span::h(8)), "polar night");
}

#[test]
fn lamps_that_never_change_have_no_changes() {
    for (hours, on) in [(24.0, true), (0.0, false)] {
        let mut care = corn_snake();
        care.seasons.clear();
        care.light = Some(LightPlan::Fixed { on_min: 480, hours });
        let mut plan = plan(care, "Europe/Dublin", at("2026-03-20T00:00:00Z"));
        for hour in 0..24 * 20 {
            let when = at("2026-03-20T00:00:00Z") + Span::h(hour);
            let wanted = plan.wanted(when);
            assert_eq!((wanted.light_on, wanted.changed_at, wanted.changes_at), (Some(on), None, None), "{hour}");
            assert!(!wanted.moving);
        }
    }
}

/// Any band within -10 to 65 °C.
fn any_band() -> impl Strategy<Value = Band> {
    (-10.0..49.0, 0.5..15.0).prop_map(|(low, width)| Band { low, high: low + width })
}

fn any_place() -> impl Strategy<Value = PlaceBands> {
    let maybe = || proptest::option::of(any_band());
    (any_band(), maybe(), any_band(), maybe(), proptest::option::of(any::<bool>())).prop_map(
        |(wanted, night, never, never_night, judged)| PlaceBands {
            wanted: Some(wanted),
            night,
            never: Some(never),
            never_night,
            judged,
        },
    )
}

fn any_light() -> impl Strategy<Value = LightPlan> {
    (0_u16..1_440, 0.0..24.0).prop_map(|(on_min, hours)| LightPlan::Fixed { on_min, hours })
}

fn any_month_day() -> impl Strategy<Value = MonthDay> {
    (1_u8..=12, 1_u8..=31).prop_filter_map("a day", |(m, d)| MonthDay::new(m, d))
}

/// As a site in °F would have stated it.
fn by_way_of_fahrenheit(mut care: Care) -> Care {
    let band =
        |b: Band| Band { low: Degrees::F.read(Degrees::F.show(b.low)), high: Degrees::F.read(Degrees::F.show(b.high)) };
    let place = |p: PlaceBands| PlaceBands {
        wanted: p.wanted.map(band),
        night: p.night.map(band),
        never: p.never.map(band),
        never_night: p.never_night.map(band),
        judged: p.judged,
    };
    care.places = care.places.map(|p| p.map(place));
    for season in &mut care.seasons {
        season.places = season.places.map(|p| p.map(place));
        season.step_k = Degrees::F.read_difference(Degrees::F.show_difference(season.step_k));
    }
    care
}

prop_compose! {
    fn any_season()(from in any_month_day(), until in any_month_day(), step_k in 0.2..5.0,
        warm in proptest::option::of(any_place()), cool in proptest::option::of(any_place()),
        light in proptest::option::of(any_light())) -> Season {
        let mut places = [None; Place::COUNT];
        places[Place::WarmSide.index()] = warm;
        places[Place::CoolSide.index()] = cool;
        Season { name: "s".into(), from, until, step_k, places, humidity: None, light, gradient_at_least_k: Some(1.0) }
    }
}

prop_compose! {
    fn any_care()(warm in any_place(), cool in any_place(), over in proptest::option::of(any_place()), light in any_light(),
        seasons in proptest::collection::vec(any_season(), 0..3)) -> Care {
        let mut care = Care { light: Some(light), seasons, gradient_at_least_k: Some(3.0), ..Default::default() };
        care.places[Place::WarmSide.index()] = Some(warm);
        care.places[Place::CoolSide.index()] = Some(cool);
        let mut by = Override::default();
        by.places[Place::CoolSide.index()] = over;
        care.overridden(&by)
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_band_inverts_or_narrows_suddenly(care in any_care(), zone in 0..6_usize, start in 0_i64..1_461,
        follows in 10_i64..360, is_f in any::<bool>()) {
        let care = if is_f { by_way_of_fahrenheit(care) } else { care };
        let from = at("2027-01-01T00:00:00Z") + Span::days(start);
        let steps: f64 = care.seasons.iter().map(|s| s.step_k).sum();
        // Bands at most 75 K apart fade over a third of the time to follow, looked at every 2 min; and the steps of seasons.
        let most = 75.0 * 2.0 / (follows as f64 / 3.0) + 0.1 + 2.0 * steps / 690.0;
        let mut plan = plan(care, ZONES[zone], from);
        plan.set_follows_within(Span::min(follows));
        let calendar = plan.calendar().clone();
        let mut before: Option<Wanted> = None;
        for minute in (0..4 * 1_440).step_by(2) {
            let wanted = *plan.wanted(from + Span::min(minute));
            for (i, place) in wanted.places.iter().enumerate() {
                let Some(place) = place else { continue };
                prop_assert!(place.wanted.low < place.wanted.high && place.never.low < place.never.high);
                prop_assert!(place.wanted.low.is_finite() && place.wanted.high.is_finite());
                let Some(earlier) = before.and_then(|b: Wanted| b.places[i]) else { continue };
                prop_assert!(place.wanted.high >= earlier.wanted.high - most, "{} {:?} {:?}", minute, earlier, place);
                prop_assert!(place.never.low <= earlier.never.low + most, "{} {:?} {:?}", minute, earlier, place);
                prop_assert!(place.never.high >= earlier.never.high - most, "{} {:?} {:?}", minute, earlier, place);
                prop_assert!(place.wanted.low <= earlier.wanted.low + most, "{} {:?} {:?}", minute, earlier, place);
                // It gets wider at a stated instant alone: when lights change, or at a midnight on which a season moves.
                let now = from + Span::min(minute);
                let changed = wanted.changed_at.is_some_and(|at| now.since(at) < Span::min(2));
                let midnight = calendar.civil(now).date != calendar.civil(now - Span::min(2)).date;
                let wider = place.wanted.high - earlier.wanted.high > most || earlier.wanted.low - place.wanted.low > most;
                prop_assert!(!wider || changed || midnight, "{} {:?} {:?}", minute, earlier, place);
            }
            prop_assert!(wanted.gradient_at_least_k >= 0.0);
            before = Some(wanted);
        }
    }

    #[test]
    fn asking_in_any_order_gives_the_same(care in any_care(), zone in 0..6_usize,
        seconds in proptest::collection::vec(0_i64..40_000_000, 1..40)) {
        let from = at("2027-01-01T00:00:00Z");
        let mut busy = plan(care.clone(), ZONES[zone], from);
        for s in seconds {
            let when = from + Span::s(s);
            let fresh = *plan(care.clone(), ZONES[zone], when).wanted(when);
            prop_assert_eq!(*busy.wanted(when), fresh);
            prop_assert!(busy.next_wake(when) > when);
        }
    }

    #[test]
    fn limits_that_lie_within_each_other_stay_so(warm in any_band(), winter in any_band(), step in 0.3..3.0, day in 0_i64..400) {
        let around = |b: Band| Band { low: b.low - 3.0, high: b.high + 4.0 };
        let place = |b: Band| PlaceBands { wanted: Some(b), never: Some(around(b)), ..Default::default() };
        let mut care = Care { light: Some(LightPlan::Fixed { on_min: 480, hours: 12.0 }), ..Default::default() };
        care.places[0] = Some(place(warm));
        let mut season = corn_snake().seasons.remove(0);
        season.places = [None; Place::COUNT];
        season.places[0] = Some(place(winter));
        season.step_k = step;
        care.seasons.push(season);
        let when = at("2026-10-01T00:00:00Z") + Span::days(day) + Span::h(13);
        let mut plan = plan(care, "Europe/Dublin", when);
        let wanted = plan.wanted(when).places[0].expect("judged");
        prop_assert!(wanted.never.holds(wanted.wanted), "{:?}", wanted);
    }
}

#[test]
fn the_day_ahead_is_told_by_its_changes() {
    let now = at("2026-06-01T10:00:00Z");
    let plan = plan(corn_snake(), "Europe/Dublin", now);
    let told: Vec<String> =
        plan.ahead(now, Span::h(24)).iter().map(|(when, _)| plan.calendar().civil(*when).to_string()).collect();
    let times = ["2026-06-01 11:00", "2026-06-01 20:00", "2026-06-01 22:00", "2026-06-02 08:00", "2026-06-02 10:00"];
    assert_eq!(told[..5], times);
}
