//! Everything that the engine can ask of the world.

use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::reading::Reading;

#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// An accepted reading, for the store's next batch (a second at the most).
    Keep(Reading),
    /// One transaction: changed incidents together with the mails that tell of them.
    Commit { rows: Vec<Row>, notices: Vec<NoticeRow> },
    /// To the broker, retained, best effort.
    Publish { topic: String, payload: String },
    /// What became of the `Event::Command` that was just handed over: exactly one for each, in words for whoever asked.
    Answer { done: bool, words: String },
    /// One line for the log, without secrets.
    Log { warn: bool, text: String },
}
