//! All probes of a house: who may witness for whom, whose battery is whose, which two have changed places.

use super::heat_runs::HeatRuns;
use super::moved::Moved;
use super::probe::{Edge, Probe, Witness};
use super::swap::{self, Jump, Swap};
use super::{Event, Fault, Kind, Verdict};
use crate::reading::probes::Known;
use crate::reading::refusal::Refusal;
use crate::reading::{Reading, Slot, Target};
use crate::terms::id::{LinkIx, ProbeIx, RoomIx};
use crate::terms::quantity::{Quantity, Unit};
use crate::terms::time::{Mono, Now};
use std::collections::BTreeMap;

/// A witness must have moved this much of the jump in question, and so much at least, K.
const WITNESS_SHARE: f64 = 0.25;
const WITNESS_LEAST_K: f64 = 1.0;

/// What is around one probe.
#[derive(Clone, Debug, Default)]
pub(super) struct Setting {
    pub(super) topic: Option<Box<str>>,
    pub(super) unit: Option<Unit>,
    pub(super) group: usize,
    pub(super) link: Option<LinkIx>,
    /// The battery that it lives on.
    pub(super) battery: Option<ProbeIx>,
    /// Of a battery: a probe that lives on it has left its senses.
    pub(super) dying: bool,
    /// Of watts and relays of a heat source: the most so far, and whether it is on.
    pub(super) peak: f64,
    pub(super) on: bool,
}

/// The temperatures of one enclosure or room.
#[derive(Clone, Debug, Default)]
pub(super) struct Group {
    pub(super) members: Vec<ProbeIx>,
    pub(super) travel: f32,
    pub(super) jumps: Vec<Jump>,
    pub(super) swap: Option<Swap>,
    pub(super) heat: HeatRuns,
    /// The room that the enclosure stands in.
    pub(super) room: Option<usize>,
}

/// Trust in every probe of the house.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    pub(super) probes: Vec<Probe>,
    pub(super) settings: Vec<Setting>,
    pub(super) groups: Vec<Group>,
    pub(super) index: BTreeMap<Target, usize>,
    /// The room of each enclosure.
    pub(super) rooms: Vec<Option<RoomIx>>,
    /// When any probe was last heard.
    pub(super) newest: Option<Mono>,
    /// No probe is due before this; kept too early rather than too late.
    pub(super) due: Option<Mono>,
    pub(super) edges: Vec<Edge>,
    /// Probes that left their level alone, until it is clear why.
    pub(super) moved: Vec<Moved>,
}

impl Watch {
    /// `rooms`: of each enclosure, in order.
    pub fn new(rooms: Vec<Option<RoomIx>>) -> Watch {
        Watch { rooms, ..Watch::default() }
    }

    /// Takes in the probes that `reading/` knows by now. To be called after every message that may have made new ones
    /// (compare the lengths), and once at the start.
    pub fn fit(&mut self, known: &[Known], now: Now) {
        let new = known.get(self.probes.len()..).unwrap_or_default();
        if new.is_empty() {
            return;
        }
        for known in new {
            let ix = ProbeIx(u32::try_from(self.probes.len()).unwrap_or(u32::MAX));
            let probe = Probe::new(known, now);
            self.due = earlier(self.due, probe.next_wake());
            let group = self.group(known.target);
            if matches!(known.slot, Slot::At(_, Quantity::Temperature)) {
                self.groups[group].members.push(ix);
            }
            let (topic, unit) = (known.topic.clone(), Some(known.unit));
            self.settings.push(Setting { topic, unit, group, link: Some(known.link), ..Setting::default() });
            self.probes.push(probe);
        }
        for (setting, known) in self.settings.iter_mut().zip(known) {
            setting.topic.clone_from(&known.topic);
        }
        self.assign_batteries();
    }

