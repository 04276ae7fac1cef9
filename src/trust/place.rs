//! What a probe is in its enclosure, by its own habits: whether it lies where it did, whether it drifts, whether it owes a
//! word to what moves around it.

use super::drift::Turn;
use super::probe::{Edge, Probe};
use super::rhythm::SHORTEST_IRREGULAR;
use super::{Fault, Kind};
use crate::reading::Target;
use crate::terms::time::{Mono, Now, Span};

/// A displaced probe must read what it usually did for so long to be back; how long its habit must be known to tell.
const HOME_AFTER: Span = Span::min(20);
const HABIT_OLD: Span = Span::days(1);
/// A reading counts beside a keeper's own thermometer for so long, and from which difference on it is told, K. Ours: an
/// infrared thermometer is good to 2 K (from memory), and nobody holds it where the probe is.
const CHECK_HOLDS: Span = Span::min(30);
const CHECK_OFF_K: f64 = 2.5;

impl Probe {
    /// Whether it is known where else it lies; it is back once it reads as it did.
    pub(super) fn is_away(&mut self, value: f64, now: Now, out: &mut Vec<Edge>) -> bool {
        if !self.has(Kind::Displaced) {
            return false;
        }
        if self.gate.is_strange(value, now.mono, HABIT_OLD) {
            self.home_since = None;
        } else if now.mono.since(*self.home_since.get_or_insert(now.mono)) >= HOME_AFTER {
            self.home_since = None;
            self.gate.rest_habit(false);
            self.set(None, Kind::Displaced, now, out);
            return false;
        }
        self.standing.iter().any(|(fault, _)| matches!(fault, Fault::LiesElsewhere { like: Some(_) }))
    }

    pub(super) fn displace(&mut self, like: Option<Target>, since: Now, out: &mut Vec<Edge>) {
        self.gate.rest_habit(true);
        self.set(Some(Fault::LiesElsewhere { like }), Kind::Displaced, since, out);
    }

    pub(super) fn is_strange(&self, value: f64, at: Mono) -> bool {
        self.gate.is_strange(value, at, HABIT_OLD)
    }

    pub(super) fn share(&self) -> Option<f32> {
        self.run.share()
    }

    pub(super) fn drift_is_due(&self, at: Mono) -> bool {
        self.drift.is_due(at)
    }

    /// Its value, its neighbours' mean and the room's, for the daily means.
    pub(super) fn hear_neighbours(&mut self, beside: [f64; 2], room: Option<f64>, now: Now, out: &mut Vec<Edge>) {
        match self.drift.take(beside, room, now.mono) {
            None => {}
            Some(Turn::Drifted(by_k)) => self.set(Some(Fault::Drifted { by_k }), Kind::Drift, now, out),
            Some(Turn::Back) => self.set(None, Kind::Drift, now, out),
        }
    }

    /// A keeper's own thermometer at its place, °C. How far it is off, K; `None`: it was not heard lately.
    pub(super) fn check(&mut self, true_c: f64, now: Now, out: &mut Vec<Edge>) -> Option<f64> {
        let (value, at) = self.last_trusted?;
        if now.mono.since(at.mono) > CHECK_HOLDS {
            return None;
        }
        let off = value - true_c;
        if off.abs() >= CHECK_OFF_K {
            self.set(Some(Fault::Drifted { by_k: off as f32 }), Kind::Drift, now, out);
        } else {
            self.drift.forget();
            self.set(None, Kind::Drift, now, out);
        }
        Some(off)
    }

    /// One that reports on change is quiet although what surrounds it moves: silent long before its clock runs out.
    /// `others_travel`: as in [`Witness`].
    pub(super) fn look_missed(&mut self, others_travel: f32, now: Now, out: &mut Vec<Edge>) {
        let Some(last) = self.last_heard.filter(|_| !self.has(Kind::Silent) && self.judges_silence()) else { return };
        let Some(listening) = self.listening_since else { return };
        let quiet = now.mono.since(last.mono.max(listening)) >= SHORTEST_IRREGULAR;
        if quiet && self.rhythm.is_on_change() && self.run.is_missed(others_travel) {
            self.told_silent = true;
            self.set(Some(Fault::Silent), Kind::Silent, last, out);
        }
    }

    pub(super) fn listen_anew(&mut self, others_travel: f32) {
        self.run.listen_anew(others_travel);
    }
}
