//! Where the store is and how long it keeps what, as the configuration states it. Built by `config/`, obeyed here.

use crate::terms::time::Span;
use std::path::PathBuf;

#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub folder: PathBuf,
    /// Every reading.
    pub keep_readings: Span,
    /// Minimum, mean and maximum of 10 minutes.
    pub keep_summaries: Span,
}
