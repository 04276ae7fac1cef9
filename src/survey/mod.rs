//! What topics seem to carry: hears them for a while, says what each number may be and why, and drafts links to review.
//!
//! It never guesses silently: a draft link is active only where the topic names the enclosure and the place, and name and
//! values agree on the quantity and its unit. Everything else is commented out with the reason.

pub mod draft;
pub mod field;
pub mod guess;
pub mod lines;
pub mod offer;
mod patterns;
pub mod payload;
pub mod rhythm;
pub mod thing;

use crate::terms::time::Wall;
use field::Field;
use payload::Seen;
use std::collections::BTreeMap;
use std::sync::Arc;
use thing::Described;

/// The most topics and numbers that are looked at; the rest is counted.
pub const MOST_TOPICS: usize = 2_000;
pub const MOST_FIELDS: usize = 10_000;

/// Everything heard on one topic.
#[derive(Clone, Debug, Default)]
pub struct Topic {
    pub messages: u64,
    pub retained: u64,
    pub first: Option<Wall>,
    pub last: Option<Wall>,
    /// By pointer; the empty pointer is the whole payload.
    pub fields: BTreeMap<String, Field>,
    /// How the payloads are written, where they are not bare numbers or JSON with plain numbers.
    pub shape: payload::Shape,
    pub unreadable: u64,
    /// By pointer: what a Thing Description says.
    pub described: BTreeMap<String, Described>,
}

impl Topic {
    /// Mean time between messages, s.
    pub fn every_s(&self) -> Option<f64> {
        let span = self.last?.since(self.first?).as_s();
        (self.messages > 1 && span > 0.0).then(|| span / (self.messages - 1) as f64)
    }

    /// Whether any of its numbers rose as far as a probe in a hand does.
    pub fn rose(&self) -> bool {
        self.fields.values().any(|field| field.rise() >= TOUCHED_K)
    }
}

/// Clones share what was heard until then, so that one is made in no time.
#[derive(Clone, Debug, Default)]
pub struct Survey {
    topics: BTreeMap<String, Arc<Topic>>,
    fields: usize,
    /// Messages on topics beyond [`MOST_TOPICS`].
    pub beyond: u64,
}

impl Survey {
    pub fn hear(&mut self, topic: &str, bytes: &[u8], retained: bool, at: Wall) {
        if !self.topics.contains_key(topic) && self.topics.len() >= MOST_TOPICS {
            self.beyond += 1;
            return;
        }
        let of = Arc::make_mut(self.topics.entry(topic.to_owned()).or_default());
        of.messages += 1;
        of.retained += u64::from(retained);
        of.first.get_or_insert(at);
        of.last = Some(at);
        match payload::take_apart(bytes) {
            None => of.unreadable += 1,
            Some((shape, seen)) => {
                of.shape = shape;
                for Seen { pointer, value } in seen {
                    if !of.fields.contains_key(&pointer) {
                        if self.fields >= MOST_FIELDS {
                            continue;
                        }
                        self.fields += 1;
                    }
                    of.fields.entry(pointer).or_default().hear(value, at);
                }
            }
        }
    }

    /// What a Thing Description says of one number, heard or not.
    pub fn describe(&mut self, described: Described) {
        if self.topics.contains_key(&described.topic) || self.topics.len() < MOST_TOPICS {
            let of = Arc::make_mut(self.topics.entry(described.topic.clone()).or_default());
            if of.messages == 0 && !described.pointer.is_empty() {
                of.shape = payload::Shape::Json;
            }
            of.fields.entry(described.pointer.clone()).or_default();
            of.described.insert(described.pointer.clone(), described);
        }
    }

    pub fn topics(&self) -> &BTreeMap<String, Arc<Topic>> {
        &self.topics
    }

    /// The number that rose most while everything was heard, and how far: for the touch test.
    pub fn warmed(&self) -> Option<Warmed<'_>> {
        let mut rises: Vec<_> = self
            .topics
            .iter()
            .flat_map(|(topic, of)| of.fields.iter().map(move |(pointer, field)| (topic, of, pointer, field)))
            .filter(|(topic, of, pointer, field)| {
                matches!(guess::guess(topic, pointer, field, of).seems, guess::Seems::Temperature(_))
            })
            .map(|(topic, _, pointer, field)| (topic.as_str(), pointer.as_str(), field.rise()))
            .collect();
        rises.sort_by(|a, b| b.2.total_cmp(&a.2));
        let (topic, pointer, rise) = *rises.first()?;
        Some(Warmed { topic, pointer, rise, next: rises.get(1).map_or(0.0, |r| r.2) })
    }
}

/// A touched probe must rise so far, K, and so many times as far as any other.
const TOUCHED_K: f64 = 1.5;
const TOUCHED_TIMES: f64 = 2.0;

/// The number that rose most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warmed<'s> {
    pub topic: &'s str,
    pub pointer: &'s str,
    /// In its own unit.
    pub rise: f64,
    /// Of the runner-up.
    pub next: f64,
}

impl Warmed<'_> {
    /// Whether it must be the probe that somebody holds.
    pub fn stands_out(&self) -> bool {
        self.rise >= TOUCHED_K && self.rise >= TOUCHED_TIMES * self.next
    }
}
