//! What is wrong now: the closed list of causes, and a finding with the numbers that show it.
//!
//! Judges (one file a family of causes) keep their own small state and report *edges* only: a [`Change`] when a finding
//! begins, is re-explained or gets worse, and when it is calm again. In the steady state they push nothing.

pub mod around;
pub mod bands;
pub mod cause;
pub mod comfort;
pub mod course;
pub mod explain;
pub mod fact;
pub mod feed;
pub mod follow;
pub mod gradient;
pub mod heat;
pub mod humidity;
pub mod light;
mod light_flicker;
pub mod light_seen;
pub mod night;
pub mod outside;
pub mod probe;
pub mod room;

use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Wall};
use cause::{Cause, Urgency};
use fact::Fact;
use serde::{Deserialize, Serialize};

/// Whom or what a finding is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Subject {
    Enclosure(EnclosureIx),
    Room(RoomIx),
    Circuit(CircuitIx),
    Site,
}

/// What makes two findings the same one: at most one stands for a key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Key {
    pub subject: Subject,
    pub cause: Cause,
    pub place: Option<Place>,
}

/// Something that is wrong, with the numbers behind it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    pub key: Key,
    pub urgency: Urgency,
    /// When the fault began, by the judge's best estimate.
    pub since: Now,
    /// When the `never` limit in force is expected to be crossed; `None` when unknown or not within 24 h. Not rounded.
    pub act_by: Option<Wall>,
    /// Numbers that a keeper can check, most telling first.
    pub facts: Vec<Fact>,
    /// A `never` high limit was crossed: the incident is latched and ends only with an answer.
    pub latched: bool,
    /// Others are about to say the same: its first telling waits for them.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub expects_company: bool,
}

impl Finding {
    pub fn new(subject: Subject, cause: Cause, place: Option<Place>, since: Now) -> Finding {
        let key = Key { subject, cause, place };
        let urgency = cause.usual_urgency();
        Finding { key, urgency, since, act_by: None, facts: Vec::new(), latched: false, expects_company: false }
    }
}

/// An edge that a judge reports.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Change {
    /// It begins, is re-explained, or its urgency, deadline or numbers changed so much that people should know.
    Stands(Finding),
    /// The finding of this key is calm.
    Calm(Key),
}

/// The earlier of two optional instants: how judges fold their next wake.
pub fn earlier(a: Option<Mono>, b: Option<Mono>) -> Option<Mono> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}
