//! The unit of an image's fourth axis.

use std::fmt;

/// Unit of the fourth axis (`nifti1.h`, NIFTI_UNITS_*, bits 3 to 5 of `xyzt_units`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeUnit {
    Seconds,
    Milliseconds,
    Microseconds,
    /// Code 0: the header does not say.
    Unknown,
    /// Hertz (32), parts per million (40), radians a second (48), or a code that the standard lacks.
    Other(u8),
}

impl fmt::Display for TimeUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Seconds => f.write_str("seconds"),
            Self::Milliseconds => f.write_str("milliseconds"),
            Self::Microseconds => f.write_str("microseconds"),
            Self::Unknown => f.write_str("an unnamed unit"),
            Self::Other(32) => f.write_str("hertz"),
            Self::Other(40) => f.write_str("parts per million"),
            Self::Other(48) => f.write_str("radians a second"),
            Self::Other(code) => write!(f, "the unknown unit {code}"),
        }
    }
}
