//! What is wanted in one enclosure at an instant: bands by day and night with their ramps, light, humidity, gradient.
//!
//! A [`Plan`] holds one civil day ready and refreshes itself when an instant leaves it, so that asking costs nanoseconds.
//! When lights go on or off, a band gets wider at once and narrower only when the enclosure has had its time to follow: for that
//! time both bands together are judged, then over a third of it the old one fades. A planned change so never alarms, and one
//! that does not come does.

use crate::care::calendar::{Calendar, Civil, Date};
use crate::care::light_plan;
use crate::care::season::{self, Judged, Limits, Phase, PlaceLimits};
use crate::care::settings::{Band, Care, HumidityCare};
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use serde::Serialize;
use std::sync::Arc;

/// How long an enclosure has to follow a planned change until it has shown how long it takes.
pub const FOLLOWS_WITHIN: Span = Span::min(90);

/// Bands that move are moved so often.
const GRAIN: Span = Span::s(10);

/// A planned change further off than this is none: the plan is made from a few dates.
const HORIZON: Span = Span::h(47);

/// What is wanted at one place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PlaceWanted {
    /// What is judged now.
    pub wanted: Band,
    /// Whether below `wanted` means anything now.
    pub low_judged: bool,
    /// Where a life is in danger, now.
    pub never: Band,
    /// What it comes to when no change is under way: the day's or the night's own limits.
    pub settled: Limits,
    /// The limits of the other part of the day.
    pub other: Limits,
}

/// What is wanted in an enclosure at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Wanted {
    pub places: [Option<PlaceWanted>; Place::COUNT],
    pub humidity: Option<HumidityCare>,
    /// Whether lamps are due; `None` without a light plan.
    pub light_on: Option<bool>,
    /// The last planned change of the light, if it was within two days.
    pub changed_at: Option<Wall>,
    /// The next one, if it comes within two days.
    pub changes_at: Option<Wall>,
    /// How far the site's clocks were moved (ahead: positive) in the last week: what a timer that nobody set is off by.
    pub clocks_moved: Span,
    /// Between warm side and cool side while heat is due; 0: not judged.
    pub gradient_at_least_k: f64,
    /// Bands are on their way: after a change of the light or in a season's steps.
    pub moving: bool,
    /// They are so by a season's steps.
    pub season_moves: bool,
}

impl Wanted {
    pub fn place(&self, place: Place) -> Option<&PlaceWanted> {
        self.places[place.index()].as_ref()
    }
    /// The band of a place while it is on its way: a level within it may be the plan's own doing. However fast an enclosure has
    /// followed so far, for the usual time both bands count here: what judges heat compares with other days, and the first night
    /// that drops again after some that did not looks to it like heat that is lost.
    pub fn moving_band(&self, place: Place, at: Wall) -> Option<Band> {
        let place = self.place(place)?;
        let is_late = || self.is_followed_from().is_none_or(|then| at >= then);
        match self.moving {
            true => Some(place.wanted),
            false if is_late() => None,
            false => Some(place.settled.wanted.union(place.other.wanted)),
        }
    }
    /// From when on the last planned change is long past, however fast the enclosure follows.
    pub fn is_followed_from(&self) -> Option<Wall> {
        self.changed_at.map(|then| then + faded(FOLLOWS_WITHIN))
    }
    pub fn since_planned_change(&self, at: Wall) -> Option<Span> {
        self.changed_at.map(|then| at.since(then))
    }
    pub fn until_planned_change(&self, at: Wall) -> Option<Span> {
        self.changes_at.map(|then| then.since(at))
    }
    /// Lamps are not due. Without a light plan it is always day.
    pub fn is_night(&self) -> bool {
        self.light_on == Some(false)
    }
}

/// One civil day, worked out.
#[derive(Clone, Debug)]
struct Day {
    from: Wall,
    until: Wall,
    changes: Vec<(Wall, bool)>,
    has_light: bool,
    clocks_moved: Span,
    start: Judged,
    end: Judged,
}

