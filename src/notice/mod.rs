//! Who is told when, and in which words.

pub mod settings;

use crate::finding::cause::Urgency;
use serde::{Deserialize, Serialize};

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
    /// A picture for the HTML part: (content id, SVG). Left out when empty.
    pub picture: Option<(String, String)>,
}
