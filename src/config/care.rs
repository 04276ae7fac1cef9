//! `[care.…]` and `[enclosure.override]`: what an animal needs, and whether it can be had.

use super::band::{self, Stated, percents, short};
use super::names::Names;
use super::season::{self, StatedSeason};
use super::site::{Site, length};
use super::values::clock;
use super::walk::{Table, Value, Walk, shown};
use crate::care::settings::{Care, HumidityCare, LightPlan, Override, PlaceBands};
use crate::terms::place::Place;
use std::ops::Range;

/// What `[care.…]`, an override and a season have in common: bands and plans.
#[derive(Clone, Debug, Default)]
pub struct Needs {
    pub places: Vec<Stated>,
    pub humidity: Option<HumidityCare>,
    pub light: Option<LightPlan>,
    pub gradient_k: Option<f64>,
    pub gradient_span: Range<usize>,
}

/// One care, and where its parts stand.
#[derive(Clone, Debug)]
pub struct StatedCare {
    pub care: Care,
    /// As a keeper would call it.
    pub name: String,
    pub needs: Needs,
    pub seasons: Vec<StatedSeason>,
}

impl Needs {
    pub fn read(table: &Table<'_>, site: &Site) -> Needs {
        let mut needs = Needs::default();
        for place in Place::ALL {
            if let Some(value) = table.get(place.word()) {
                needs.places.push(Stated::read(&value, place, site.degrees));
            }
        }
        needs.humidity = table.get("humidity").and_then(|v| humidity(&v));
        needs.light = table.get("light").and_then(|v| light(&v, site));
        if let Some(value) = table.get("gradient") {
            needs.gradient_span = value.span.clone();
            needs.gradient_k = gradient(&value, site);
        }
        needs
    }

    pub fn bands(&self) -> [Option<PlaceBands>; Place::COUNT] {
        let mut bands = [None; Place::COUNT];
        for stated in &self.places {
            bands[stated.place.index()] = Some(stated.bands);
        }
        bands
    }

    pub fn at(&self, place: Place) -> Option<&Stated> {
        self.places.iter().find(|s| s.place == place)
    }
}

fn humidity(value: &Value<'_>) -> Option<HumidityCare> {
    let table = value.table("humidity");
    let words = Place::ALL.map(|p| (p.word(), p));
    let place = table.need("place", "place = \"cool_side\"").and_then(|v| v.word(&words));
    let wanted = table.need("wanted", "wanted = [40, 60]").and_then(|v| percents(&v));
    let dries_within = length(&table, "dries_within");
    table.finish();
    Some(HumidityCare { place: place?, wanted: wanted?, dries_within })
}

fn light(value: &Value<'_>, site: &Site) -> Option<LightPlan> {
    let table = value.table("light");
    let hours = |key: &'static str, example: &str| {
        let value = table.need(key, example)?;
        let hours = value.number()?;
        if !(0.0..=24.0).contains(&hours) {
            value.fault(format!("a day has no {} hours", short(hours)), "from 0 to 24");
            return None;
        }
        Some(hours)
    };
    let plan = match table.get("follow") {
        Some(follow) => {
            let shortest = hours("shortest", "shortest = 10");
            let longest = hours("longest", "longest = 14");
            let sun = follow.word(&[("sun", ())]);
            if sun.is_some() && site.position.is_none() {
                let right = "add `position = [53.35, -6.26]`, degrees north and east, under [site]";
                follow.walk.missing(&follow.span, "light that follows the sun needs the site's position", right);
            }
            for key in ["on", "hours"] {
                if let Some(value) = table.get(key) {
                    value.walk.fault(&value.key_span, format!("`{key}` beside `follow`"), "either a timer or the sun");
                }
            }
            sun.and(shortest.zip(longest)).and_then(|(shortest_h, longest_h)| {
                if shortest_h > longest_h {
                    value.fault("the shortest day is longer than the longest", "`shortest` is the winter's");
                    return None;
                }
                Some(LightPlan::Sun { shortest_h, longest_h })
            })
        }
        None => {
            let on = table.need("on", "on = \"08:00\"").and_then(|v| v.read("time of day", clock));
            let hours = hours("hours", "hours = 12");
            for key in ["shortest", "longest"] {
                if let Some(value) = table.get(key) {
                    let right = "add `follow = \"sun\"`, or take it out";
                    value.walk.missing(&value.key_span, format!("`{key}` without `follow`"), right);
                }
            }
            on.zip(hours).map(|(on_min, hours)| LightPlan::Fixed { on_min, hours })
        }
    };
    table.finish();
    plan
}

fn gradient(value: &Value<'_>, site: &Site) -> Option<f64> {
    const MOST_K: f64 = 40.0;
    let table = value.table("gradient");
    let at_least = table.need("at_least", "at_least = 4");
    let kelvin = at_least.and_then(|v| {
        let kelvin = site.degrees.read_difference(v.number()?);
        if !(0.0..=MOST_K).contains(&kelvin) {
            v.fault(
                "this is no gradient",
                format!("degrees from 0 (not judged) to {}", short(site.degrees.show_difference(MOST_K))),
            );
            return None;
        }
        Some(kelvin)
    });
    table.finish();
    kelvin
}

