//! What a keeper states about an animal's care, as the configuration builds it: all temperatures in °C, differences in K.

use crate::care::calendar::MonthDay;
use crate::terms::place::Place;
use crate::terms::time::Span;
use serde::{Deserialize, Serialize};

/// From `low` to `high`, both belonging to it; °C or % as the field says.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Band {
    pub low: f64,
    pub high: f64,
}

impl Band {
    /// `None` unless both are finite and `low` is below `high`.
    pub fn new(low: f64, high: f64) -> Option<Band> {
        (low.is_finite() && high.is_finite() && low < high).then_some(Band { low, high })
    }
    pub fn contains(self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
    pub fn middle(self) -> f64 {
        (self.low + self.high) / 2.0
    }
    pub fn holds(self, other: Band) -> bool {
        self.low <= other.low && other.high <= self.high
    }
    /// The least band that holds both.
    pub fn union(self, other: Band) -> Band {
        Band { low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

/// What is stated of the temperature at one place. In a care `wanted` and `never` are there (the configuration sees to it);
/// in an override or a season what is left out is not changed, see [`PlaceBands::overridden`] and [`PlaceBands::in_season`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlaceBands {
    pub wanted: Option<Band>,
    /// Left out: as by day, but not judged low while lights are off.
    pub night: Option<Band>,
    pub never: Option<Band>,
    /// Left out: `never`.
    pub never_night: Option<Band>,
    /// `Some(false)`: neither band nor limits are judged. Left out: judged.
    pub judged: Option<bool>,
}

impl PlaceBands {
    /// Key by key: what the override states replaces what the care states.
    pub fn overridden(self, by: PlaceBands) -> PlaceBands {
        PlaceBands {
            wanted: by.wanted.or(self.wanted),
            night: by.night.or(self.night),
            never: by.never.or(self.never),
            never_night: by.never_night.or(self.never_night),
            judged: by.judged.or(self.judged),
        }
    }

    /// Pair by pair: a season that states `wanted` states the night with it, one that states `never` the nightly limits, for a
    /// night band of the other season would lie far outside.
    pub fn in_season(self, season: PlaceBands) -> PlaceBands {
        let (wanted, night) = match season.wanted {
            Some(_) => (season.wanted, season.night),
            None => (self.wanted, season.night.or(self.night)),
        };
        let (never, never_night) = match season.never {
            Some(_) => (season.never, season.never_night),
            None => (self.never, season.never_night.or(self.never_night)),
        };
        PlaceBands { wanted, night, never, never_night, judged: season.judged.or(self.judged) }
    }
}

/// Relative humidity at one place, %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HumidityCare {
    pub place: Place,
    pub wanted: Band,
    /// How long after a misting it may stay above `wanted`. Left out: the judge's default.
    pub dries_within: Option<Span>,
}

/// When lamps are due.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum LightPlan {
    /// By a timer in the site's civil time: on at this minute of the day (0 to 1439), for so many hours (0 to 24).
    Fixed { on_min: u16, hours: f64 },
    /// As long as the sun is up at the site, at least and at most so many hours, around solar noon.
    Sun { shortest_h: f64, longest_h: f64 },
}

/// A dated change of care. From the first instant of `from` to the first instant of `until`; wraps over New Year where
/// `until` is not after `from`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Season {
    pub name: String,
    pub from: MonthDay,
    pub until: MonthDay,
    /// K a day at the most, into and out of the season; positive.
    pub step_k: f64,
    pub places: [Option<PlaceBands>; Place::COUNT],
    pub humidity: Option<HumidityCare>,
    pub light: Option<LightPlan>,
    pub gradient_at_least_k: Option<f64>,
}

/// What an animal needs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Care {
    pub places: [Option<PlaceBands>; Place::COUNT],
    pub humidity: Option<HumidityCare>,
    /// Left out: no day and night, all bands are those of the day.
    pub light: Option<LightPlan>,
    /// Between warm side and cool side while heat is due; 0 or left out: not judged.
    pub gradient_at_least_k: Option<f64>,
    /// They do not overlap (the configuration sees to it); where they do, the later of the list has the last word.
    pub seasons: Vec<Season>,
    pub confirmed_by: Option<String>,
}

/// Where one animal differs from its care. A season outranks it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Override {
    pub places: [Option<PlaceBands>; Place::COUNT],
    pub humidity: Option<HumidityCare>,
    pub light: Option<LightPlan>,
    pub gradient_at_least_k: Option<f64>,
}

impl Care {
    /// The care of one enclosure.
    pub fn overridden(&self, by: &Override) -> Care {
        let mut care = self.clone();
        for (place, by) in care.places.iter_mut().zip(by.places) {
            if let Some(by) = by {
                *place = Some(place.unwrap_or_default().overridden(by));
            }
        }
        care.humidity = by.humidity.or(care.humidity);
        care.light = by.light.or(care.light);
        care.gradient_at_least_k = by.gradient_at_least_k.or(care.gradient_at_least_k);
        care
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_override_replaces_key_by_key_and_a_season_pair_by_pair() {
        let b = |low, high| Band::new(low, high);
        let base = PlaceBands {
            wanted: b(29.0, 32.0),
            night: b(25.0, 29.0),
            never: b(25.0, 36.0),
            never_night: b(20.0, 36.0),
            judged: None,
        };
        let cooler = PlaceBands { wanted: b(28.0, 31.0), ..Default::default() };
        assert_eq!(base.overridden(cooler), PlaceBands { wanted: b(28.0, 31.0), ..base });
        let winter = PlaceBands { wanted: b(10.0, 15.0), never: b(4.0, 20.0), ..Default::default() };
        let there = base.in_season(winter);
        assert_eq!((there.wanted, there.night), (b(10.0, 15.0), None));
        assert_eq!((there.never, there.never_night), (b(4.0, 20.0), None));
        let unjudged = PlaceBands { judged: Some(false), ..Default::default() };
        assert_eq!(base.in_season(unjudged), PlaceBands { judged: Some(false), ..base });
    }

    #[test]
    fn a_band_is_not_empty() {
        assert!(Band::new(3.0, 3.0).is_none() && Band::new(f64::NAN, 3.0).is_none());
        assert!(Band::new(3.0, f64::INFINITY).is_none());
    }
}
