//! `[censor]`, and lengths of time that a study gives in frames or in seconds.
//!
//! In a settings object and in a report each length has one of two keys: `before` for frames, `before_s` for seconds.

use serde::{Deserialize, Serialize};

use crate::units::Seconds;

/// `[censor]`: which frames are dropped.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(into = "Keys", try_from = "Keys")]
pub struct CensorSettings {
    /// Frames with a displacement strictly above this are dropped; 0 turns it off.
    pub fd_mm: f64,
    /// Frames with DVARS strictly above this are dropped; 0 turns it off.
    pub dvars_percent: f64,
    /// Dropped before each moved or jumped frame.
    pub before: Length,
    /// Dropped after each moved or jumped frame.
    pub after: Length,
    /// Shorter kept stretches are dropped too.
    pub shortest_stretch: Length,
    /// Frames cut from the start.
    pub settling: Settling,
    /// Whether logged intervals drop frames.
    pub watch_log: bool,
    /// Which `trial_type` values drop frames; empty: all.
    pub watch_log_types: Vec<String>,
}

/// How many frames are cut from the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Settling {
    /// Leading frames that stand out by their brightness.
    Auto,
    /// As many as given.
    #[serde(untagged)]
    Frames(usize),
}

/// A length of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Length {
    Frames(usize),
    Seconds(f64),
}

impl Length {
    /// The frames of a run with this repetition time; seconds give at least the time asked for
    /// ([`Seconds::frames_covering`]).
    #[must_use]
    pub fn frames(self, tr: Seconds) -> usize {
        match self {
            Self::Frames(frames) => frames,
            Self::Seconds(seconds) => Seconds(seconds).frames_covering(tr),
        }
    }

    /// Whether it is none.
    #[must_use]
    pub fn is_zero(self) -> bool {
        self == Self::Frames(0) || self == Self::Seconds(0.0)
    }

    /// What is dropped before and after a moved frame, in words that follow each other: `1 frame` and `2`, or `2.5 s`
    /// and `5 s`.
    #[must_use]
    pub fn around(before: Self, after: Self) -> (String, String) {
        match (before, after) {
            (Self::Frames(_), Self::Frames(frames)) => (before.to_string(), frames.to_string()),
            _ => (before.to_string(), after.to_string()),
        }
    }

    /// The value of its two keys.
    fn keys(self) -> (Option<usize>, Option<f64>) {
        match self {
            Self::Frames(frames) => (Some(frames), None),
            Self::Seconds(seconds) => (None, Some(seconds)),
        }
    }

    fn of_keys(key: &str, frames: Option<usize>, seconds: Option<f64>) -> Result<Self, String> {
        match (frames, seconds) {
            (Some(frames), None) => Ok(Self::Frames(frames)),
            (None, Some(seconds)) => Ok(Self::Seconds(seconds)),
            _ => Err(format!("expected either {key} or {key}_s")),
        }
    }
}

impl std::fmt::Display for Length {
    /// As in `1 frame`, `2 frames`, `2.5 s`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Frames(1) => f.write_str("1 frame"),
            Self::Frames(frames) => write!(f, "{frames} frames"),
            Self::Seconds(seconds) => write!(f, "{seconds} s"),
        }
    }
}

/// [`CensorSettings`] as an object with one key per length.
#[derive(Serialize, Deserialize)]
struct Keys {
    fd_mm: f64,
    dvars_percent: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    before: Option<usize>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    before_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    after: Option<usize>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    after_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    shortest_stretch: Option<usize>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    shortest_stretch_s: Option<f64>,
    settling: Settling,
    watch_log: bool,
    watch_log_types: Vec<String>,
}

impl From<CensorSettings> for Keys {
    fn from(settings: CensorSettings) -> Self {
        let CensorSettings {
            fd_mm,
            dvars_percent,
            before,
            after,
            shortest_stretch,
            settling,
            watch_log,
            watch_log_types,
        } = settings;
        let ((before, before_s), (after, after_s)) = (before.keys(), after.keys());
        let (shortest_stretch, shortest_stretch_s) = shortest_stretch.keys();
        Self {
            fd_mm,
            dvars_percent,
            before,
            before_s,
            after,
            after_s,
            shortest_stretch,
            shortest_stretch_s,
            settling,
            watch_log,
            watch_log_types,
        }
    }
}

impl TryFrom<Keys> for CensorSettings {
    type Error = String;

    fn try_from(keys: Keys) -> Result<Self, String> {
        Ok(Self {
            fd_mm: keys.fd_mm,
            dvars_percent: keys.dvars_percent,
            before: Length::of_keys("before", keys.before, keys.before_s)?,
            after: Length::of_keys("after", keys.after, keys.after_s)?,
            shortest_stretch: Length::of_keys("shortest_stretch", keys.shortest_stretch, keys.shortest_stretch_s)?,
            settling: keys.settling,
            watch_log: keys.watch_log,
            watch_log_types: keys.watch_log_types,
        })
    }
}
