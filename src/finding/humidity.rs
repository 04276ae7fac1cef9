//! Relative humidity over hours: too high (`humidity-high`), too low (`humidity-low`), at the place for which it is wanted.
//!
//! A misting is healthy: a peak counts only when it does not dry within its time. Where the place has no humidity probe of its
//! own, the air of another place is taken there by its dew point. A sensor that shows full saturation is soaked, which is the
//! probe's fault and `trust/` says so: it is not counted here.

use super::around::Around;
use super::cause::Cause;
use super::fact::Fact;
use super::{Change, Finding, Key};
use crate::nature::moist_air::{dew_point_c, humidity_at};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};

/// How long it may be slightly outside; at 10 % outside time counts half as much again, at 20 % twice. Ours, no source: a night
/// is moister and a lamp's day drier than the mean, and both pass within half a day.
const OUTSIDE_FOR: Span = Span::h(12);
/// Back inside by so much, %, for so long, and it is over.
const DEAD_BAND: f64 = 1.0;
const CALM_AFTER: Span = Span::min(30);
/// No reading stands for longer than this.
const LONGEST_STEP: Span = Span::h(1);
/// A probe shows this only when it is wet, %.
const SOAKED: f64 = 99.5;
/// A reading older than this says nothing of now.
const OLD: Span = Span::h(2);

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Last {
    value: f64,
    at: Mono,
}

/// The air at a place: measured there, or another place's brought there by its dew point, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    pub place: Place,
    /// Relative humidity.
    pub percent: f64,
    pub measured: bool,
    pub dew_point_c: Option<f64>,
}

/// One side of the band.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Side {
    /// Time outside, weighted.
    outside: Span,
    since: Option<Now>,
    inside: Span,
    /// Where it stands.
    stands: Option<Place>,
}

/// The judge of one enclosure's humidity.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    humidity: [Option<Last>; Place::COUNT],
    temperature: [Option<Last>; Place::COUNT],
    judged_at: Option<Mono>,
    high: Side,
    low: Side,
}

impl Judge {
    /// A trusted temperature, °C.
    pub fn hear_temperature(&mut self, place: Place, celsius: f64, now: Now) {
        if celsius.is_finite() {
            self.temperature[place.index()] = Some(Last { value: celsius, at: now.mono });
        }
    }

    /// A trusted relative humidity, %.
    pub fn hear_humidity(&mut self, around: &Around, place: Place, percent: f64, now: Now, out: &mut Vec<Change>) {
        if !percent.is_finite() {
            return;
        }
        self.humidity[place.index()] = Some(Last { value: percent, at: now.mono });
        let Some(care) = around.wanted.humidity else {
            self.nothing_wanted(around, out);
            return;
        };
        // The place's own probe outranks what is reckoned from another's.
        if place != care.place && self.fresh_humidity(care.place, now.mono).is_some() {
            return;
        }
        let Some(here) = self.at_place(care.place, now.mono) else { return };
        let passed = self.judged_at.map_or(Span::ZERO, |then| now.mono.since(then)).clamp(Span::ZERO, LONGEST_STEP);
        self.judged_at = Some(now.mono);
        if percent >= SOAKED || around.hold {
            return;
        }
        let allowed = care.dries_within;
        let moist = self.high.hear(care.place, here - care.wanted.high, passed, allowed, now);
        let dry = self.low.hear(care.place, care.wanted.low - here, passed, None, now);
        let sides = [
            (moist, Cause::HumidityHigh, care.wanted.high, self.high),
            (dry, Cause::HumidityLow, care.wanted.low, self.low),
        ];
        for (edge, cause, limit, side) in sides {
            let key = Key { subject: around.subject, cause, place: Some(care.place) };
            match edge {
                Some(true) => {
                    let since = side.since.unwrap_or(now);
                    let mut finding = Finding::new(key.subject, cause, key.place, since);
                    let (place, quantity) = (care.place, Quantity::Humidity);
                    finding.facts.push(Fact::Reading {
                        place,
                        quantity,
                        value: here,
                        limit: Some(limit),
                        never: false,
                    });
                    finding.facts.push(Fact::Lasted { span: now.mono.since(since.mono) });
                    finding.facts.extend(self.dew_points(care.place, now.mono));
                    out.push(Change::Stands(finding));
                }
                Some(false) => out.push(Change::Calm(key)),
                None => {}
            }
        }
    }