    fn group(&mut self, target: Target) -> usize {
        if let Some(group) = self.index.get(&target) {
            return *group;
        }
        let room = match target {
            Target::Enclosure(ix) => self.rooms.get(ix.index()).copied().flatten(),
            Target::Room(_) => None,
        };
        let room = room.map(|room| self.group(Target::Room(room)));
        self.groups.push(Group { room, ..Group::default() });
        self.index.insert(target, self.groups.len() - 1);
        self.groups.len() - 1
    }

    /// A probe lives on the battery that its own topic tells of; else of a sibling topic; else on the only one of its target.
    fn assign_batteries(&mut self) {
        let batteries: Vec<usize> = (0..self.probes.len()).filter(|i| self.probes[*i].slot == Slot::Battery).collect();
        for i in 0..self.probes.len() {
            let target = self.probes[i].target;
            let ours: Vec<usize> = batteries.iter().copied().filter(|b| self.probes[*b].target == target).collect();
            let topic = |i: usize| self.settings[i].topic.as_deref().unwrap_or_default();
            let parent = |i: usize| topic(i).rsplit_once('/').map(|(parent, _)| parent);
            let found = ours
                .iter()
                .find(|b| topic(**b) == topic(i))
                .or_else(|| ours.iter().find(|b| parent(**b).is_some() && parent(**b) == parent(i)))
                .or_else(|| if ours.len() == 1 { ours.first() } else { None });
            self.settings[i].battery = found.and_then(|b| u32::try_from(*b).ok()).map(ProbeIx);
        }
    }

    pub fn probe(&self, ix: ProbeIx) -> Option<&Probe> {
        self.probes.get(ix.index())
    }

    /// Puts a stored probe in the place of a new one, after [`Watch::fit`].
    pub fn restore(&mut self, ix: ProbeIx, mut stored: Probe, known: &Known, now: Now) {
        let Some(probe) = self.probes.get_mut(ix.index()) else { return };
        stored.refit(known);
        stored.restored(now);
        *probe = stored;
        self.due = earlier(self.due, probe.next_wake());
        let group = self.settings[ix.index()].group;
        let travel =
            self.groups[group].members.iter().filter_map(|m| self.probes.get(m.index())).map(Probe::travel).sum();
        self.groups[group].travel = travel;
    }

    /// Judges one reading; pushes the edges that it makes.
    pub fn hear(&mut self, reading: &Reading, out: &mut Vec<Event>) -> Verdict {
        let ix = reading.probe.index();
        let Some(setting) = self.settings.get(ix) else { return Verdict::Held };
        let (group, battery) = (setting.group, setting.battery);
        if !reading.retained {
            self.newest = Some(reading.at.mono);
        }
        let battery = battery.map(ProbeIx::index).filter(|b| *b < self.probes.len());
        let battery_low = battery.is_some_and(|b| self.probes[b].battery.low());
        let sender_dying = battery_low && battery.is_some_and(|b| self.settings[b].dying);
        let temperature = matches!(reading.slot, Slot::At(_, Quantity::Temperature));
        let Some(probe) = self.probes.get(ix) else { return Verdict::Held };
        let (before, level) = (probe.travel(), probe.gate.last().map(|l| l.1));
        let agrees = temperature && probe.wonders(reading) && self.agrees(ix, reading);
        let others_travel = self.groups.get(group).map_or(0.0, |g| g.travel - before);
        let swap = self.groups.get(group).is_some_and(|g| g.swap.as_ref().is_some_and(|s| s.concerns(ix)));
        let witness = Witness { agrees, others_travel, battery_low, sender_dying, swap };
        let mut edges = std::mem::take(&mut self.edges);
        let verdict = match self.probes.get_mut(ix) {
            Some(probe) => probe.hear(reading, &witness, &mut edges),
            None => Verdict::Held,
        };
        if temperature {
            let moved = self.probes[ix].travel() - before;
            if let Some(group) = self.groups.get_mut(group) {
                group.travel += moved;
            }
            if moved > 0.0 {
                self.look_missed(group, ix, reading.at, out);
            }
            let passed = self.probes[ix].gate.last() == Some((reading.at.mono, reading.value));
            if let (true, Some(from)) = (passed, level) {
                self.judge_swap(ix, from, reading, out);
            }
            if verdict == Verdict::Trusted {
                self.judge_place(ix, reading, out);
            }
        }
        if matches!(reading.slot, Slot::Heat(..))
            && verdict == Verdict::Trusted
            && self.hear_heat(ix, reading.value, reading.at.mono)
        {
            self.look_missed(group, ix, reading.at, out);
        }
        if let Some(b) = battery {
            self.settings[b].dying = battery_low && (sender_dying || self.probes[ix].is_dying_now());
        }
        if reading.slot == Slot::Battery && !reading.retained && verdict == Verdict::Trusted {
            self.hear_battery(ix, reading, &mut edges);
        }
        self.due = earlier(self.due, self.probes[ix].next_wake());
        self.tell(ix, &mut edges, out);
        self.edges = edges;
        verdict
    }

