//! Why a frame is dropped: the reasons, their order and the words for them.

use serde::{Deserialize, Serialize};

/// Why a frame is dropped, in the order in which reasons are written and counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// Cut from the start, while the signal settles.
    Settling,
    /// No pose was found that aligns it with the reference frame.
    Unaligned,
    /// Framewise displacement above its limit.
    Moved,
    /// DVARS above its limit.
    SignalJump,
    /// Inside an interval of the watch log.
    Logged,
    /// Just before or after a moved or jumped frame, or one without a pose.
    BesideMotion,
    /// In a kept stretch that is too short.
    ShortStretch,
}

impl Reason {
    /// All reasons, in order.
    pub const ALL: [Self; 7] = [
        Self::Settling,
        Self::Unaligned,
        Self::Moved,
        Self::SignalJump,
        Self::Logged,
        Self::BesideMotion,
        Self::ShortStretch,
    ];

    /// The word used in tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Settling => "settling",
            Self::Unaligned => "unaligned",
            Self::Moved => "moved",
            Self::SignalJump => "signal_jump",
            Self::Logged => "logged",
            Self::BesideMotion => "beside_motion",
            Self::ShortStretch => "short_stretch",
        }
    }
}
