//! Topics met so far: where each leads, so that a known one costs one look-up, and what became of its messages.

use super::links::Heard;
use super::refusal::Refusal;
use crate::terms::id::{LinkIx, ProbeIx};
use crate::terms::time::Wall;
use std::collections::HashMap; // tidy: fixed hasher, never iterated
use std::hash::{BuildHasherDefault, Hasher};

/// The most linked topics that are remembered; a publisher who invents more is still heard, only slower and unnamed.
pub const MOST_LINKED: usize = 16_384;
/// The most unlinked topics that are named.
pub const MOST_UNLINKED: usize = 1_024;
/// What is kept of a topic's last payload, bytes.
pub const MOST_PAYLOAD: usize = 200;

/// One link that wants a topic, and the probe of each of its reads (`None`: too many probes).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Route {
    pub link: LinkIx,
    pub probes: Vec<Option<ProbeIx>>,
}

/// A topic and what came of its messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    pub topic: Box<str>,
    pub linked: bool,
    /// The word of the topic that is none of the keeper's names: the reason why a fitting link does not take it.
    pub stranger: Option<String>,
    pub accepted: u64,
    pub refused: u64,
    pub unlinked: u64,
    /// The last refusal, of a message or of one number in it.
    pub last_refusal: Option<(Refusal, Wall)>,
    pub last: Option<Wall>,
    /// The last payload, cut; its room is used again for the next one.
    payload: Vec<u8>,
    routes: Vec<Route>,
}

impl Entry {
    /// The last payload as text; bytes that are no text as U+FFFD.
    pub fn payload(&self) -> String {
        String::from_utf8_lossy(&self.payload).into_owned()
    }
}

/// A hash of topics, eight bytes at a multiplication (the standard library's own was a fortieth of all that a reading costs). Fixed,
/// so that equal input gives equal work; what a hostile publisher can make of that, topics that all collide, is bounded by the two
/// limits.
#[derive(Default)]
struct TopicHash(u64);

impl TopicHash {
    /// 2⁶⁴ over the golden ratio, odd (Knuth, The Art of Computer Programming 3, 6.4; from memory).
    const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

    fn mix(&mut self, word: u64) {
        let product = (self.0 ^ word).wrapping_mul(TopicHash::GOLDEN);
        // The high bits are the good ones; the table looks at both ends.
        self.0 = product ^ (product >> 32);
    }
}

impl Hasher for TopicHash {
    fn write(&mut self, bytes: &[u8]) {
        let (words, _) = bytes.as_chunks::<8>();
        words.iter().for_each(|word| self.mix(u64::from_le_bytes(*word)));
        // What is left over together with what comes before it, or alone where there is no more.
        let last = bytes.last_chunk::<8>().copied().unwrap_or_else(|| {
            let mut last = [0; 8];
            last.iter_mut().zip(bytes).for_each(|(last, byte)| *last = *byte);
            last
        });
        self.mix(u64::from_le_bytes(last) ^ ((bytes.len() as u64) << 56));
    }
    /// What ends a text: its length is in it already.
    fn write_u8(&mut self, _: u8) {}
    fn finish(&self) -> u64 {
        self.0
    }
}

#[derive(Clone, Debug, Default)]
pub struct Topics {
    entries: Vec<Entry>,
    index: HashMap<Box<str>, usize, BuildHasherDefault<TopicHash>>, // tidy: fixed hasher, never iterated
    linked: usize,
    beyond: u64,
}

impl Topics {
    pub fn find(&self, topic: &str) -> Option<usize> {
        self.index.get(topic).copied()
    }

    /// `None`: there is no room for it.
    pub fn remember(&mut self, topic: &str, routes: Result<Vec<Route>, Option<String>>) -> Option<usize> {
        let linked = routes.is_ok();
        let room = if linked { self.linked < MOST_LINKED } else { self.entries.len() - self.linked < MOST_UNLINKED };
        if !room {
            return None;
        }
        let (routes, stranger) = match routes {
            Ok(routes) => (routes, None),
            Err(stranger) => (Vec::new(), stranger),
        };
        let ix = self.entries.len();
        self.linked += usize::from(linked);
        self.index.insert(topic.into(), ix);
        self.entries.push(Entry {
            topic: topic.into(),
            linked,
            stranger,
            accepted: 0,
            refused: 0,
            unlinked: 0,
            last_refusal: None,
            last: None,
            payload: Vec::new(),
            routes,
        });
        Some(ix)
    }

    /// The routes of a topic, lent out: to be brought back by [`Topics::put_routes`]. Empty for an unlinked topic.
    pub fn take_routes(&mut self, ix: usize) -> Option<Vec<Route>> {
        self.entries.get_mut(ix).map(|entry| std::mem::take(&mut entry.routes))
    }

    pub fn put_routes(&mut self, ix: usize, routes: Vec<Route>) {
        if let Some(entry) = self.entries.get_mut(ix) {
            entry.routes = routes;
        }
    }

    /// `blemish`: what was amiss with a message that was accepted all the same.
    pub fn count(&mut self, ix: Option<usize>, payload: &[u8], heard: Heard, blemish: Option<Refusal>, now: Wall) {
        let Some(entry) = ix.and_then(|ix| self.entries.get_mut(ix)) else {
            self.beyond += 1;
            return;
        };
        entry.last = Some(now);
        entry.payload.clear();
        entry.payload.extend_from_slice(payload.get(..MOST_PAYLOAD).unwrap_or(payload));
        match heard {
            Heard::Accepted => entry.accepted += 1,
            Heard::Refused(_) => entry.refused += 1,
            Heard::Unlinked => entry.unlinked += 1,
        }
        let refusal = if let Heard::Refused(refusal) = heard { Some(refusal) } else { blemish };
        if let Some(refusal) = refusal {
            entry.last_refusal = Some((refusal, now));
        }
    }

    pub fn all(&self) -> &[Entry] {
        &self.entries
    }

    pub fn by_name(&self) -> Vec<&Entry> {
        let mut entries: Vec<_> = self.entries.iter().collect();
        entries.sort_by(|a, b| a.topic.cmp(&b.topic));
        entries
    }

    pub fn beyond(&self) -> u64 {
        self.beyond
    }
}
