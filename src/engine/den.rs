//! One enclosure: everything that is judged about it from its own trusted readings.
//!
//! A den owns the judges of one enclosure and feeds each what it needs. It decides nothing itself; judges report edges.

use super::local::Local;
use crate::care::plan::{Plan, Wanted};
use crate::finding::bands::{self, Limits, Spot};
use crate::finding::course::Line;
use crate::finding::{Change, Subject, cause::Urgency};
use crate::reading::{Reading, Slot};
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Wall};
use serde::{Deserialize, Serialize};

/// What a den is told of the world around it, beside its own readings.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Around {
    pub local: Local,
    /// Hands are in or it is shelved: only `never` limits count.
    pub hold: bool,
    /// Somebody reaches in.
    pub hands_in: bool,
    /// The room's air, °C.
    pub room_c: Option<f64>,
    /// The other enclosures of its room are as usual.
    pub neighbours_as_usual: Option<bool>,
}

/// What of a den survives a restart.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Memory {
    pub bands: [bands::Judge; Place::COUNT],
    pub lines: [Line; Place::COUNT],
}

#[derive(Debug)]
pub struct Den {
    subject: Subject,
    plan: Option<Plan>,
    memory: Memory,
}

impl Den {
    pub fn new(ix: EnclosureIx, plan: Option<Plan>) -> Den {
        Den { subject: Subject::Enclosure(ix), plan, memory: Memory::default() }
    }

    pub fn memory(&self) -> &Memory {
        &self.memory
    }

    pub fn restore(&mut self, memory: Memory) {
        self.memory = memory;
    }

    /// A trusted reading of this enclosure.
    pub fn hear(&mut self, reading: &Reading, around: &Around, out: &mut Vec<Change>) {
        let Slot::At(place, quantity) = reading.slot else { return };
        if quantity == Quantity::Temperature {
            self.hear_temperature(place, reading.value, reading.at, around, out);
        }
    }

    fn hear_temperature(&mut self, place: Place, celsius: f64, now: Now, around: &Around, out: &mut Vec<Change>) {
        let line = &mut self.memory.lines[place.index()];
        line.hear(celsius, now.mono);
        let course = line.course();
        let Some(plan) = &mut self.plan else { return };
        let Some(limits) = limits(plan.wanted(now.wall), place) else { return };
        let spot = Spot { subject: self.subject, place, limits, course, hold: around.hold };
        self.memory.bands[place.index()].hear(&spot, celsius, now, out);
    }

    /// The place cannot be seen from now on: clocks that run stop, what stands goes on standing.
    pub fn lose_sight(&mut self, place: Place) {
        self.memory.bands[place.index()].forget_clocks();
    }

    pub fn wanted(&mut self, at: Wall) -> Option<&Wanted> {
        self.plan.as_mut().map(|plan| plan.wanted(at))
    }

    pub fn plan(&self) -> Option<&Plan> {
        self.plan.as_ref()
    }

    pub fn line(&self, place: Place) -> &Line {
        &self.memory.lines[place.index()]
    }

    /// The worst that stands at a place by its bands.
    pub fn standing(&self, place: Place) -> Option<(crate::finding::cause::Cause, Urgency)> {
        self.memory.bands[place.index()].standing()
    }

    pub fn next_wake(&self) -> Option<Mono> {
        None
    }
}

/// What the bands judge of a place now.
pub fn limits(wanted: &Wanted, place: Place) -> Option<Limits> {
    let place = wanted.place(place)?;
    Some(Limits {
        wanted_low: place.low_judged.then_some(place.wanted.low),
        wanted_high: Some(place.wanted.high),
        never_low: Some(place.never.low),
        never_high: Some(place.never.high),
    })
}