/// Every `[care.…]`.
pub fn cares(root: &Table<'_>, site: &Site, keepers: &Names) -> (Vec<StatedCare>, Names) {
    let mut names = Names::new("care");
    let mut cares = Vec::new();
    for entry in root.table("care", "[care]").entries() {
        names.add(root.walk, &entry.key, &entry.key_span, cares.len());
        let name = format!("[care.{}]", shown(&entry.key));
        let table = entry.table(&name);
        if table.is_there() {
            cares.push(care(&table, name, site, keepers));
        }
    }
    (cares, names)
}

fn care(table: &Table<'_>, name: String, site: &Site, keepers: &Names) -> StatedCare {
    let walk = table.walk;
    let mut needs = Needs::read(table, site);
    needs.places.iter_mut().for_each(|stated| stated.fill_wanted(walk, &name));
    let seasons = season::seasons(table, site);
    let confirmed_by = table.get("confirmed_by");
    if confirmed_by.is_none() {
        let right = "read its figures, then write `confirmed_by = \"your id\"`";
        walk.doubt(&table.span, format!("nobody has confirmed {name}"), right);
    }
    let confirmed_by = confirmed_by.and_then(|v| keepers.find(&v).and_then(|_| v.text()));
    table.finish();
    let care = Care {
        places: needs.bands(),
        humidity: needs.humidity,
        light: needs.light,
        gradient_at_least_k: needs.gradient_k,
        seasons: seasons.iter().map(|s| s.season.clone()).collect(),
        confirmed_by,
    };
    let stated = StatedCare { care, name, needs, seasons };
    for of_place in &stated.needs.places {
        band::check(walk, site.degrees, of_place.bands, &[of_place], &stated.name);
        nightless(walk, of_place, stated.care.light, &stated.care);
    }
    check_gradient(walk, &stated.care, &stated.needs, site);
    season::check(walk, &stated, None, site);
    stated
}

/// Night is when lamps are not due. Without a plan for them it is always day, and what is stated for the night is never judged.
pub fn nightless(walk: &Walk, stated: &Stated, light: Option<LightPlan>, care: &Care) {
    let key = match (stated.bands.night, stated.bands.never_night) {
        (None, None) => return,
        (Some(_), _) => "night",
        (None, Some(_)) => "never_night",
    };
    if light.is_some() || stated.bands.judged == Some(false) {
        return;
    }
    let lit: Vec<&str> = care.seasons.iter().filter(|s| s.light.is_some()).map(|s| s.name.as_str()).collect();
    let place = stated.place.word();
    let what = match lit.first() {
        None => format!("`{key}` of {place} is never in force: without `light` it is always day"),
        Some(season) => format!(
            "`{key}` of {place} is in force in \"{}\" alone: else, without `light`, it is always day",
            shown(season)
        ),
    };
    walk.doubt(&stated.key, what, "say when lights are on: `light = { on = \"08:00\", hours = 12 }`");
}

/// A gradient that the wanted bands cannot give would be an alarm for ever.
pub fn check_gradient(walk: &Walk, care: &Care, needs: &Needs, site: &Site) {
    let wanted = |place: Place| care.places[place.index()].filter(|b| b.judged != Some(false)).and_then(|b| b.wanted);
    let (Some(least), Some(warm), Some(cool)) =
        (care.gradient_at_least_k, wanted(Place::WarmSide), wanted(Place::CoolSide))
    else {
        return;
    };
    let most = warm.high - cool.low;
    if least > most && !needs.gradient_span.is_empty() {
        let degrees = |k: f64| short(site.degrees.show_difference(k));
        let what = format!("a gradient of {} does not fit the wanted bands", degrees(least));
        walk.fault(
            &needs.gradient_span,
            what,
            format!("between them there are {} at the most", degrees(most.max(0.0))),
        );
    }
}

/// `[enclosure.override]` on top of a care (or of nothing): the care of one enclosure, checked as a whole.
pub fn overridden(table: &Table<'_>, base: Option<&StatedCare>, of: &str, site: &Site) -> Care {
    let needs = Needs::read(table, site);
    table.finish();
    let by = Override {
        places: needs.bands(),
        humidity: needs.humidity,
        light: needs.light,
        gradient_at_least_k: needs.gradient_k,
    };
    let whole = base.map(|b| b.care.clone()).unwrap_or_default().overridden(&by);
    for own in &needs.places {
        let from_care = base.and_then(|b| b.needs.at(own.place));
        let stated: Vec<&Stated> = from_care.into_iter().chain([own]).collect();
        let holds = whole.places[own.place.index()].unwrap_or_default();
        band::check(table.walk, site.degrees, holds, &stated, of);
        nightless(table.walk, own, whole.light, &whole);
    }
    check_gradient(table.walk, &whole, &needs, site);
    if let Some(base) = base {
        let stated = StatedCare { care: whole.clone(), ..base.clone() };
        season::check(table.walk, &stated, Some(&needs), site);
    }
    whole
}
