//! The only state machine (IEC 62682): findings of one origin become one incident, from its first minute to its end.

use serde::{Deserialize, Serialize};

/// A row of engine state that must survive: a key that names it, and JSON. `None`: delete.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Row {
    /// `incident/7Q`, `shelf/a3`, `mark/…`, `desk`: the store keeps it without reading it.
    pub key: String,
    pub json: Option<String>,
}