    /// A number that could not be read: the probe speaks, and says nothing.
    pub fn hear_refused(&mut self, probe: ProbeIx, why: Refusal, now: Now, out: &mut Vec<Event>) {
        let mut edges = std::mem::take(&mut self.edges);
        self.newest = Some(now.mono);
        if let Some(p) = self.probes.get_mut(probe.index()) {
            p.hear_refused(why, now, &mut edges);
            self.tell(probe.index(), &mut edges, out);
        }
        self.edges = edges;
    }

    /// A probe's device said that it is gone, or there again.
    pub fn hear_turned(&mut self, probe: ProbeIx, gone: bool, now: Now) {
        if let Some(p) = self.probes.get_mut(probe.index()) {
            p.hear_turned(gone, now);
            self.due = earlier(self.due, p.next_wake());
        }
    }

    /// Whether another temperature of the enclosure or its room moves, or is held while moving, the same way, or whether its
    /// heat stays on as it never does.
    fn agrees(&self, ix: usize, reading: &Reading) -> bool {
        let Some((_, level)) = self.probes[ix].gate.last() else { return false };
        let jump = reading.value - level;
        let enough = WITNESS_LEAST_K.max(WITNESS_SHARE * jump.abs());
        let group = &self.groups[self.settings[ix].group];
        let room = group.room.and_then(|room| self.groups.get(room)).map_or(&[][..], |room| &room.members);
        let others = group.members.iter().chain(room).map(|m| m.index()).filter(|m| *m != ix);
        if jump > 0.0 && group.heat.runs_on(reading.at.mono) {
            return true;
        }
        others.filter_map(|m| self.probes.get(m)).any(|other| {
            let moves = other.trend(reading.at.mono).unwrap_or(0.0);
            let held = other.gate.held_step(reading.at.mono).unwrap_or(0.0);
            [moves, held].iter().any(|m| m * jump > 0.0 && m.abs() >= enough)
        })
    }

    /// Heat that is switched moves temperatures: a switching counts as movement beside the probes, by whatever share in it
    /// each probe usually has. Whether it was one.
    fn hear_heat(&mut self, ix: usize, value: f64, at: Mono) -> bool {
        let setting = &mut self.settings[ix];
        setting.peak = setting.peak.max(value);
        let on = value > setting.peak * if setting.on { 0.3 } else { 0.6 };
        if on == setting.on || setting.peak <= 0.0 {
            return false;
        }
        setting.on = on;
        if let Some(group) = self.groups.get_mut(setting.group) {
            group.travel += 1.0;
            group.heat.switched(on, at);
        }
        true
    }

    fn hear_battery(&mut self, ix: usize, reading: &Reading, edges: &mut Vec<Edge>) {
        let unit = self.settings[ix].unit.unwrap_or(Unit::Volt);
        let probe = &mut self.probes[ix];
        let low = probe.battery.hear(reading.value, unit, reading.at.mono);
        let fault = low.then(|| Fault::Battery { level: probe.battery.level() });
        probe.set(fault, Kind::Battery, reading.at, edges);
    }