    /// Relative humidity at a place, %: its own, or another's air brought to its temperature.
    pub fn at_place(&self, place: Place, now: Mono) -> Option<f64> {
        if let Some(own) = self.fresh_humidity(place, now) {
            return Some(own);
        }
        let here = self.fresh_temperature(place, now)?;
        let there = |other| self.fresh_temperature(other, now).zip(self.fresh_humidity(other, now));
        let (t, rh) = Place::ALL.into_iter().find_map(there)?;
        let brought = humidity_at(here, t, rh);
        brought.is_finite().then(|| brought.clamp(0.0, 100.0))
    }

    /// The air at each place whose temperature is known: for `explain`.
    pub fn everywhere(&self, now: Mono) -> Vec<Air> {
        let at = |place| {
            let percent = self.at_place(place, now)?;
            let measured = self.fresh_humidity(place, now).is_some();
            let dew = self.fresh_temperature(place, now).and_then(|celsius| dew_point_c(celsius, percent));
            Some(Air { place, percent, measured, dew_point_c: dew.filter(|_| measured) })
        };
        Place::ALL.into_iter().filter_map(at).collect()
    }

    /// The dew points of a place and of the first other place that has one.
    fn dew_points(&self, place: Place, now: Mono) -> Option<Fact> {
        let dew = |p| dew_point_c(self.fresh_temperature(p, now)?, self.fresh_humidity(p, now)?);
        let there = Place::ALL.into_iter().filter(|p| *p != place).find_map(dew)?;
        Some(Fact::DewPoints { here: dew(place)?, there })
    }

    fn fresh_humidity(&self, place: Place, now: Mono) -> Option<f64> {
        fresh(self.humidity[place.index()], now)
    }

    fn fresh_temperature(&self, place: Place, now: Mono) -> Option<f64> {
        fresh(self.temperature[place.index()], now)
    }

    fn nothing_wanted(&mut self, around: &Around, out: &mut Vec<Change>) {
        for (side, cause) in [(&mut self.high, Cause::HumidityHigh), (&mut self.low, Cause::HumidityLow)] {
            let stood = std::mem::take(side).stands;
            out.extend(stood.map(|place| Change::Calm(Key { subject: around.subject, cause, place: Some(place) })));
        }
    }
}

fn fresh(last: Option<Last>, now: Mono) -> Option<f64> {
    last.filter(|l| now.since(l.at) <= OLD).map(|l| l.value)
}

impl Side {
    /// `over`: % beyond the limit, negative inside. Whether it has come to stand (true) or is over (false).
    fn hear(&mut self, place: Place, over: f64, passed: Span, allowed: Option<Span>, now: Now) -> Option<bool> {
        if over > 0.0 {
            self.inside = Span::ZERO;
            self.since.get_or_insert(now);
            let weight = match allowed {
                Some(_) => 1.0,
                None if over >= 20.0 => 2.0,
                None if over >= 10.0 => 1.5,
                None => 1.0,
            };
            self.outside = self.outside + passed.times(weight);
            if self.stands.is_none() && self.outside >= allowed.unwrap_or(OUTSIDE_FOR) {
                self.stands = Some(place);
                return Some(true);
            }
        } else if over <= -DEAD_BAND {
            self.inside = self.inside + passed;
            if self.inside >= CALM_AFTER {
                let stood = self.stands.is_some();
                *self = Side { inside: CALM_AFTER, ..Side::default() };
                return stood.then_some(false);
            }
        }
        None
    }
}
