//! Units where values cross modules. Inside loops the suffix of a name (`fd_mm`, `tr_s`) says the unit.

use serde::Serialize;

/// Repetition time: seconds from the start of one frame to the start of the next.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Seconds(pub f64);

/// A length in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Millimetres(pub f64);

impl Seconds {
    /// The same span in minutes.
    #[must_use]
    pub fn minutes(self) -> f64 {
        self.0 / 60.0
    }
}
