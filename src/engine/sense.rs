//! One probe as the engine holds it: what it said last, whether it is believed, whether it is silent.

use super::world::World;
use crate::finding::{Change, Key};
use crate::reading::{Reading, Slot, Target};
use crate::terms::id::{EnclosureIx, ProbeIx};
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now};
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Sense {
    pub target: Target,
    pub slot: Slot,
    pub last: Option<(f64, Now)>,
    pub accepted: u64,
    pub doubted: u64,
    pub silent: bool,
    pub doubt: Option<String>,
}

impl Sense {
    pub fn ever_heard(&self) -> bool {
        self.accepted > 0
    }
    pub fn is_silent(&self) -> bool {
        self.silent
    }
    pub fn is_blind(&self) -> bool {
        self.silent || self.doubt.is_some() || self.last.is_none()
    }
    pub fn usual_interval(&self) -> Option<crate::terms::time::Span> {
        None
    }
    pub fn doubt_words(&self) -> Option<String> {
        self.doubt.clone()
    }
    pub fn is_of(&self, ix: EnclosureIx, place: Place) -> bool {
        self.target == Target::Enclosure(ix) && self.slot.place() == Some(place)
    }
}

impl World {
    pub fn believe(&mut self, reading: &Reading, _out: &mut Vec<Change>) -> Option<Reading> {
        let ix = reading.probe.index();
        while self.senses.len() <= ix {
            self.senses.push(Sense {
                target: reading.target,
                slot: reading.slot,
                last: None,
                accepted: 0,
                doubted: 0,
                silent: false,
                doubt: None,
            });
        }
        let sense = self.senses.get_mut(ix)?;
        (sense.target, sense.slot) = (reading.target, reading.slot);
        if reading.retained {
            return None;
        }
        sense.accepted += 1;
        sense.last = Some((reading.value, reading.at));
        Some(*reading)
    }
    pub fn probe_wake(&self, _probe: ProbeIx) -> Option<Mono> {
        None
    }
    pub fn wake_probe(&mut self, _probe: ProbeIx, _now: Now, _out: &mut Vec<Change>) {}
    pub fn listen_anew(&mut self, _now: Now) {}
    pub fn spoiled(&mut self, _now: Now, _out: &mut Vec<Change>) {}
    pub fn named_senses(&self) -> Vec<(String, &Sense)> {
        Vec::new()
    }
    pub fn recall(&mut self, _name: &str, _sense: Option<Sense>, _now: Now) {}
    pub fn standing(&self) -> Vec<Key> {
        Vec::new()
    }
    pub fn is_of_edges(&self, _key: Key) -> bool {
        false
    }
}
