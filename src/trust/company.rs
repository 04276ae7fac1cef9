//! A probe among the others of its house: whom it stands beside, whether it walks away from them, whose company it keeps
//! since it left its place, and whether it owes a word while they move.

use super::Event;
use super::Kind;
use super::moved::{self, Look, Moved};
use super::watch::Watch;
use crate::reading::{Reading, Slot, Target};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span};

/// A probe that was heard within this says what its place reads now.
const FRESH: Span = Span::min(30);

impl Watch {
    /// Something moved beside these probes: does one of them owe a word?
    pub(super) fn look_missed(&mut self, group: usize, but: usize, now: Now, out: &mut Vec<Event>) {
        let mut edges = Vec::new();
        for nth in 0.. {
            let Some(group) = self.groups.get(group) else { return };
            let (Some(ix), travel) = (group.members.get(nth).map(|m| m.index()), group.travel) else { return };
            if let Some(probe) = self.probes.get_mut(ix).filter(|_| ix != but) {
                probe.look_missed(travel - probe.travel(), now, &mut edges);
                self.tell(ix, &mut edges, out);
            }
        }
    }

    /// Mean of the other temperatures of its enclosure that are seen and were heard lately.
    fn neighbours(&self, ix: usize, now: Mono) -> Option<f64> {
        let group = self.groups.get(self.settings[ix].group)?;
        let others = group.members.iter().map(|m| m.index()).filter(|m| *m != ix);
        let fresh = others.filter_map(|m| self.fresh(m, now));
        let (sum, count) = fresh.fold((0.0, 0), |(sum, count), value| (sum + value, count + 1));
        (count > 0).then(|| sum / f64::from(count))
    }

    /// The last value of a probe that is seen and was heard lately.
    fn fresh(&self, ix: usize, now: Mono) -> Option<f64> {
        let probe = self.probes.get(ix)?;
        let (value, _) = probe.last_trusted().filter(|(_, at)| now.since(at.mono) <= FRESH)?;
        probe.sees().then_some(value)
    }

    /// With a trusted temperature of an enclosure: does it drift away from its neighbours, has it left its place?
    pub(super) fn judge_place(&mut self, ix: usize, reading: &Reading, out: &mut Vec<Event>) {
        let (value, now) = (reading.value, reading.at);
        if !matches!(reading.target, Target::Enclosure(_)) {
            return;
        }
        let mut edges = Vec::new();
        if self.probes[ix].drift_is_due(now.mono)
            && let Some(neighbours) = self.neighbours(ix, now.mono)
        {
            let room = self.groups[self.settings[ix].group].room.and_then(|room| self.groups.get(room));
            let room = room.and_then(|room| room.members.first()).and_then(|m| self.fresh(m.index(), now.mono));
            self.probes[ix].hear_neighbours([value, neighbours], room, now, &mut edges);
        }
        if let Some(like) = self.look_moved(ix, value, now) {
            self.probes[ix].displace(like, now, &mut edges);
        }
        self.tell(ix, &mut edges, out);
    }

    /// `Some`: it lies elsewhere, and with whom where that is clear.
    fn look_moved(&mut self, ix: usize, value: f64, now: Now) -> Option<Option<Target>> {
        let Some(nth) = self.moved.iter().position(|moved| moved.probe == ix) else {
            self.begin_moved(ix, value, now);
            return None;
        };
        let mut moved = self.moved.swap_remove(nth);
        let group = self.settings[ix].group;
        if moved.compares(now) {
            for companion in self.companions(group) {
                if let Some(theirs) = self.fresh(companion, now.mono) {
                    moved.compare(companion, value - theirs);
                }
            }
        }
        let own = self.probes[ix].travel();
        let around = moved::Around {
            neighbours: self.neighbours(ix, now.mono),
            travel: [own, self.groups[group].travel - own],
            share: self.probes[ix].share(),
            strange: self.probes[ix].is_strange(value, now.mono),
        };
        match moved.look(value, now, &around) {
            Look::NotYet => self.moved.push(moved),
            Look::Nothing => {}
            Look::Follows(companion) => return Some(self.probes.get(companion).map(|p| p.target)),
            Look::Elsewhere => return Some(None),
        }
        None
    }

    fn begin_moved(&mut self, ix: usize, value: f64, now: Now) {
        let probe = &self.probes[ix];
        let goes = probe.trend(now.mono).filter(|trend| trend.abs() >= moved::GOES_K);
        let Some(goes) = goes.filter(|_| self.moved.len() < moved::MOST && !probe.has(Kind::Displaced)) else { return };
        let others = self.groups[self.settings[ix].group].members.iter().map(|m| m.index()).filter(|m| *m != ix);
        let along = |other: usize| {
            self.probes[other].trend(now.mono).is_some_and(|t| t * goes > 0.0 && t.abs() >= 0.25 * goes.abs())
        };
        let neighbours = self.neighbours(ix, now.mono);
        if !others.into_iter().any(along) {
            let from = value - goes;
            let group = self.settings[ix].group;
            // With nobody beside it the whole enclosure may have gone, and only to the room's own air nothing takes that.
            let all = if neighbours.is_some() { self.companions(group) } else { self.of_room(group) };
            let all = all.into_iter();
            let apart = all.filter(|c| self.fresh(*c, now.mono).is_some_and(|theirs| moved::is_apart(theirs, from)));
            let begun = Moved::new(ix, (from, value), now, neighbours, apart);
            self.moved.push(begun);
        }
    }

    /// Temperatures of the room and of the other enclosures in it; without a room, of all others.
    fn companions(&self, group: usize) -> Vec<usize> {
        let room = self.groups[group].room;
        let near = |at: &usize| *at != group && (room.is_none() || Some(*at) == room || self.groups[*at].room == room);
        let members = (0..self.groups.len()).filter(near).flat_map(|at| self.groups[at].members.iter());
        members.map(|m| m.index()).take(moved::MOST_COMPANIONS).collect()
    }

    /// Temperatures of the room itself.
    fn of_room(&self, group: usize) -> Vec<usize> {
        let room = self.groups[group].room.and_then(|room| self.groups.get(room));
        room.map(|room| room.members.iter().map(|m| m.index()).collect()).unwrap_or_default()
    }

    /// A keeper's own thermometer at a place. How far the probe there is off, K; `None`: there is none, or it is silent.
    pub fn check(&mut self, target: Target, place: Place, true_c: f64, now: Now, out: &mut Vec<Event>) -> Option<f64> {
        let there = Slot::At(place, Quantity::Temperature);
        let ix = self.probes.iter().position(|p| p.target == target && p.slot == there)?;
        let mut edges = Vec::new();
        let off = self.probes[ix].check(true_c, now, &mut edges);
        self.tell(ix, &mut edges, out);
        off
    }
}
