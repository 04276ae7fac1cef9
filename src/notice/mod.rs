//! Who is told when, and in which words.
//!
//! [`desk::Desk`] decides whom and when, [`words`] says it, and every mail is a [`NoticeRow`] before it is sent. What the
//! words need to know of the house at that moment the engine gives through [`scene::Eyes`].

mod again;
pub mod desk;
mod keepers;
mod letterbox;
pub mod local;
pub mod message_id;
mod rows;
pub mod scene;
pub mod settings;
mod thread;
mod waiting;
pub mod words;

#[cfg(test)]
mod tests;

use crate::finding::cause::{Cause, Urgency};
use crate::plot::drawing::Drawing;
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use serde::{Deserialize, Serialize, Serializer};

/// The stored twin of a mail: a row before it is an act.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoticeRow {
    /// Unique and stable: incident and sequence (`7Q.1`), or letter and date (`daily.2026-03-04`). The Message-ID derives from it.
    pub id: String,
    /// The id of the thread's first notice, for In-Reply-To and References.
    pub thread: Option<String>,
    /// The notice as `replay` prints it: one line of JSON by formats.md §3.
    pub json: String,
    pub urgency: Urgency,
    /// Whether it is a digest: dropped before alarms when the queue is full.
    pub digest: bool,
    /// (keeper id, mail address) of each recipient.
    pub to: Vec<(String, String)>,
    pub subject: String,
    /// `text/plain; format=flowed`.
    pub text: String,
    /// `text/html`; empty: none.
    pub html: String,
    /// A picture that the HTML part shows.
    pub picture: Option<Picture>,
}

/// A picture as it is stored: whatever sends it makes the same pixels of it each time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Picture {
    /// Content id, without brackets.
    pub cid: String,
    pub drawing: Drawing,
}

/// Why this mail is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    Raised,
    Worse,
    Repeated,
    HandedOn,
    Answered,
    Resumed,
    Ended,
    Digest,
    Drill,
}

/// Which digest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Letter {
    Daily,
    Weekly,
    /// What was more than `at_most` an hour.
    Gathered,
}

/// A finding that only a digest tells.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    pub cause: Cause,
    pub enclosures: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub place: Option<Place>,
}

fn rfc3339<S: Serializer>(wall: &Wall, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(&wall.rfc3339())
}

fn rfc3339_option<S: Serializer>(wall: &Option<Wall>, s: S) -> Result<S::Ok, S::Error> {
    match wall {
        Some(wall) => rfc3339(wall, s),
        None => s.serialize_none(),
    }
}

/// A notice as `replay` prints it. The order of the fields is the order in the line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Notice {
    #[serde(serialize_with = "rfc3339")]
    pub at: Wall,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub incident: Option<String>,
    pub event: Event,
    pub urgency: Urgency,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cause: Option<Cause>,
    /// `None`: a digest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub enclosures: Option<Vec<String>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<Place>,
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "rfc3339_option")]
    pub since: Option<Wall>,
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "rfc3339_option")]
    pub act_by: Option<Wall>,
    pub to: Vec<String>,
    pub subject: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub room: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub circuit: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub letter: Option<Letter>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub notes: Option<Vec<Note>>,
}

impl Notice {
    /// One line.
    pub fn json(&self) -> String {
        // Only text, lists and enums: nothing that JSON cannot say.
        serde_json::to_string(self).unwrap_or_default()
    }
}

/// Deadlines are told rounded down to 5 minutes.
pub fn round_down(act_by: Wall) -> Wall {
    const STEP: i64 = 5 * 60_000;
    Wall::from_ms(act_by.as_ms().div_euclid(STEP).saturating_mul(STEP))
}

/// A deadline that is over, or comes before anybody could act, is told as `ACT NOW`.
pub fn is_pressing(act_by: Wall, now: Wall) -> bool {
    round_down(act_by).since(now) < Span::min(5)
}
