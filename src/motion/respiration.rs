//! Breathing in the motion trace.
//!
//! Breathing moves the scanner's field, and so the estimated head position, without the head moving. Children breathe
//! fast, and what is faster than 1/(2·TR) shows at a lower frequency ([`band`]). Two filters ([`design`]) take it out
//! of the six parameters before these are differenced. Each runs forward and backward, so that no frame's motion is
//! charged to another frame:
//!
//! - *notch*: over the folded band of the child's rates. Fair et al. 2020, NeuroImage 208:116400.
//! - *low-pass*: Butterworth of order 2. Gratton et al. 2020, NeuroImage 217:116866.
//!
//! A band that reaches a folding point does not have the two edges that a notch needs. If it reaches the Nyquist
//! frequency, everything from its lower folded edge upward is breathing. A low-pass at that edge takes it out, and the
//! report says so, unless the edge is so low that hardly any motion would be left to censor by. If the band reaches 0,
//! breathing lies among the slow movements that are to be found. In these last two cases a notch is refused.
//! [`spectrum`] shows what was there and what is left.

pub mod band;
pub mod design;
mod error;
pub mod spectrum;
#[cfg(test)]
mod tests;

pub use error::RespirationError;
use ndarray::Array2;

use super::MotionTrace;
use crate::sections::{Section, forward_backward};
use crate::units::Seconds;

pub use band::{BreathingBand, FoldedBand};

/// Values by which each end is extended, by odd reflection: three times the number of coefficients (common practice).
const EXTENSION: usize = 9;

/// No low-pass below this frequency, in Hz, replaces a notch. It is that of the published low-pass (Gratton et al.
/// 2020); a lower one takes out the head's own movements, so that no frame would seem to have moved (own convention).
const LOWEST_STAND_IN_HZ: f64 = 0.1;
/// 18 breaths a minute at TR 2.5 s fold onto 0.1 Hz but for rounding.
const ROUNDING: f64 = 1e-9;

/// What a filter does to a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Design {
    /// A notch between the two folded edges.
    Notch { centre_hz: f64, bandwidth_hz: f64 },
    /// A low-pass that replaces a notch, since the folded band reaches up to the Nyquist frequency.
    LowPassForNotch { cutoff_hz: f64 },
    /// The low-pass that was asked for.
    LowPass { cutoff_hz: f64 },
}

/// A filter, planned for one repetition time.
#[derive(Debug, Clone, PartialEq)]
pub struct RespirationFilter {
    design: Design,
    section: Section,
    band: Option<BreathingBand>,
    tr: Seconds,
}

impl RespirationFilter {
    /// The notch over a band of rates, or the low-pass that stands in for it where the band folds onto the Nyquist
    /// frequency. The notch's centre is halfway between the folded edges, its bandwidth the distance between them.
    ///
    /// # Errors
    /// [`RespirationError::ReachesZero`], [`RespirationError::ReachesFarDown`], [`RespirationError::CoversEverything`].
    pub fn notch(band: BreathingBand, tr: Seconds) -> Result<Self, RespirationError> {
        let [low_per_min, high_per_min] = band.per_min();
        let (tr_s, by_age) = (tr.0, band.age_months().is_some());
        let (design, section) = match band.folded(tr) {
            FoldedBand::Whole { low_hz, high_hz } => {
                let (centre_hz, bandwidth_hz) = ((low_hz + high_hz) / 2.0, high_hz - low_hz);
                (Design::Notch { centre_hz, bandwidth_hz }, design::notch(centre_hz, bandwidth_hz, tr))
            }
            FoldedBand::AtNyquist { low_hz } if low_hz < LOWEST_STAND_IN_HZ * (1.0 - ROUNDING) => {
                let lowest_hz = LOWEST_STAND_IN_HZ;
                return Err(RespirationError::ReachesFarDown {
                    low_per_min,
                    high_per_min,
                    low_hz,
                    lowest_hz,
                    tr_s,
                    by_age,
                });
            }
            FoldedBand::AtNyquist { low_hz } => {
                (Design::LowPassForNotch { cutoff_hz: low_hz }, design::low_pass(low_hz, tr))
            }
            FoldedBand::AtZero { high_hz } => {
                return Err(RespirationError::ReachesZero { low_per_min, high_per_min, high_hz, tr_s, by_age });
            }
            FoldedBand::Everything => {
                let nyquist_hz = band::nyquist_hz(tr);
                return Err(RespirationError::CoversEverything { low_per_min, high_per_min, nyquist_hz, tr_s, by_age });
            }
        };
        Ok(Self { design, section, band: Some(band), tr })
    }

    /// The low-pass. The band of rates, if known, does not change it; it only lets [`Self::sentences`] say what the
    /// filter leaves.
    ///
    /// # Errors
    /// [`RespirationError::CutoffOutside`].
    pub fn low_pass(cutoff_hz: f64, band: Option<BreathingBand>, tr: Seconds) -> Result<Self, RespirationError> {
        let nyquist_hz = band::nyquist_hz(tr);
        if !(cutoff_hz > 0.0 && cutoff_hz < nyquist_hz) {
            return Err(RespirationError::CutoffOutside { cutoff_hz, tr_s: tr.0, nyquist_hz });
        }
        Ok(Self { design: Design::LowPass { cutoff_hz }, section: design::low_pass(cutoff_hz, tr), band, tr })
    }

    /// What it does.
    #[must_use]
    pub fn design(&self) -> Design {
        self.design
    }