    /// Looks after exchanged ends, with a temperature that passed the gate and the level that it left.
    fn judge_swap(&mut self, ix: usize, from: f64, reading: &Reading, out: &mut Vec<Event>) {
        let (to, now) = (reading.value, reading.at);
        let Some(group) = self.groups.get_mut(self.settings[ix].group) else { return };
        let members = &group.members;
        let jumps = &mut group.jumps;
        let step = group.swap.as_mut().map(|swap| swap.hear(ix, to, now.mono)).unwrap_or_default();
        let ends = match step {
            swap::Step::Nothing => {
                if group.swap.is_none()
                    && let Some(pair) = swap::pair(jumps, members, ix, (from, to), now)
                {
                    group.swap = Some(pair);
                }
                return;
            }
            swap::Step::Sure | swap::Step::Over => group.swap.as_ref().map(|swap| swap.ends()),
        };
        let sure = step == swap::Step::Sure;
        let since = group.swap.as_ref().map_or(now, |swap| swap.since);
        if !sure {
            group.swap = None;
        }
        for (one, other) in ends.into_iter().flat_map(|[a, b]| [(a, b), (b, a)]) {
            let place = self.probes.get(other).and_then(|p| p.slot.place());
            let fault = place.filter(|_| sure).map(Fault::SwappedWith);
            let mut edges = Vec::new();
            if let Some(probe) = self.probes.get_mut(one) {
                probe.set(fault, Kind::Swapped, if sure { since } else { now }, &mut edges);
            }
            self.tell(one, &mut edges, out);
        }
    }

    pub(super) fn tell(&self, ix: usize, edges: &mut Vec<Edge>, out: &mut Vec<Event>) {
        // Seldom: a reading in the steady state turns nothing.
        if !edges.is_empty() {
            out.extend(edges.drain(..).filter_map(|edge| self.event(ix, edge)));
        }
    }

    fn event(&self, ix: usize, (kind, fault, since): Edge) -> Option<Event> {
        let probe = self.probes.get(ix)?;
        let index = ProbeIx(u32::try_from(ix).ok()?);
        let served = || {
            let fed = |(_, s): &(usize, &Setting)| s.battery == Some(index);
            self.settings.iter().enumerate().filter(fed).filter_map(|(i, _)| self.probes[i].slot.place()).min()
        };
        Some(Event {
            probe: index,
            target: probe.target,
            slot: probe.slot,
            place: probe.slot.place().or_else(served),
            kind,
            fault,
            since,
            last: probe.last_trusted(),
            heard: probe.last_value(),
            usual: probe.usual(),
        })
    }

    /// Everything that stands, as events: to tell the judges anew after a restart.
    pub fn standing(&self, out: &mut Vec<Event>) {
        for (ix, probe) in self.probes.iter().enumerate() {
            let edges = probe.standing().iter().map(|(fault, since)| (fault.kind(), Some(*fault), *since));
            out.extend(edges.filter_map(|edge| self.event(ix, edge)));
        }
    }

    /// The keeper moved or exchanged probes of this target, or changed what they measure: learn anew.
    pub fn relearn(&mut self, target: Target, now: Now, out: &mut Vec<Event>) {
        let mut edges = std::mem::take(&mut self.edges);
        for ix in 0..self.probes.len() {
            if self.probes[ix].target == target {
                self.probes[ix].relearn(now, &mut edges);
                self.tell(ix, &mut edges, out);
            }
        }
        self.edges = edges;
        if let Some(group) = self.index.get(&target).and_then(|g| self.groups.get_mut(*g)) {
            let probes = &self.probes;
            self.moved.retain(|moved| probes.get(moved.probe).is_some_and(|p| p.target != target));
            (group.travel, group.swap) = (0.0, None);
            group.jumps.clear();
        }
    }

    /// How many probes ever spoke, and how many of those are not silent: for the feed.
    pub fn speaking(&self) -> (usize, usize) {
        let ever = self.probes.iter().filter(|p| p.last_heard().is_some());
        (ever.clone().count(), ever.filter(|p| !p.has(Kind::Silent)).count())
    }
}

fn earlier(a: Option<Mono>, b: Option<Mono>) -> Option<Mono> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}
