//! Which name what is wrong in a den gets: what `heat/` says, told or waiting, and what explains a place out of its band.

use super::{Around, Den, limits};
use crate::engine::trail::Trail;
use crate::finding::cause::{Cause, Urgency};
use crate::finding::heat::{self as heat_finding, Never};
use crate::finding::{Change, explain};
use crate::heat::picture::Picture;
use crate::heat::verdict;
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now};

impl Den {
    /// What is out of its band is told by what explains it, where that is seen.
    pub(super) fn explain(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        let symptom = self.symptom;
        let told = out.len();
        self.memory.outside.look(symptom.map(|s| s.hot), out);
        out[told..].iter().for_each(|change| self.count(change));
        if symptom.is_none() && !self.memory.explained.stands() {
            return;
        }
        let place = symptom.map_or(Place::WarmSide, |s| s.place);
        let beside = explain::Beside {
            picture: self.memory.heat.picture(place, now.mono),
            room: around.room_says,
            went_k: symptom.map_or(0.0, |s| way(s.hot, self.trail(s.place).went_in_an_hour())),
            others_went_k: symptom.zip(around.others_went_k).map(|(s, others)| way(s.hot, others)),
            named: &self.memory.named,
        };
        self.memory.explained.hear(self.subject, symptom, &beside, now, out);
    }

    /// Whether something is out of its band, and what the others do would help to tell why.
    pub fn asks_others(&self) -> bool {
        !self.memory.explained.stands() && self.symptom.is_some()
    }

    /// How far its unheated places went up and down within an hour lately, K; `None`: none is heard.
    pub fn went_along(&self) -> Option<(f64, f64)> {
        let unheated = [Place::CoolSide, Place::Hide, Place::Air].map(|place| &self.memory.trails[place.index()]);
        unheated.into_iter().find(|trail| trail.points().next().is_some()).map(Trail::went_in_an_hour)
    }

    /// The gravest of what is too warm or too cold; the retreat counts as too warm. What judges of bands and of the retreat turn,
    /// they tell: it is looked for after their edges only ([`Den::hear`]).
    pub(super) fn look_for_symptom(&self) -> Option<explain::Symptom> {
        let bands = Place::ALL.into_iter().filter_map(|place| Some((place, self.standing(place)?)));
        let worst = bands.max_by_key(|(place, (_, urgency))| (*urgency, std::cmp::Reverse(*place)));
        let no_retreat = || explain::Symptom { place: Place::CoolSide, hot: true, urgency: Urgency::Now };
        worst
            .map(|(place, (cause, urgency))| explain::Symptom { place, hot: cause == Cause::TooHot, urgency })
            .or_else(|| self.memory.comfort.gradient.no_retreat().then(no_retreat))
    }

    pub(super) fn pass_on(&mut self, now: Now, out: &mut Vec<Change>) {
        if self.turns.is_empty() {
            return;
        }
        let wanted = self.plan.as_mut().map(|plan| *plan.wanted(now.wall));
        for turn in std::mem::take(&mut self.turns) {
            let place = match &turn {
                verdict::Change::Stands(verdict) => verdict.place,
                verdict::Change::Calm(_, place) => *place,
            };
            let limits = wanted.as_ref().and_then(|w| limits(w, place)).unwrap_or_default();
            let never = Never { low: limits.never_low, high: limits.never_high };
            let source =
                self.memory.sources.sources.iter().find(|s| s.at == place).or(self.memory.sources.sources.first());
            let source = source.map_or("heat", |s| s.id.as_str());
            let change = heat_finding::change(&turn, self.subject, source, never, now);
            self.note(&turn);
            let told = out.len();
            let symptom = self.symptom.map(|s| s.hot);
            let may_wait = self.plan.is_some() && !is_direct(&turn);
            self.memory.outside.hear(change, may_wait, symptom, now, out);
            out[told..].iter().for_each(|change| self.count(change));
        }
    }

    /// Keeps account of what `heat/` says, so that neighbours know.
    fn note(&mut self, turn: &verdict::Change) {
        let (what, stands) = match turn {
            verdict::Change::Stands(verdict) => ((verdict.cause, verdict.place), true),
            verdict::Change::Calm(cause, place) => ((*cause, *place), false),
        };
        self.memory.disturbed.retain(|other| *other != what);
        if stands {
            self.memory.disturbed.push(what);
        }
    }

    /// Keeps account of what of it was told, so that nothing else explains the same.
    fn count(&mut self, change: &Change) {
        let (key, stands) = match change {
            Change::Stands(finding) => (finding.key, true),
            Change::Calm(key) => (*key, false),
        };
        let Some(place) = key.place else { return };
        self.memory.named.retain(|named| *named != (key.cause, place));
        if stands {
            self.memory.named.push((key.cause, place));
        }
    }

    /// Whether its heat is not as usual.
    pub fn is_disturbed(&self) -> bool {
        use verdict::Cause;
        self.is_any(&[Cause::HeatFailed, Cause::HeatStuckOn, Cause::RoomCold, Cause::RoomHot, Cause::OutsideHeat])
    }

    /// Whether something of it has changed that does not pass like the sun of an hour.
    pub(super) fn is_unlike(&self) -> bool {
        use verdict::Cause;
        self.is_any(&[Cause::HeatFailed, Cause::HeatStuckOn, Cause::HeatWeak, Cause::RoomCold, Cause::RoomHot])
    }

    /// Whether any of its heat is on the way to be called lost.
    pub fn leans_lost(&self) -> bool {
        self.memory.heat.pictures().any(Picture::leans_lost)
    }

    /// How far it is on that way ([`crate::heat::Watch::lean`]).
    pub fn lean(&self, now: Mono) -> Option<f64> {
        self.memory.heat.lean(now)
    }

    pub fn has_lost_heat(&self) -> bool {
        self.is_any(&[verdict::Cause::HeatFailed])
    }

    fn is_any(&self, causes: &[verdict::Cause]) -> bool {
        self.memory.disturbed.iter().any(|(cause, _)| causes.contains(cause))
    }
}

/// A heater whose power or whose cycles have changed is weak whatever the weather; one whose level has sunk may be a cold day.
fn is_direct(turn: &verdict::Change) -> bool {
    let verdict::Change::Stands(verdict) = turn else { return false };
    verdict.cause == verdict::Cause::HeatWeak && verdict.evidence.way != verdict::Way::Slow
}

/// What of a rise and a fall is the symptom's way, K.
fn way(hot: bool, (up, down): (f64, f64)) -> f64 {
    if hot { up } else { -down }
}
