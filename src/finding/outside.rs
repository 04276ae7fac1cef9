//! What reaches an enclosure from outside, sun or room, is nobody's incident while every place is within its band, nor is heat
//! that only seems weaker: the heat room's word on it waits here until a band is left, or `never` is near.

use super::cause::Cause;
use super::{Change, Finding};
use crate::terms::time::{Now, Span};
use serde::{Deserialize, Serialize};

/// A `never` limit that is reached sooner than this is waited for no longer. Ours: time to go home.
const NEAR: Span = Span::min(60);

/// What stands of one enclosure, and is not told yet.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    waiting: Vec<Finding>,
}

/// Whether a cause may be of the world outside, and if so whether it warms.
const fn warms(cause: Cause) -> Option<bool> {
    match cause {
        Cause::OutsideHeat | Cause::RoomHot => Some(true),
        Cause::RoomCold | Cause::HeatWeak => Some(false),
        _ => None,
    }
}

impl Judge {
    /// What the heat room says goes on to `out` at once, or, where it `may_wait`, waits. `symptom`: whether a place is out of its
    /// band, and too warm there; without care there is no band to leave.
    pub fn hear(&mut self, change: Change, may_wait: bool, symptom: Option<bool>, now: Now, out: &mut Vec<Change>) {
        let key = match &change {
            Change::Stands(finding) => finding.key,
            Change::Calm(key) => *key,
        };
        let waited = self.waiting.iter().position(|f| f.key == key);
        if let Some(at) = waited {
            self.waiting.remove(at);
        }
        match change {
            // Nobody was told that it stood.
            Change::Calm(_) if waited.is_some() => {}
            Change::Stands(finding) if may_wait && waits(&finding, symptom, now) => self.waiting.push(finding),
            change => out.push(change),
        }
    }

    /// Call after the judges of bands.
    pub fn look(&mut self, symptom: Option<bool>, out: &mut Vec<Change>) {
        if symptom.is_some() {
            let tells = |f: &mut Finding| warms(f.key.cause) == symptom;
            out.extend(self.waiting.extract_if(.., tells).map(Change::Stands));
        }
    }
}

fn waits(finding: &Finding, symptom: Option<bool>, now: Now) -> bool {
    let near = finding.act_by.is_some_and(|at| at.since(now.wall) <= NEAR);
    warms(finding.key.cause).is_some_and(|warms| symptom != Some(warms)) && !near
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::{Key, Subject};
    use crate::terms::id::EnclosureIx;
    use crate::terms::place::Place;

    fn finding(cause: Cause) -> Finding {
        Finding::new(Subject::Enclosure(EnclosureIx(0)), cause, Some(Place::WarmSide), Now::at(0))
    }

    fn told(judge: &mut Judge, change: Change, may_wait: bool, symptom: Option<bool>) -> Vec<Key> {
        let mut out = Vec::new();
        judge.hear(change, may_wait, symptom, Now::at(0), &mut out);
        out.iter().map(key).collect()
    }

    fn key(change: &Change) -> Key {
        match change {
            Change::Stands(finding) => finding.key,
            Change::Calm(key) => *key,
        }
    }

    #[test]
    fn a_colder_room_and_heat_that_seems_weaker_are_told_once_a_place_is_too_cold() {
        for cause in [Cause::RoomCold, Cause::HeatWeak] {
            waits_for_cold(cause);
        }
    }

    fn waits_for_cold(cause: Cause) {
        let (mut judge, room) = (Judge::default(), finding(cause));
        assert_eq!(told(&mut judge, Change::Stands(room.clone()), true, None), []);
        let mut out = Vec::new();
        judge.look(Some(true), &mut out);
        judge.look(None, &mut out);
        assert!(out.is_empty(), "a place that is too warm is not the cold room's");
        judge.look(Some(false), &mut out);
        assert_eq!(out, [Change::Stands(room.clone())]);
        assert_eq!(told(&mut judge, Change::Calm(room.key), true, None), [room.key], "its end is told");
    }

    #[test]
    fn what_passed_unnoticed_ends_unnoticed() {
        let (mut judge, sun) = (Judge::default(), finding(Cause::OutsideHeat));
        assert_eq!(told(&mut judge, Change::Stands(sun.clone()), true, None), []);
        assert_eq!(told(&mut judge, Change::Calm(sun.key), true, None), []);
    }

    #[test]
    fn a_heater_and_a_limit_that_is_near_wait_for_nothing() {
        let mut judge = Judge::default();
        let dead = finding(Cause::HeatFailed);
        assert_eq!(told(&mut judge, Change::Stands(dead.clone()), true, None), [dead.key]);
        let mut sun = finding(Cause::OutsideHeat);
        assert_eq!(told(&mut judge, Change::Stands(sun.clone()), false, None), [sun.key], "no care, no band");
        sun.act_by = Some(Now::at(0).wall + Span::min(59));
        assert_eq!(told(&mut judge, Change::Stands(sun.clone()), true, None), [sun.key]);
    }
}
