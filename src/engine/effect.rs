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
    /// One line for the log, without secrets.
    Log { warn: bool, text: String },
}
