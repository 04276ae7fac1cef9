//! `[[care.….season]]`: dated changes of care, and what makes one impossible.

use super::band::{self, Stated, short};
use super::care::{Needs, StatedCare, nightless};
use super::site::Site;
use super::walk::{Table, Walk, shown};
use crate::care::calendar::MonthDay;
use crate::care::settings::{Band, Care, PlaceBands, Season};
use crate::terms::place::Place;
use std::ops::Range;

/// One season, and where its parts stand.
#[derive(Clone, Debug)]
pub struct StatedSeason {
    pub season: Season,
    pub needs: Needs,
    /// Its header.
    pub span: Range<usize>,
}

/// Every season of one care.
pub fn seasons(care: &Table<'_>, site: &Site) -> Vec<StatedSeason> {
    let name = format!("[{}.season]", care.name);
    let tables = care.tables("season", &name);
    let seasons: Vec<StatedSeason> = tables.iter().filter_map(|table| season(table, site)).collect();
    for (i, later) in seasons.iter().enumerate() {
        let earlier = seasons.iter().take(i).find(|s| overlap(&s.season, &later.season));
        if let Some(earlier) = earlier {
            let what = format!("\"{}\" overlaps \"{}\"", shown(&later.season.name), shown(&earlier.season.name));
            let right = "on any day one season is in force at the most";
            care.walk.fault_beside(&later.span, what, right, &earlier.span, "the other");
        }
    }
    seasons
}

fn season(table: &Table<'_>, site: &Site) -> Option<StatedSeason> {
    const MOST_K: f64 = 10.0;
    let name = table.get("name").and_then(|v| v.line()).unwrap_or_else(|| "season".into());
    let date = |key: &'static str, example: &str| {
        table.need(key, example)?.read("day of the year", |text| {
            MonthDay::parse(text).ok_or_else(|| "write month and day of a day that exists, as \"11-15\"".to_owned())
        })
    };
    let from = date("from", "from = \"11-15\"");
    let until = date("until", "until = \"02-10\"");
    let step_k = table.get("step").and_then(|v| {
        let step = site.degrees.read_difference(v.number()?);
        if !(step > 0.0 && step <= MOST_K) {
            let most = short(site.degrees.show_difference(MOST_K));
            v.fault("this is no step", format!("degrees a day, more than 0 and at most {most}, as 1.0"));
            return None;
        }
        Some(step)
    });
    let needs = Needs::read(table, site);
    table.finish();
    let (from, until) = (from?, until?);
    if from == until {
        let right = "`until` is the first day on which it no longer holds";
        table.walk.fault(&table.span, format!("\"{}\" ends on the day on which it begins", shown(&name)), right);
        return None;
    }
    let season = Season {
        name,
        from,
        until,
        step_k: step_k.unwrap_or(1.0),
        places: needs.bands(),
        humidity: needs.humidity,
        light: needs.light,
        gradient_at_least_k: needs.gradient_k,
    };
    Some(StatedSeason { season, needs, span: table.span.clone() })
}

fn overlap(a: &Season, b: &Season) -> bool {
    let inside = |day: MonthDay, s: &Season| match s.from < s.until {
        true => s.from <= day && day < s.until,
        false => s.from <= day || day < s.until,
    };
    inside(a.from, b) || inside(b.from, a)
}

/// Checks every season of a care; with `by`, of a care that an enclosure overrides, and then only where the override matters.
pub fn check(walk: &Walk, stated: &StatedCare, by: Option<&Needs>, site: &Site) {
    for season in &stated.seasons {
        forgotten(walk, stated, season, by);
        for own in &season.needs.places {
            let overridden = by.and_then(|by| by.at(own.place));
            if by.is_some() && overridden.is_none() {
                continue;
            }
            let base = stated.care.places[own.place.index()].unwrap_or_default();
            let holds = base.in_season(own.bands);
            let below: Vec<&Stated> = stated.needs.at(own.place).into_iter().chain(overridden).chain([own]).collect();
            let of = format!("\"{}\" of {}", shown(&season.season.name), stated.name);
            band::check(walk, site.degrees, holds, &below, &of);
            if by.is_none() {
                if stated.care.light.is_none() && season.season.light.is_none() {
                    nightless(walk, own, None, &Care::default());
                }
                too_slow(walk, season, own, base, holds, site);
            }
        }
        if by.is_none() {
            let mut care = stated.care.clone();
            for place in Place::ALL {
                let own = season.season.places[place.index()];
                care.places[place.index()] =
                    care.places[place.index()].map(|b| b.in_season(own.unwrap_or_default())).or(own);
            }
            care.gradient_at_least_k = season.season.gradient_at_least_k.or(care.gradient_at_least_k);
            let cite = match season.needs.gradient_k {
                Some(_) => season.needs.gradient_span.clone(),
                None => season.span.clone(),
            };
            let needs = Needs { gradient_span: cite, ..Needs::default() };
            super::care::check_gradient(walk, &care, &needs, site);
        }
    }
}

/// An animal cooled at one end and heated at the other has not been asked what it wants.
fn forgotten(walk: &Walk, stated: &StatedCare, season: &StatedSeason, by: Option<&Needs>) {
    let judged = |b: &PlaceBands| b.judged != Some(false);
    let moved: Vec<Place> = season.needs.places.iter().map(|s| s.place).collect();
    if moved.is_empty() {
        return;
    }
    let forgets = |place: &Place| {
        let held = stated.care.places[place.index()].as_ref().is_some_and(judged);
        // What the care itself forgets is told there; an override may bring places that only its enclosure has.
        let own = by.is_none_or(|by| by.at(*place).is_some() && stated.needs.at(*place).is_none());
        held && own && !moved.contains(place)
    };
    let forgotten: Vec<Place> = Place::ALL.into_iter().filter(forgets).collect();
    let Some(first) = forgotten.first() else { return };
    let span = by.and_then(|by| by.at(*first)).map_or(&season.span, |s| &s.key);
    let what =
        format!("season \"{}\" moves {} and forgets {}", shown(&season.season.name), words(&moved), words(&forgotten));
    let right = format!("say its bands too, or `{} = {{ judged = false }}`", first.word());
    walk.missing(span, what, right);
}

fn words(places: &[Place]) -> String {
    places.iter().map(|p| p.word()).collect::<Vec<_>>().join(", ")
}

/// A season that is over before its bands have arrived is not the one that was meant.
fn too_slow(walk: &Walk, season: &StatedSeason, own: &Stated, base: PlaceBands, holds: PlaceBands, site: &Site) {
    let (Some(from), Some(to)) = (base.wanted, holds.wanted) else { return };
    let far = |a: Band, b: Band| (a.low - b.low).abs().max((a.high - b.high).abs());
    let (first, last) = (season.season.from.in_year(2_023), season.season.until.in_year(2_023));
    let days = match last.days_since(first) {
        d if d > 0 => d,
        d => d + 365,
    };
    let needed = far(from, to) / season.season.step_k;
    if needed > days as f64 {
        let what = format!(
            "\"{}\" lasts {days} days, and `{}` needs {} to get there",
            shown(&season.season.name),
            own.place.word(),
            short(needed.ceil())
        );
        let step = site.degrees.show_difference(far(from, to) / days as f64);
        walk.doubt(&own.key, what, format!("a longer season, or a `step` of more than {}", short(step)));
    }
}
