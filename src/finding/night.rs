//! A night that never came: the warmth of the day goes on although lights are out (`night-drop-missing`).
//!
//! It is one fault until a night comes as planned, not one a night.

use super::around::Around;
use super::cause::Cause;
use super::fact::Fact;
use super::{Change, Finding, Key};
use crate::care::plan::PlaceWanted;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};

/// So long, after the enclosure has had its time to follow, it may still be as by day. Ours, no source.
const AFTER: Span = Span::min(45);
/// A night that is planned no cooler than this is none to judge, K.
const LEAST_DROP_K: f64 = 1.5;
/// A drop of less than this share of the planned one is none.
const NO_DROP: f64 = 0.35;
/// How far above its nightly band, K.
const ABOVE_K: f64 = 0.3;
/// Where the room is so near to the nightly band, it is the room's doing.
const ROOM_NEAR_K: f64 = 1.0;
/// What the day's level remembers.
const FADE: Span = Span::h(1);
const AGREE: u8 = 3;

/// The judge of one place's nights.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    /// The level of the last hour of day, °C.
    day_c: Option<f64>,
    heard: Option<Mono>,
    same_since: Option<Now>,
    readings: u8,
    stands: bool,
    /// Readings in a row within a night's band.
    nightly: u8,
}

impl Judge {
    pub fn hear(&mut self, around: &Around, place: Place, celsius: f64, now: Now, out: &mut Vec<Change>) {
        let Some(wanted) = around.wanted.place(place).filter(|_| celsius.is_finite()) else { return };
        let passed = self.heard.map_or(FADE, |then| now.mono.since(then)).max(Span::ZERO);
        self.heard = Some(now.mono);
        if !around.wanted.is_night() {
            let share = 1.0 - libm::exp(-passed.as_s() / FADE.as_s());
            let day = self.day_c.unwrap_or(celsius);
            self.day_c = Some(day + share * (celsius - day));
            (self.same_since, self.readings, self.nightly) = (None, 0, 0);
            return;
        }
        let key = Key { subject: around.subject, cause: Cause::NightDropMissing, place: Some(place) };
        let Some(night) = NightOf::new(wanted) else {
            // No night is planned here any more.
            if std::mem::take(&mut self.stands) {
                out.push(Change::Calm(key));
            }
            return;
        };
        if celsius <= night.high {
            self.nightly = self.nightly.saturating_add(1);
            (self.same_since, self.readings) = (None, 0);
            if self.nightly >= AGREE && std::mem::take(&mut self.stands) {
                out.push(Change::Calm(key));
            }
            return;
        }
        self.nightly = 0;
        let Some(day) = self.day_c else { return };
        let dropped = day - celsius > NO_DROP * night.drop_k;
        let by_the_room = around.room_c.is_some_and(|room| room >= night.high - ROOM_NEAR_K);
        if around.wanted.moving || dropped || celsius <= night.high + ABOVE_K || by_the_room || around.hold {
            (self.same_since, self.readings) = (None, 0);
            return;
        }
        let since = *self.same_since.get_or_insert(now);
        self.readings = self.readings.saturating_add(1);
        if !self.stands && self.readings >= AGREE && now.mono.since(since.mono) >= AFTER {
            self.stands = true;
            let began = around.wanted.changed_at.unwrap_or(since.wall);
            let began = Now { mono: now.mono - now.wall.since(began), wall: began };
            let mut finding = Finding::new(around.subject, Cause::NightDropMissing, Some(place), began);
            let quantity = Quantity::Temperature;
            finding.facts.push(Fact::Reading {
                place,
                quantity,
                value: celsius,
                limit: Some(night.high),
                never: false,
            });
            finding.facts.push(Fact::Moved { place, from: day, to: celsius, over: now.mono.since(began.mono) });
            out.push(Change::Stands(finding));
        }
    }

    pub fn stands(&self) -> bool {
        self.stands
    }
}

/// From where on a place is too hot and not just without its night: what is as by day is told by this judge.
pub fn too_hot_from(wanted: &PlaceWanted) -> f64 {
    match NightOf::new(wanted) {
        Some(_) => wanted.wanted.high.max(wanted.other.wanted.high),
        None => wanted.wanted.high,
    }
}

/// A night that is planned cooler than its day; `wanted` is that of a night.
struct NightOf {
    high: f64,
    drop_k: f64,
}

impl NightOf {
    fn new(wanted: &PlaceWanted) -> Option<NightOf> {
        let (night, day) = (wanted.settled, wanted.other);
        let drop_k = day.wanted.middle() - night.wanted.middle();
        let lower = night.wanted.high < day.wanted.high;
        (night.low_judged && lower && drop_k >= LEAST_DROP_K).then_some(NightOf { high: night.wanted.high, drop_k })
    }
}