impl Day {
    fn new(care: &Care, calendar: &Calendar, date: Date) -> Day {
        let changes =
            light_plan::changes(|d| season::light_on(care, d), date.plus_days(-3), date.plus_days(3), calendar);
        let (from, until) = (calendar.midnight(date), calendar.midnight(date.plus_days(1)));
        Day {
            from,
            until,
            clocks_moved: calendar.offset(until) - calendar.offset(from - Span::days(7)),
            changes,
            has_light: season::light_on(care, date).is_some(),
            start: season::judged(care, date, false),
            end: season::judged(care, date, true),
        }
    }

    fn holds(&self, at: Wall) -> bool {
        (self.from..self.until).contains(&at)
    }

    /// The last change at or before `at` with the light it made, and the next.
    fn around(&self, at: Wall) -> (Option<(Wall, bool)>, Option<Wall>) {
        let after = self.changes.partition_point(|&(when, _)| when <= at);
        let last = after.checked_sub(1).and_then(|i| self.changes.get(i)).copied();
        let next = self.changes.get(after).map(|&(when, _)| when);
        (last, next)
    }
}

/// What is wanted in one enclosure, at any instant; cheapest when instants come in order.
#[derive(Clone, Debug)]
pub struct Plan {
    care: Arc<Care>,
    calendar: Arc<Calendar>,
    follows_within: Span,
    day: Day,
    wanted: Wanted,
    /// `wanted` holds in this interval.
    holds: (Wall, Wall),
}

impl Plan {
    /// `care` with the enclosure's override merged in already, see [`Care::overridden`].
    pub fn new(care: Arc<Care>, calendar: Arc<Calendar>, at: Wall) -> Plan {
        let day = Day::new(&care, &calendar, calendar.civil(at).date);
        let (wanted, holds) = evaluate(&day, FOLLOWS_WITHIN, at);
        Plan { care, calendar, follows_within: FOLLOWS_WITHIN, day, wanted, holds }
    }

    pub fn care(&self) -> &Care {
        &self.care
    }

    pub fn calendar(&self) -> &Calendar {
        &self.calendar
    }

    /// How long this enclosure takes to follow a change, once it is known; between 10 minutes and 6 hours.
    pub fn set_follows_within(&mut self, span: Span) {
        let span = span.clamp(Span::min(10), Span::h(6));
        if span != self.follows_within {
            self.follows_within = span;
            self.holds = (Wall::MAX, Wall::MAX);
        }
    }

    pub fn follows_within(&self) -> Span {
        self.follows_within
    }

    /// What is wanted at an instant.
    pub fn wanted(&mut self, at: Wall) -> &Wanted {
        if !(self.holds.0..self.holds.1).contains(&at) {
            if !self.day.holds(at) {
                self.day = Day::new(&self.care, &self.calendar, self.calendar.civil(at).date);
            }
            (self.wanted, self.holds) = evaluate(&self.day, self.follows_within, at);
        }
        &self.wanted
    }

    /// From when until when what [`Plan::wanted`] said last stays so.
    pub fn holds(&self) -> (Wall, Wall) {
        self.holds
    }

    /// When something that is judged may next be other than it is at `at`: a change of the light, the end of a ramp, a midnight.
    pub fn next_wake(&mut self, at: Wall) -> Wall {
        self.wanted(at);
        let day = &self.day;
        let (last, next) = day.around(at);
        let ramp =
            last.into_iter().flat_map(|(when, _)| [when + self.follows_within, when + faded(self.follows_within)]);
        let all = ramp.chain(next).chain([day.until]);
        all.filter(|&when| when > at).min().unwrap_or(Wall::MAX)
    }

