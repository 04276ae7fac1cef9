//! A house for one animal, whose clock a test turns minute by minute.

use std::sync::Arc;
use warmside::care::calendar::{Calendar, MonthDay};
use warmside::care::plan::Plan;
use warmside::care::settings::{Band, Care, HumidityCare, LightPlan, PlaceBands, Season};
use warmside::finding::around::Around;
use warmside::finding::fact::Fact;
use warmside::finding::{Change, Subject};
use warmside::terms::id::EnclosureIx;
use warmside::terms::place::Place;
use warmside::terms::time::{Now, Wall};

const MINUTE: i64 = 60_000;

/// What the clocks show.
pub struct Clock {
    /// Civil days since the first.
    pub day: i64,
    /// Civil minute of the day, 0 to 1439.
    pub minute: i64,
    /// What a timer that nobody set shows: the clock as it was on the first day.
    pub unset: i64,
    /// Minutes since the start.
    pub passed: i64,
}

impl Clock {
    /// Between 0 and 1, the same on every machine.
    pub fn noise(&self) -> f64 {
        (self.passed * 7_919 % 97) as f64 / 97.0
    }
}

/// What judges said: `civil time cause` (with `now` where it is more urgent than usual), or `civil time -cause` for calm; and by how many minutes light was shifted.
pub struct Said {
    pub all: Vec<String>,
    pub shifts: Vec<i64>,
}

impl Said {
    pub fn said(&self) -> Vec<&str> {
        self.all.iter().map(String::as_str).collect()
    }
}

pub fn bands(wanted: (f64, f64), night: Option<(f64, f64)>, never: (f64, f64)) -> PlaceBands {
    let of = |(low, high)| Band { low, high };
    PlaceBands { wanted: Some(of(wanted)), night: night.map(of), never: Some(of(never)), ..Default::default() }
}

/// The corn snake of `formats.md`, with its brumation.
pub fn corn_snake() -> Care {
    let mut care = Care::default();
    care.places[Place::WarmSide.index()] = Some(bands((29., 32.), Some((25., 29.)), (20., 36.)));
    care.places[Place::CoolSide.index()] = Some(bands((22., 26.), Some((20., 25.)), (18., 30.)));
    care.light = Some(LightPlan::Fixed { on_min: 480, hours: 12.0 });
    care.gradient_at_least_k = Some(4.0);
    let wanted = Band { low: 40.0, high: 60.0 };
    care.humidity = Some(HumidityCare { place: Place::CoolSide, wanted, dries_within: None });
    let day = |text| MonthDay::parse(text).expect("a day");
    let mut winter = Season {
        name: "brumation".into(),
        from: day("11-15"),
        until: day("02-10"),
        step_k: 1.0,
        places: [None; Place::COUNT],
        humidity: None,
        light: Some(LightPlan::Fixed { on_min: 600, hours: 8.0 }),
        gradient_at_least_k: Some(0.0),
    };
    winter.places[Place::WarmSide.index()] = Some(bands((10., 15.), Some((10., 15.)), (4., 20.)));
    winter.places[Place::CoolSide.index()] = Some(bands((9., 15.), Some((9., 15.)), (4., 20.)));
    care.seasons.push(winter);
    care
}

/// Turns the clock from midnight UTC of `first` in Dublin, a minute at a time, and lets `turn` tell judges what is measured.
pub fn run(care: Care, first: &str, days: i64, mut turn: impl FnMut(&Clock, &Around, Now, &mut Vec<Change>)) -> Said {
    run_with(care, first, days, |clock, around, now, _, out| turn(clock, around, now, out))
}

/// The same, and `turn` may change the plan.
pub fn run_with(
    care: Care,
    first: &str,
    days: i64,
    mut turn: impl FnMut(&Clock, &Around, Now, &mut Plan, &mut Vec<Change>),
) -> Said {
    let calendar = Arc::new(Calendar::new("Europe/Dublin", None).expect("a zone"));
    let start = Wall::parse_rfc3339(&format!("{first}T00:00:00Z")).expect("a date");
    let mut plan = Plan::new(Arc::new(care), calendar.clone(), start);
    let mut said = Said { all: vec![], shifts: vec![] };
    let (first_date, first_offset) = (calendar.civil(start).date, calendar.offset(start));
    for passed in 0..days * 1_440 {
        let now = Now::at(start.as_ms() + passed * MINUTE);
        let wanted = *plan.wanted(now.wall);
        let subject = Subject::Enclosure(EnclosureIx(0));
        let around = Around {
            subject,
            wanted: &wanted,
            lamp_heats: false,
            lamp_warms: None,
            lamp_may_waver: false,
            hold: false,
            room_c: None,
        };
        let civil = calendar.civil(now.wall);
        let minute = civil.of_day.as_ms() / MINUTE;
        let drift = (calendar.offset(now.wall) - first_offset).as_ms() / MINUTE;
        let day = civil.date.days_since(first_date);
        let clock = Clock { day, minute, unset: (minute - drift).rem_euclid(1_440), passed };
        let mut out = Vec::new();
        turn(&clock, &around, now, &mut plan, &mut out);
        for change in out {
            match change {
                Change::Stands(finding) => {
                    let raised = finding.urgency > finding.key.cause.usual_urgency();
                    said.all.push(format!("{civil} {}{}", finding.key.cause.word(), if raised { " now" } else { "" }));
                    let shifts = finding.facts.iter().filter_map(|fact| match fact {
                        Fact::LightShift { by } => Some(by.as_ms() / MINUTE),
                        _ => None,
                    });
                    said.shifts.extend(shifts);
                }
                Change::Calm(key) => said.all.push(format!("{civil} -{}", key.cause.word())),
            }
        }
    }
    said
}
