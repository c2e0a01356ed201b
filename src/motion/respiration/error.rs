//! Why breathing cannot be filtered out.

/// Why breathing cannot be filtered out of a trace. `by_age`: the rates are those of the child's age, not the study's.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RespirationError {
    #[error(
        "no breathing rate is known for an age of {age_months} months; correct the age, or give \
         motion.breaths_per_min = [low, high]"
    )]
    Age { age_months: f64 },
    #[error(
        "motion.breaths_per_min is [{low_per_min}, {high_per_min}], but it needs two rates above 0, the lower one \
        first, such as [20, 34]"
    )]
    Rates { low_per_min: f64, high_per_min: f64 },
    #[error(
        "motion.low_pass_hz is {cutoff_hz} Hz, but frames {tr_s} s apart need a cut-off above 0 and below \
         {nyquist_hz:.4} Hz; give such a cut-off, or set motion.respiration = \"leave\""
    )]
    CutoffOutside { cutoff_hz: f64, tr_s: f64, nyquist_hz: f64 },
    #[error(
        "{low_per_min} to {high_per_min} breaths a minute fold onto everything from 0 to {high_hz:.4} Hz in frames \
         {tr_s} s apart, and a notch there would remove the head's slow movements; set motion.respiration = \
         \"low-pass\" or \"leave\""
    )]
    ReachesZero { low_per_min: f64, high_per_min: f64, high_hz: f64, tr_s: f64, by_age: bool },
    #[error(
        "{low_per_min} to {high_per_min} breaths a minute fold onto everything from {low_hz:.4} Hz up in frames \
         {tr_s} s apart, and removing all of that (a low-pass below {lowest_hz} Hz) would leave hardly any motion to \
         censor by; give a narrower motion.breaths_per_min, or set motion.respiration = \"low-pass\" or \"leave\""
    )]
    ReachesFarDown { low_per_min: f64, high_per_min: f64, low_hz: f64, lowest_hz: f64, tr_s: f64, by_age: bool },
    #[error(
        "{low_per_min} to {high_per_min} breaths a minute fold onto all frequencies that frames {tr_s} s apart can \
         show (0 to {nyquist_hz:.4} Hz), so a notch would remove everything; give a narrower motion.breaths_per_min, \
         or set motion.respiration = \"low-pass\" or \"leave\""
    )]
    CoversEverything { low_per_min: f64, high_per_min: f64, nyquist_hz: f64, tr_s: f64, by_age: bool },
    #[error(
        "the motion trace has {frames} frames, but a breathing filter needs at least {needed}; set motion.respiration \
         = \"leave\" or leave the run out"
    )]
    TooFewFrames { frames: usize, needed: usize },
    #[error(
        "motion parameter {parameter} of frame {frame} (counted from 0) is not a number, but a filter needs a number \
         for every frame; correct the motion trace or set motion.respiration = \"leave\""
    )]
    NotFinite { frame: usize, parameter: usize },
}

impl RespirationError {
    /// Whether its words tell the child's age. There is no other arm, so that a new reason must be sorted too.
    #[must_use]
    pub fn tells_child(&self) -> bool {
        match *self {
            Self::Age { .. } => true,
            Self::ReachesZero { by_age, .. }
            | Self::ReachesFarDown { by_age, .. }
            | Self::CoversEverything { by_age, .. } => by_age,
            Self::Rates { .. } | Self::CutoffOutside { .. } | Self::TooFewFrames { .. } | Self::NotFinite { .. } => {
                false
            }
        }
    }
}
