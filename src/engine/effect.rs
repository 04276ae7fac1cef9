//! Everything that the engine can ask of the world.

use crate::reading::Reading;
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// An accepted reading, for the store's next batch (a second at the most).
    Keep(Reading),
    /// One transaction: changed incidents together with the mails that tell of them.
    Commit { rows: Vec<Row>, notices: Vec<NoticeRow> },
    /// To the broker, retained, best effort.
    Publish { topic: String, payload: String },
    /// One line for the log, without secrets.
    Log { warn: bool, text: String },
}

/// A row of engine state that must survive: a key that names it, and JSON. `None`: delete.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Row {
    /// `incident/7Q`, `shelf/a3`, `mark/…`, `desk`: the store keeps it without reading it.
    pub key: String,
    pub json: Option<String>,
}

/// The stored twin of a mail: a row before it is an act.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NoticeRow {
    /// Unique and stable: incident and sequence (`7Q.1`), or letter and date (`daily.2026-03-04`). The Message-ID derives from it.
    pub id: String,
    /// The id of the thread's first notice, for In-Reply-To and References.
    pub thread: Option<String>,
    /// The notice as `replay` prints it: one line of JSON by formats.md §3.
    pub json: String,
    pub urgency: crate::finding::cause::Urgency,
    /// Whether it is a digest: dropped before alarms when the queue is full.
    pub digest: bool,
    /// (keeper id, mail address) of each recipient.
    pub to: Vec<(String, String)>,
    pub subject: String,
    /// `text/plain; format=flowed`.
    pub text: String,
    /// `text/html`; empty: none.
    pub html: String,
    /// A picture for the HTML part: (content id, SVG). Left out when empty.
    pub picture: Option<(String, String)>,
}
