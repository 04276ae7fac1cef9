//! How bands move through the year: into a dated season by so many kelvin a day, and back.
//!
//! What is judged must suit a keeper who turns the dial at any hour of the day, and one who moves all places so that they arrive
//! together as well as one who moves each as fast as he may. So while a season moves, a band holds what either of them has
//! within a day of the moment. It gets wider by at most one step at the midnight on which a movement begins; it never gets
//! narrower faster than a step a day. Bands do not invert, for each limit moves monotonically in its two ends.

use crate::care::calendar::Date;
use crate::care::settings::{Band, Care, HumidityCare, LightPlan, PlaceBands, Season};
use crate::terms::place::Place;
use serde::{Deserialize, Serialize};

/// What is judged at a place in one phase of the day.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    pub wanted: Band,
    /// False where a keeper left the night out: then `wanted.low` is no more than `never.low`.
    pub low_judged: bool,
    pub never: Band,
}

/// What is judged at a place by day and by night.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PlaceLimits {
    pub day: Limits,
    pub night: Limits,
}

pub type Places = [Option<PlaceLimits>; Place::COUNT];

/// How far a season has come on a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Phase {
    /// Bands move towards the season's; the days since its first.
    Into { day: i64 },
    /// Its own bands.
    Full,
    /// It is over, and bands move back; the days since.
    Back { day: i64 },
}

/// What is judged on a date, at its first or last instant.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Judged {
    pub places: Places,
    pub humidity: Option<HumidityCare>,
    pub gradient_at_least_k: f64,
}

/// The limits that a keeper's table means. `None`: not judged.
pub fn limits(bands: PlaceBands) -> Option<PlaceLimits> {
    if bands.judged == Some(false) {
        return None;
    }
    let (wanted, never) = (bands.wanted?, bands.never?);
    let never_night = bands.never_night.unwrap_or(never);
    let day = Limits { wanted, low_judged: true, never };
    let unjudged_low = Band { low: never_night.low.min(wanted.low), high: wanted.high };
    let night =
        Limits { wanted: bands.night.unwrap_or(unjudged_low), low_judged: bands.night.is_some(), never: never_night };
    Some(PlaceLimits { day, night })
}

/// The light plan of a date: that of the season it lies in, from its first day to the one before `until`.
pub fn light_on(care: &Care, date: Date) -> Option<LightPlan> {
    let seasons = care.seasons.iter().rev();
    let season = seasons.filter(|s| matches!(Reach::of(s, date), Some(r) if r.back.is_none())).find_map(|s| s.light);
    season.or(care.light)
}

/// What is judged at the first (`end` false) or last instant of a date.
pub fn judged(care: &Care, date: Date, end: bool) -> Judged {
    let base = care.places.map(|bands| bands.and_then(limits));
    let mut now =
        Judged { places: base, humidity: care.humidity, gradient_at_least_k: care.gradient_at_least_k.unwrap_or(0.0) };
    for season in &care.seasons {
        let Some(reach) = Reach::of(season, date) else { continue };
        let own = own_limits(care, season);
        let way = Way::new(&base, &own, season.step_k);
        if reach.back.is_some_and(|days| days >= way.days_back(reach.length)) {
            continue;
        }
        let point = reach.after(if end { 1.0 } else { 0.0 });
        let arrived = way.arrived(point);
        for (place, own) in now.places.iter_mut().zip(own) {
            *place = match (*place, own) {
                (Some(from), Some(to)) => Some(way.place(from, to, point)),
                (None, Some(to)) if arrived => Some(to),
                _ => None,
            };
        }
        now.humidity = match (now.humidity, season.humidity) {
            (from, None) => from,
            (Some(from), Some(to)) if !arrived && from.place == to.place => {
                Some(HumidityCare { wanted: from.wanted.union(to.wanted), ..to })
            }
            (_, to) => to,
        };
        let gradient = season.gradient_at_least_k.unwrap_or(now.gradient_at_least_k);
        now.gradient_at_least_k = if arrived { gradient } else { gradient.min(now.gradient_at_least_k) };
    }
    now
}

/// The seasons that move or hold bands on a date.
pub fn phases(care: &Care, date: Date) -> Vec<(&Season, Phase)> {
    let base = care.places.map(|bands| bands.and_then(limits));
    let phase = |season| {
        let reach = Reach::of(season, date)?;
        let way = Way::new(&base, &own_limits(care, season), season.step_k);
        match reach.back {
            Some(days) if days >= way.days_back(reach.length) => None,
            Some(days) => Some(Phase::Back { day: days as i64 }),
            None if way.arrived(reach) => Some(Phase::Full),
            None => Some(Phase::Into { day: reach.into as i64 }),
        }
    };
    care.seasons.iter().filter_map(|s| phase(s).map(|p| (s, p))).collect()
}