    /// A day as a table: what a keeper checks before trusting it.
    pub fn on(&self, date: Date) -> DayTable {
        let day = Day::new(&self.care, &self.calendar, date);
        let inside = |&&(when, _): &&(Wall, bool)| day.holds(when);
        let seasons = season::phases(&self.care, date);
        let lit_from_start = day.around(day.from).0.is_some_and(|(_, on)| on);
        DayTable {
            date,
            from: day.from,
            until: day.until,
            light: day.has_light.then(|| LightOfDay {
                on_at_start: lit_from_start,
                changes: day.changes.iter().filter(inside).map(|&(when, on)| (self.calendar.civil(when), on)).collect(),
                lit: lit_time(&day),
            }),
            seasons: seasons.into_iter().map(|(s, phase)| (s.name.clone(), phase)).collect(),
            start: day.start,
            end: day.end,
        }
    }

    /// What is wanted at `at` and after each planned change and ramp of the `span` that follows, for `explain`.
    pub fn ahead(&self, at: Wall, span: Span) -> Vec<(Wall, Wanted)> {
        let mut plan = self.clone();
        let (mut when, end) = (at, at + span);
        let mut found: Vec<(Wall, Wanted)> = Vec::new();
        while when <= end && found.len() < 200 {
            let wanted = *plan.wanted(when);
            if found
                .last()
                .is_none_or(|(_, before)| before.places != wanted.places || before.light_on != wanted.light_on)
            {
                found.push((when, wanted));
            }
            when = plan.next_wake(when);
        }
        found
    }
}

/// What is wanted in the course of a date.
#[derive(Clone, Debug, PartialEq)]
pub struct DayTable {
    pub date: Date,
    pub from: Wall,
    pub until: Wall,
    pub light: Option<LightOfDay>,
    pub seasons: Vec<(String, Phase)>,
    /// At its first and at its last instant; they differ while a season moves.
    pub start: Judged,
    pub end: Judged,
}

/// The lamps of a date.
#[derive(Clone, Debug, PartialEq)]
pub struct LightOfDay {
    pub on_at_start: bool,
    pub changes: Vec<(Civil, bool)>,
    /// How long lamps are due within the date.
    pub lit: Span,
}

fn lit_time(day: &Day) -> Span {
    let mut lit = Span::ZERO;
    let (mut since, mut on) = (day.from, day.around(day.from).0.is_some_and(|(_, on)| on));
    for &(when, goes_on) in day.changes.iter().filter(|(when, _)| day.holds(*when)) {
        if on {
            lit = lit + when.since(since);
        }
        (since, on) = (when, goes_on);
    }
    if on { lit + day.until.since(since) } else { lit }
}

/// When the band before a change has faded.
fn faded(follows_within: Span) -> Span {
    follows_within + Span::ms(follows_within.as_ms() / 3)
}

