//! The registry of probes: which slot of which target is fed by which link and topic, and what was never heard.

use super::settings::Link;
use super::{Slot, Target};
use crate::terms::id::{LinkIx, ProbeIx};
use crate::terms::quantity::Unit;
use crate::terms::time::{Now, Span};
use std::collections::BTreeMap;

/// The most probes: hostile topics stop being tied here.
pub const MOST_PROBES: usize = 16_384;
/// A topic that has been quiet for this long may be followed by another one (a replaced sensor with a new name).
pub const SUCCESSION_AFTER: Span = Span::h(1);

/// One probe: a quantity at a place, tied to a topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    pub target: Target,
    pub slot: Slot,
    pub link: LinkIx,
    /// `None`: of a link that captures names, not heard yet.
    pub topic: Option<Box<str>>,
    /// The usual interval where the keeper stated one.
    pub every: Option<Span>,
    pub unit: Unit,
    /// Added after conversion, K.
    pub offset_k: f64,
    /// Readings so far, without retained ones.
    pub heard: u64,
    /// When the last one came, retained or not.
    pub last: Option<Now>,
}

/// Batteries are told apart by topic: two senders of one enclosure have one each.
type Key = (Target, Slot, Option<Box<str>>);

#[derive(Clone, Debug, Default)]
pub struct Probes {
    known: Vec<Known>,
    index: BTreeMap<Key, ProbeIx>,
}

impl Probes {
    pub fn all(&self) -> &[Known] {
        &self.known
    }

    /// The probe of a slot, where any link feeds it; of several batteries, one.
    pub(super) fn at(&self, target: Target, slot: Slot) -> Option<ProbeIx> {
        let (key, ix) = self.index.range((target, slot, None)..).next()?;
        ((key.0, key.1) == (target, slot)).then_some(*ix)
    }

    pub(super) fn get_mut(&mut self, ix: ProbeIx) -> Option<&mut Known> {
        self.known.get_mut(ix.index())
    }

    /// The probe of a slot, made if it is new. `None`: there are too many.
    pub(super) fn fit(
        &mut self,
        at: (Target, Slot),
        topic: Option<&str>,
        read: usize,
        link: (LinkIx, &Link),
    ) -> Option<ProbeIx> {
        let (target, slot) = at;
        let key = (target, slot, topic.filter(|_| slot == Slot::Battery).map(Into::into));
        if let Some(ix) = self.index.get(&key) {
            return Some(*ix);
        }
        let read = link.1.reads.get(read)?;
        let ix = ProbeIx(u32::try_from(self.known.len()).ok()?);
        if self.known.len() >= MOST_PROBES {
            return None;
        }
        self.known.push(Known {
            target,
            slot,
            link: link.0,
            topic: topic.map(Into::into),
            every: link.1.every,
            unit: read.unit,
            offset_k: read.offset_k,
            heard: 0,
            last: None,
        });
        self.index.insert(key, ix);
        Some(ix)
    }
}

impl Known {
    /// Whether a reading from this topic is this probe's. The first topic keeps it; another one takes over when only
    /// retained messages came from the first, or nothing for [`SUCCESSION_AFTER`].
    pub(super) fn takes(&mut self, topic: &str, retained: bool, now: Now, tie: (LinkIx, Unit, f64)) -> bool {
        if self.topic.as_deref() != Some(topic) {
            let quiet = self.last.is_none_or(|last| now.mono.since(last.mono) >= SUCCESSION_AFTER);
            let free = self.topic.is_none() || self.last.is_none() || (!retained && (self.heard == 0 || quiet));
            if !free {
                return false;
            }
            self.topic = Some(topic.into());
            (self.link, self.unit, self.offset_k) = tie;
        }
        self.heard += u64::from(!retained);
        self.last = Some(now);
        true
    }
}