    /// The rates it is meant for.
    #[must_use]
    pub fn band(&self) -> Option<BreathingBand> {
        self.band
    }

    /// Where those rates show.
    #[must_use]
    pub fn folded(&self) -> Option<FoldedBand> {
        self.band.map(|band| band.folded(self.tr))
    }

    /// For the report: which rates, where they show, what the filter does about it.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut said: Vec<String> = self.band.iter().flat_map(|band| where_it_shows(band, self.tr)).collect();
        said.push(match self.design {
            Design::Notch { centre_hz, bandwidth_hz } => {
                let [from, to] = design::half_power_hz(centre_hz, bandwidth_hz, self.tr);
                format!(
                    "A notch filter centred on {centre_hz:.3} Hz and {bandwidth_hz:.3} Hz wide (one pass halves the \
                     power at {from:.3} and {to:.3} Hz) was run forward and backward over the six motion parameters \
                     before displacement was computed (Fair et al. 2020). It covers {:.0} % of the frequencies that \
                     these frames can show, and it removes the head's own movements there together with the breathing.",
                    100.0 * bandwidth_hz / band::nyquist_hz(self.tr)
                )
            }
            Design::LowPassForNotch { cutoff_hz } => format!(
                "A notch would have no upper edge, so a low-pass at the lower folded edge, {cutoff_hz:.3} Hz, was run \
                 forward and backward over the six motion parameters before displacement was computed. It removes the \
                 head's own movements above that edge together with the breathing."
            ),
            Design::LowPass { cutoff_hz } => format!(
                "A low-pass at {cutoff_hz:.3} Hz was run forward and backward over the six motion parameters before \
                 displacement was computed (Gratton et al. 2020)."
            ),
        });
        if let (Design::LowPass { cutoff_hz }, Some(folded)) = (self.design, self.folded()) {
            let [low_hz, high_hz] = folded.edges_hz(self.tr);
            if high_hz <= cutoff_hz {
                said.push(format!(
                    "Breathing shows below {cutoff_hz:.3} Hz in these frames, so the low-pass leaves it in the motion \
                     trace."
                ));
            } else if low_hz < cutoff_hz {
                said.push(format!(
                    "Part of the breathing shows below {cutoff_hz:.3} Hz in these frames, and the low-pass leaves \
                     that part in the \
                     motion trace."
                ));
            }
        }
        said
    }

    /// The trace without breathing; the given trace stays as it is.
    ///
    /// # Errors
    /// [`RespirationError::TooFewFrames`] (fewer than 10) and [`RespirationError::NotFinite`].
    pub fn apply(&self, trace: &MotionTrace) -> Result<MotionTrace, RespirationError> {
        let frames = trace.frames();
        if frames <= EXTENSION {
            return Err(RespirationError::TooFewFrames { frames, needed: EXTENSION + 1 });
        }
        let filtered = |values: &Array2<f64>, first: usize| {
            if let Some(((frame, column), _)) = values.indexed_iter().find(|(_, v)| !v.is_finite()) {
                return Err(RespirationError::NotFinite { frame, parameter: first + column });
            }
            let mut values = values.clone();
            forward_backward(&[self.section], EXTENSION, values.view_mut());
            Ok(values)
        };
        Ok(MotionTrace {
            translations_mm: filtered(&trace.translations_mm, 1)?,
            rotations_rad: filtered(&trace.rotations_rad, 4)?,
        })
    }
}

/// In words: the rates and where they show in frames `tr` apart. A report whose trace is not filtered says this too.
#[must_use]
pub fn where_it_shows(band: &BreathingBand, tr: Seconds) -> Vec<String> {
    let [low, high] = band.per_min();
    let [low_hz, high_hz] = band.hz();
    let nyquist_hz = band::nyquist_hz(tr);
    let source = match band.age_months() {
        Some(age) => format!("10th to 90th centile at {age:.1} months, Fleming et al. 2011, from memory"),
        None => "given in the study file".to_owned(),
    };
    let rates =
        format!("Breathing: {low:.0} to {high:.0} breaths a minute ({source}), {low_hz:.3} to {high_hz:.3} Hz.");
    let folded = band.folded(tr);
    let [from, to] = folded.edges_hz(tr);
    let shown = match folded {
        FoldedBand::Whole { .. } if band.is_below_nyquist(tr) => {
            format!("Frames {} s apart show up to {nyquist_hz:.3} Hz, so breathing appears at its own frequency.", tr.0)
        }
        FoldedBand::Whole { .. } => format!(
            "Frames {} s apart show up to {nyquist_hz:.3} Hz only, so breathing is folded to {from:.3} to {to:.3} Hz.",
            tr.0
        ),
        FoldedBand::AtNyquist { .. } => format!(
            "Frames {} s apart show up to {nyquist_hz:.3} Hz, and the breathing band reaches that folding point: it \
             covers everything \
             from {from:.3} Hz up.",
            tr.0
        ),
        FoldedBand::AtZero { .. } => format!(
            "Frames {} s apart fold {:.3} Hz onto 0, and the breathing band reaches that point: it covers everything \
             from 0 to {to:.3} Hz.",
            tr.0,
            ((low_hz + high_hz) / 2.0 * tr.0).round() / tr.0
        ),
        FoldedBand::Everything => format!(
            "Frames {} s apart show up to {nyquist_hz:.3} Hz only, and the breathing band is folded onto all of it, \
             from 0 up.",
            tr.0
        ),
    };
    vec![rates, shown]
}
