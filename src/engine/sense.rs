//! Probes as the engine holds them: each reading is judged by `trust/` before anybody hears it, each silence told.

use super::world::World;
use crate::finding::fact::Fact;
use crate::finding::{Change, Subject};
use crate::reading::{Reading, Slot, Target};
use crate::terms::id::{EnclosureIx, ProbeIx};
use crate::terms::quantity::Quantity;
use crate::terms::time::{Now, Span, Wall};
use crate::trust::probe::Probe;
use crate::trust::{Event, Kind, Verdict};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A plug that was heard this lately tells whether heat is in order.
const PLUG_HOLDS: Span = Span::min(30);

/// Readings of one probe so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    pub accepted: u64,
    pub doubted: u64,
}

/// A probe as it is stored: the topic by which it is met again, and what is known of it.
#[derive(Debug, Serialize, Deserialize)]
pub struct StoredProbe {
    topic: String,
    probe: Probe,
}

/// A probe as a page or a mail shows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Shown {
    pub value: Option<f64>,
    pub at: Option<Wall>,
    /// Its place can be judged by it now.
    pub sees: bool,
}

impl World {
    /// Whether judges may hear the reading.
    pub fn believe(&mut self, reading: &Reading, out: &mut Vec<Change>) -> bool {
        self.meet_probes();
        let verdict = self.trust.hear(reading, &mut self.doubts);
        if let Some(tally) = self.tallies.get_mut(reading.probe.index()) {
            tally.accepted += 1;
            tally.doubted += u64::from(verdict != Verdict::Trusted);
        }
        self.tell_doubts(out);
        verdict == Verdict::Trusted
    }

    /// Takes in probes that the last message made.
    fn meet_probes(&mut self) {
        let known = self.links.probes();
        if known.len() > self.tallies.len() {
            self.trust.fit(known, self.now);
            self.tallies.resize(known.len(), Tally::default());
        }
    }

    /// The last message said less than it should have.
    pub fn hear_spoiled(&mut self, now: Now, out: &mut Vec<Change>) {
        if self.links.spoiled().is_empty() && self.links.turned().is_empty() {
            return;
        }
        self.meet_probes();
        for (probe, gone) in self.links.turned() {
            self.trust.hear_turned(*probe, *gone, now);
        }
        for spoiled in self.links.spoiled() {
            self.trust.hear_refused(spoiled.probe, spoiled.why, now, &mut self.doubts);
        }
        self.tell_doubts(out);
    }

    /// Silences that are due.
    pub fn wake_probes(&mut self, now: Now, out: &mut Vec<Change>) {
        self.meet_probes();
        self.trust.wake(now, &mut self.doubts);
        self.tell_doubts(out);
    }

    /// What `trust/` found becomes findings; a place that cannot be seen any more stops its clocks.
    pub fn tell_doubts(&mut self, out: &mut Vec<Change>) {
        if self.doubts.is_empty() {
            return;
        }
        for event in std::mem::take(&mut self.doubts) {
            // Heat that is known to fail explains a level that the probe never had.
            if event.kind == Kind::Displaced && event.fault.is_some() && self.is_disturbed(&event) {
                continue;
            }
            if let (Target::Enclosure(ix), Some(place), true) = (event.target, event.place, event.blinds())
                && let Some(den) = self.dens.get_mut(ix.index())
            {
                den.lose_sight(place);
            }
            let lost = self.lost_heat_unseen(event.target).filter(|_| event.blinds());
            let in_order = lost.is_none() && self.heat_in_order_without(&event);
            let told = out.len();
            self.probe_findings.hear(&event, in_order, out);
            if let (Some(Change::Stands(finding)), Some(lost)) = (out.get_mut(told), lost) {
                finding.facts.push(lost);
            }
        }
    }

    fn is_disturbed(&self, event: &Event) -> bool {
        let Target::Enclosure(ix) = event.target else { return false };
        self.dens.get(ix.index()).is_some_and(|den| den.is_disturbed())
    }

    /// Whether another trusted sign tells that the heat of the probe's enclosure is in order.
    fn heat_in_order_without(&self, event: &Event) -> bool {
        let Target::Enclosure(ix) = event.target else { return true };
        let Some(den) = self.dens.get(ix.index()) else { return true };
        if !den.has_heat() {
            return true;
        }
        if den.is_disturbed() {
            return false;
        }
        let others = self
            .links
            .probes()
            .iter()
            .enumerate()
            .filter(|(at, known)| known.target == event.target && *at != event.probe.index());
        others.into_iter().any(|(at, known)| {
            let Some(probe) = u32::try_from(at).ok().and_then(|at| self.trust.probe(ProbeIx(at))) else { return false };
            match known.slot {
                Slot::At(_, Quantity::Temperature) => probe.sees(),
                Slot::Heat(..) => known.last.is_some_and(|at| self.now.mono.since(at.mono) < PLUG_HOLDS),
                _ => false,
            }
        })
    }

    fn lost_heat_unseen(&mut self, target: Target) -> Option<Fact> {
        let Target::Enclosure(ix) = target else { return None };
        self.dens.get_mut(ix.index())?.lost_heat_unseen(self.now)
    }

    /// The enclosure spoke: does what it says still tell that its heat is in order, where its own place is unseen?
    pub fn doubt_heat_unseen(&mut self, ix: EnclosureIx, out: &mut Vec<Change>) {
        if let Some(lost) = self.lost_heat_unseen(Target::Enclosure(ix)) {
            self.probe_findings.doubt_heat(Subject::Enclosure(ix), &lost, out);
        }
    }

    /// Whether any probe sees this quantity at this place, and what it said last. `None`: no link reads it.
    pub fn shown(&self, ix: EnclosureIx, slot: Slot) -> Option<Shown> {
        let probe = self.trust.probe(self.links.probe_at(Target::Enclosure(ix), slot)?);
        let last = probe.and_then(Probe::last_trusted);
        Some(Shown {
            value: last.map(|(value, _)| value),
            at: last.map(|(_, at)| at.wall),
            sees: probe.is_some_and(Probe::sees),
        })
    }

    /// Probes by their stable names, for the store.
    pub fn stored_probes(&self) -> Vec<(String, StoredProbe)> {
        let known = self.links.probes().iter().enumerate();
        let stored = known.filter_map(|(at, known)| {
            let ix = ProbeIx(u32::try_from(at).ok()?);
            let (name, probe) = (self.links.name(ix)?, self.trust.probe(ix)?.clone());
            Some((name, StoredProbe { topic: known.topic.as_deref()?.to_owned(), probe }))
        });
        stored.collect()
    }

    /// Puts stored probes back, by their names: their topics are met again, so that their silence from now on is noticed.
    pub fn recall(&mut self, stored: Vec<(&str, StoredProbe)>, now: Now) {
        for (_, one) in &stored {
            self.links.recall(&one.topic);
        }
        self.meet_probes();
        let all = (0..u32::try_from(self.links.probes().len()).unwrap_or(u32::MAX)).map(ProbeIx);
        let named: BTreeMap<String, ProbeIx> = all.filter_map(|ix| Some((self.links.name(ix)?, ix))).collect();
        for (name, one) in stored {
            let Some(ix) = named.get(name) else { continue };
            if let Some(known) = self.links.probes().get(ix.index()) {
                self.trust.restore(*ix, one.probe, known, now);
            }
        }
    }

    /// Tells anew what stands of all probes, after they were put back.
    pub fn retell(&mut self, out: &mut Vec<Change>) {
        self.trust.standing(&mut self.doubts);
        self.tell_doubts(out);
    }
}