/// What is wanted at `at`, and the interval in which it stays so.
fn evaluate(day: &Day, follows_within: Span, at: Wall) -> (Wanted, (Wall, Wall)) {
    let (last, next) = day.around(at);
    let held = last.map(|(when, _)| when + follows_within);
    let gone = last.map(|(when, _)| when + faded(follows_within));
    // Every instant from which something is judged in another way.
    let edges = [Some(day.from), Some(day.until), last.map(|(when, _)| when), held, gone, next];
    let edges = || edges.into_iter().flatten();
    let mut from = edges().filter(|&when| when <= at).max().unwrap_or(Wall::MIN);
    let mut until = edges().filter(|&when| when > at).min().unwrap_or(Wall::MAX);

    let fading = held.zip(gone).is_some_and(|(held, gone)| held <= at && at < gone);
    let stepping = day.start != day.end;
    if fading || stepping {
        let grain = Wall::from_ms(at.as_ms().div_euclid(GRAIN.as_ms()).saturating_mul(GRAIN.as_ms()));
        from = from.max(grain);
        until = until.min(grain + GRAIN);
    }
    // How much of the band before the last change is still allowed.
    let old = match (held, gone) {
        (Some(held), Some(gone)) if from < gone && held < gone => {
            (gone.since(from).as_s() / gone.since(held).as_s()).clamp(0.0, 1.0)
        }
        _ => 0.0,
    };
    let light = last.is_some_and(|(_, on)| on);
    let light_on = day.has_light.then_some(light);
    let is_day = light_on != Some(false);
    let old = if day.has_light { old } else { 0.0 };
    let through = from.since(day.from).as_s() / day.until.since(day.from).as_s().max(1.0);

    let mut wanted = Wanted {
        places: [None; Place::COUNT],
        humidity: day.start.humidity,
        light_on,
        changed_at: last.map(|(when, _)| when).filter(|&when| from.since(when) < HORIZON),
        changes_at: next.filter(|&when| when.since(from) < HORIZON),
        clocks_moved: day.clocks_moved,
        gradient_at_least_k: 0.0,
        moving: old > 0.0 || stepping,
        season_moves: stepping,
    };
    for (i, place) in wanted.places.iter_mut().enumerate() {
        if let (Some(start), Some(end)) = (day.start.places[i], day.end.places[i]) {
            *place = Some(judge(between(start, end, through), is_day, old));
        }
    }
    wanted.gradient_at_least_k = gradient(day, is_day, old > 0.0, &wanted);
    (wanted, (from, until))
}

fn judge(limits: PlaceLimits, is_day: bool, old: f64) -> PlaceWanted {
    let (settled, other) = if is_day { (limits.day, limits.night) } else { (limits.night, limits.day) };
    PlaceWanted {
        wanted: widened(settled.wanted, other.wanted, old),
        low_judged: settled.low_judged && (other.low_judged || old < 1.0),
        never: widened(settled.never, other.never, old),
        settled,
        other,
    }
}

/// `band`, widened towards `other` by a part of what `other` reaches beyond it.
fn widened(band: Band, other: Band, part: f64) -> Band {
    Band {
        low: band.low - part * (band.low - other.low).max(0.0),
        high: band.high + part * (other.high - band.high).max(0.0),
    }
}

fn between(start: PlaceLimits, end: PlaceLimits, part: f64) -> PlaceLimits {
    if start == end {
        return start;
    }
    let value = |a: f64, b: f64| a + part * (b - a);
    let band = |a: Band, b: Band| Band { low: value(a.low, b.low), high: value(a.high, b.high) };
    let phase = |a: Limits, b: Limits| Limits {
        wanted: band(a.wanted, b.wanted),
        low_judged: a.low_judged && b.low_judged,
        never: band(a.never, b.never),
    };
    PlaceLimits { day: phase(start.day, end.day), night: phase(start.night, end.night) }
}

/// The gradient that is judged: by night in proportion to what the nightly bands leave of it, nothing where the warm side is not
/// judged low, and the lesser of both on the way between.
fn gradient(day: &Day, is_day: bool, moving: bool, wanted: &Wanted) -> f64 {
    let at_least = day.start.gradient_at_least_k.min(day.end.gradient_at_least_k);
    let (Some(warm), Some(cool)) = (wanted.place(Place::WarmSide), wanted.place(Place::CoolSide)) else {
        return if is_day && !moving { at_least } else { 0.0 };
    };
    let (by_day, by_night) = if is_day { (warm.settled, warm.other) } else { (warm.other, warm.settled) };
    let (cool_day, cool_night) = if is_day { (cool.settled, cool.other) } else { (cool.other, cool.settled) };
    let apart = by_day.wanted.middle() - cool_day.wanted.middle();
    let apart_night = by_night.wanted.middle() - cool_night.wanted.middle();
    let night = match (by_night.low_judged && cool_night.low_judged, apart > 0.0) {
        (true, true) => at_least * (apart_night / apart).clamp(0.0, 1.0),
        _ => 0.0,
    };
    match (is_day, moving) {
        (_, true) => night.min(at_least),
        (true, false) => at_least,
        (false, false) => night,
    }
}
