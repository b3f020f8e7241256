//! What was recorded, and its figures.

use crate::bench::recording::Recording;

/// A recording under its name.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordingResult {
    /// The file.
    pub name: String,
    /// The channel, where there are several.
    pub channel: Option<String>,
    /// Figures.
    pub figures: Recording,
}
