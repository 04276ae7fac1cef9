//! The care of one enclosure for the [`View`](super::view::View): its light, its air, and what is wanted in the next 24 hours.

use super::Engine;
use super::den::Den;
use super::view::{AirView, BandView, ComingView, FollowsView, LevelsView, LightView, SeasonView};
use crate::care::plan::Wanted;
use crate::care::season::phases;
use crate::reading::Slot;
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Span, Wall};

/// How far ahead a keeper looks.
const AHEAD: Span = Span::h(24);
/// A band that moves by less is not worth a line, K.
const SEEN_K: f64 = 0.3;

impl Engine {
    pub(super) fn light_view(&self, ix: EnclosureIx) -> LightView {
        let Some(den) = self.world.dens.get(ix.index()) else { return LightView::default() };
        let (now, light) = (self.world.now, den.light());
        let calendar = self.world.local.calendar();
        let date = calendar.civil(now.wall).date;
        let table = den.plan().map(|plan| plan.on(date));
        let changes = table.as_ref().and_then(|t| t.light.as_ref()).map(|l| l.changes.as_slice()).unwrap_or_default();
        let first = |on: bool| {
            changes.iter().find(|(_, goes)| *goes == on).map(|(civil, _)| calendar.instant(civil.date, civil.of_day))
        };
        let levels = light.seen().levels_lx().map(|(lit_lx, dark_lx, learned_over)| LevelsView {
            lit_lx,
            dark_lx,
            learned_over,
        });
        LightView {
            planned_on: den.wanted_at(now.wall).and_then(|w| w.light_on),
            seen_on: light.seen_on(now.mono),
            seen: light.lit_since(calendar.midnight(date)),
            lit_above_lx: light.seen().threshold_lx(),
            levels,
            seen_by: light.seen().by(now.mono).map(str::to_owned).collect(),
            on_at: first(true),
            off_at: first(false),
            lux: self.world.shown(ix, Slot::At(Place::Air, Quantity::Illuminance)).and_then(|s| s.value),
        }
    }

    pub(super) fn air_views(&self, ix: EnclosureIx) -> Vec<AirView> {
        let Some(den) = self.world.dens.get(ix.index()) else { return Vec::new() };
        let air = den.air(self.world.now.mono).into_iter();
        air.map(|a| AirView { place: a.place, percent: a.percent, measured: a.measured, dew_point_c: a.dew_point_c })
            .collect()
    }

    pub(super) fn coming_views(&self, ix: EnclosureIx) -> Vec<ComingView> {
        let Some(plan) = self.world.dens.get(ix.index()).and_then(|den| den.plan()) else { return Vec::new() };
        let mut rows: Vec<ComingView> = Vec::new();
        for (from, wanted) in plan.ahead(self.world.now.wall, AHEAD) {
            let row = coming(from, &wanted);
            if rows.last().is_none_or(|before| differ(before, &row)) {
                rows.push(row);
            }
        }
        rows
    }

    pub(super) fn season_views(&self, ix: EnclosureIx) -> Vec<SeasonView> {
        let Some(plan) = self.world.dens.get(ix.index()).and_then(|den| den.plan()) else { return Vec::new() };
        let today = plan.calendar().civil(self.world.now.wall).date;
        let of_today = phases(plan.care(), today).into_iter();
        of_today.map(|(season, phase)| SeasonView { name: season.name.clone(), phase }).collect()
    }

    pub(super) fn follows_view(&self, ix: EnclosureIx) -> Option<FollowsView> {
        let (within, learned_from) = self.world.dens.get(ix.index())?.follows_within()?;
        Some(FollowsView { within, learned_from })
    }
}

/// Whether a keeper would see it: what a season moves within hours is less.
fn differ(a: &ComingView, b: &ComingView) -> bool {
    let same = |(a, b): (&BandView, &BandView)| {
        let low = a.low.zip(b.low).map_or(a.low == b.low, |(a, b)| (a - b).abs() < SEEN_K);
        a.place == b.place && low && (a.high - b.high).abs() < SEEN_K
    };
    a.light_on != b.light_on || a.bands.len() != b.bands.len() || !a.bands.iter().zip(&b.bands).all(same)
}

fn coming(from: Wall, wanted: &Wanted) -> ComingView {
    let band = |place: Place| {
        let at = wanted.place(place)?;
        Some(BandView { place, low: at.low_judged.then_some(at.wanted.low), high: at.wanted.high })
    };
    ComingView {
        from,
        light_on: wanted.light_on,
        moving: wanted.moving,
        bands: Place::ALL.into_iter().filter_map(band).collect(),
    }
}

/// What vapour and lamps tell of the heat, in sentences that a keeper can check.
pub(super) fn beside_heat(den: &Den, degrees: Degrees) -> Vec<String> {
    let (vapour, lamp) = den.beside_heat();
    let diff = |k: f64| format!("{:.1} {}", degrees.show_difference(k), degrees.letter());
    let of_air = vapour.map(|v| {
        let known = match v.openings {
            0 => "no open front has shown in it yet".to_owned(),
            n => format!("{n} times a front has shown in it, and half had come back after {:.0} min", v.back_min),
        };
        let place = v.place.label();
        format!(
            "vapour at the {place} {:.1} hPa, driest of late {:.1}: it tells of an open front; {known}",
            v.now_hpa, v.driest_hpa
        )
    });
    let of_lamp = lamp.map(|l| {
        let known = |word: &str, k: Option<f64>| k.map(|k| format!(", {word} {}", diff(k))).unwrap_or_default();
        let state = if l.on { "lit" } else { "dark" };
        let moves = known("on it warms by up to", l.up) + &known("off it cools by up to", l.down);
        format!("its lamp is heard, {state} now{moves}: out of turn it explains as much")
    });
    of_air.into_iter().chain(of_lamp).collect()
}
