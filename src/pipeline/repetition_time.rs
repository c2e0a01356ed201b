//! A run's repetition time (TR): who says it, and who is believed.
//!
//! The order is: `tr_s` in the scan table, `tr_s` in `[scans]`, the JSON sidecar, the image's header. People who
//! write a number down mean it; converters fill headers in with whatever they have. The first that gives a time is
//! taken, and whoever says otherwise is told ([`Noticed::TrSources`]). A header alone may be wrong in ways that only
//! a person can see, such as the time of one excitation, so a very short one asks to be confirmed
//! ([`Noticed::TrShort`]).

use crate::discover::Scan;
use crate::nifti::{Header, NiftiError};
use crate::remark::{Noticed, Remark};
use crate::units::Seconds;

/// The largest share by which two sources may differ before it is told. A header's 2.01 for 2 is 0.005: by frame 200
/// such times are a whole frame apart (own convention).
const TR_TOLERANCE: f64 = 0.001;
/// A TR below this, s, asks to be confirmed: no usual sequence takes a whole head so fast (own convention).
const SHORT_TR_S: f64 = 0.2;

/// The time that is taken, and what should be said about it.
///
/// # Errors
/// When nothing but the header could tell, and it does not.
pub fn repetition_time(scan: &Scan, header: &Header) -> Result<(Seconds, Vec<Remark>), NiftiError> {
    let given = [
        (scan.tr.table_s, "the scan table"),
        (scan.tr.study_s, "scans.tr_s in the study file"),
        (scan.tr.sidecar_s, "the JSON sidecar"),
    ];
    let source = |tr_s: f64, name: &str| (tr_s, format!("{tr_s} s by {name}"));
    let mut sources: Vec<(f64, String)> =
        given.into_iter().filter_map(|(tr_s, name)| Some(source(tr_s?, name))).collect();
    // Without another source, what the header cannot tell is an error.
    match header.tr_s() {
        Ok(tr_s) => sources.push(source(tr_s, "the image header")),
        Err(error) if sources.is_empty() => return Err(error),
        Err(NiftiError::TimeStepLong { found, unit, .. }) => {
            sources.push((found, format!("{found} in {unit} by the image header (divide milliseconds by 1000)")));
        }
        Err(NiftiError::NotTime { unit, .. }) => {
            let found = header.frame_step;
            sources.push((f64::NAN, format!("{found} in {unit} by the image header")));
        }
        Err(_) => sources.push(source(header.frame_step, "the image header")),
    }
    let Some(((tr_s, by), others)) = sources.split_first() else {
        return Err(NiftiError::TimeStepMissing { path: scan.bold.clone(), found: header.frame_step });
    };
    let bold = scan.bold.display();
    let mut remarks: Vec<Remark> =
        scan.tr.sidecar_faults.iter().map(|fault| fault.clone().noticing(Noticed::TrSources)).collect();
    let agrees = |other_s: f64| (tr_s - other_s).abs() <= TR_TOLERANCE * tr_s.max(other_s);
    let unlike: Vec<&str> = others.iter().filter(|(other_s, _)| !agrees(*other_s)).map(|(_, by)| by.as_str()).collect();
    if !unlike.is_empty() {
        let text = format!(
            "{bold}: the repetition time is {by}, but {}; {tr_s} s is taken, so correct the one that is wrong",
            unlike.join(" and ")
        );
        remarks.push(Remark::about_data(text).noticing(Noticed::TrSources));
    }
    let confirmed = scan.tr.table_s.or(scan.tr.study_s).is_some();
    if *tr_s < SHORT_TR_S && !confirmed {
        let text = format!(
            "{bold}: the repetition time is {by}, which is too short for a whole head in most sequences; confirm it: \
            give the true one as tr_s in the scan table or in [scans]"
        );
        remarks.push(Remark::about_data(text).noticing(Noticed::TrShort));
    }
    Ok((Seconds(*tr_s), remarks))
}

/// Repetition times further apart than this share of the shorter are unlike (own convention).
const UNLIKE_TR: f64 = 0.1;

/// Whether two repetition times are unlike.
#[must_use]
pub fn differ(a_s: f64, b_s: f64) -> bool {
    a_s.max(b_s) > (1.0 + UNLIKE_TR) * a_s.min(b_s)
}

/// What is said of runs whose repetition times, s, are unlike while displacement is measured from frame to frame.
#[must_use]
pub fn unlike(trs_s: impl IntoIterator<Item = f64>, fd_span_s: f64) -> Option<String> {
    let start = (f64::INFINITY, f64::NEG_INFINITY);
    let finite = trs_s.into_iter().filter(|tr_s| tr_s.is_finite());
    let (least, most) = finite.fold(start, |(least, most), tr_s| (least.min(tr_s), most.max(tr_s)));
    (fd_span_s == 0.0 && least <= most && differ(least, most)).then(|| {
        format!(
            "repetition times go from {least} to {most} s while displacement is measured from frame to frame, so that \
            the same movement costs more time at a longer one; set motion.fd_span_s, and give the lengths of [censor] \
            in seconds (docs/unlike-tr.md)"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unlike_times_are_told_only_without_a_span() {
        assert_eq!(unlike([2.0, 2.19, f64::NAN], 0.0), None);
        assert_eq!(unlike([], 0.0), None);
        assert_eq!(unlike([2.0, 0.8, 2.0], 2.4), None);
        let told = unlike([2.0, 0.8, 2.0], 0.0).unwrap();
        assert!(told.starts_with("repetition times go from 0.8 to 2 s while displacement"), "{told}");
    }
}
