//! Suppression that always ends by itself: hands in an enclosure, or an alarm shelved by a keeper (IEC 62682).

use crate::finding::Finding;
use crate::terms::time::{Mono, Now};
use serde::{Deserialize, Serialize};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Suppressed by design: somebody works in the enclosure.
    HandsIn,
    Shelved,
}

/// One enclosure's shelf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shelf {
    pub kind: Kind,
    pub by: String,
    pub since: Now,
    pub until: Mono,
    /// What was found meanwhile and still stands.
    pub held: Vec<Finding>,
}