fn own_limits(care: &Care, season: &Season) -> Places {
    let mut own: Places = [None; Place::COUNT];
    for (i, own) in own.iter_mut().enumerate() {
        let there = season.places[i].unwrap_or_default();
        *own = limits(care.places[i].unwrap_or_default().in_season(there));
    }
    own
}

/// Where a moment stands in a season, in days.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Reach {
    /// Since the first day, at most `length`.
    into: f64,
    /// Since the season was over.
    back: Option<f64>,
    length: f64,
}

impl Reach {
    /// The last time that the season began on or before this date; `None` before its first.
    fn of(season: &Season, date: Date) -> Option<Reach> {
        let (year, _, _) = date.year_month_day();
        let wraps = season.until <= season.from;
        [year, year - 1, year - 2].into_iter().find_map(|first| {
            let from = season.from.in_year(first);
            let until = season.until.in_year(if wraps { first + 1 } else { first });
            if from > date || until <= from {
                return None;
            }
            let length = until.days_since(from) as f64;
            let back = (date >= until).then(|| date.days_since(until) as f64);
            Some(Reach { into: (date.days_since(from) as f64).min(length), back, length })
        })
    }

    fn after(self, days: f64) -> Reach {
        match self.back {
            Some(back) => Reach { back: Some((back + days).max(0.0)), ..self },
            None => Reach { into: (self.into + days).clamp(0.0, self.length), ..self },
        }
    }
}

/// How fast a season moves, and how far at most.
struct Way {
    step_k: f64,
    furthest_k: f64,
}

impl Way {
    fn new(base: &Places, own: &Places, step_k: f64) -> Way {
        let ends = |l: &PlaceLimits| {
            [l.day.wanted, l.day.never, l.night.wanted, l.night.never].into_iter().flat_map(|b| [b.low, b.high])
        };
        let both = base.iter().zip(own).filter_map(|(from, to)| from.as_ref().zip(to.as_ref()));
        let furthest_k =
            both.flat_map(|(from, to)| ends(from).zip(ends(to)).map(|(a, b)| (a - b).abs())).fold(0.0, f64::max);
        // A step that is none moves all at once.
        let step_k = if step_k > 0.0 { step_k } else { furthest_k.max(1.0) };
        Way { step_k, furthest_k }
    }

    /// Whether the way in is over, also for one who turns the dial at the end of the day.
    fn arrived(&self, at: Reach) -> bool {
        at.back.is_none() && (at.into - 1.0) * self.step_k >= self.furthest_k
    }

    /// How many days after `until` nothing of the season is left.
    fn days_back(&self, length: f64) -> f64 {
        (self.furthest_k.min(self.step_k * length) / self.step_k).ceil() + 1.0
    }

    fn place(&self, from: PlaceLimits, to: PlaceLimits, at: Reach) -> PlaceLimits {
        PlaceLimits { day: self.phase(from.day, to.day, at), night: self.phase(from.night, to.night, at) }
    }

    fn phase(&self, from: Limits, to: Limits, at: Reach) -> Limits {
        Limits {
            wanted: self.band(from.wanted, to.wanted, at),
            low_judged: to.low_judged && (from.low_judged || self.arrived(at)),
            never: self.band(from.never, to.never, at),
        }
    }

    /// All that a band may be within a day of this moment, either way of moving it.
    fn band(&self, from: Band, to: Band, at: Reach) -> Band {
        let moments = [at.after(-1.0), at, at.after(1.0)];
        let bands = moments.into_iter().flat_map(|at| {
            [
                Band { low: self.alone(from.low, to.low, at), high: self.alone(from.high, to.high, at) },
                Band { low: self.together(from.low, to.low, at), high: self.together(from.high, to.high, at) },
            ]
        });
        bands.reduce(Band::union).unwrap_or(to)
    }

    /// Each limit as fast as it may.
    fn alone(&self, from: f64, to: f64, at: Reach) -> f64 {
        let towards = |from: f64, to: f64, days: f64| {
            let most = self.step_k * days;
            to.max(from - most).min(from + most)
        };
        let reached = towards(from, to, at.into);
        at.back.map_or(reached, |days| towards(reached, from, days))
    }

    /// All limits so that they arrive together.
    fn together(&self, from: f64, to: f64, at: Reach) -> f64 {
        let part = |days: f64| if self.furthest_k > 0.0 { self.step_k * days / self.furthest_k } else { 1.0 };
        let reached = part(at.into).min(1.0);
        let there = at.back.map_or(reached, |days| (reached - part(days)).max(0.0));
        from + there * (to - from)
    }
}
