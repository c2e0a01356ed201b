//! What may be wrong about one run, from its own numbers.
//!
//! A motion table in the wrong unit still gives numbers: metres read as millimetres make a child who never moves,
//! degrees read as radians one who never lies still. A table of another run looks sound by itself, but what it calls
//! movement does not show in the images: DVARS of the same frames is as high as ever. So runs that move much are asked
//! whether FD and DVARS rise together, by their rank correlation over frames (Spearman 1904, Am J Psychol 15:72; that
//! both rise with movement: Power et al. 2012, NeuroImage 59:2142).

use ndarray::{Array2, ArrayView1};

use crate::connectivity::connectivity;
use crate::digest;
use crate::record::ReportRow;
use crate::remark::{Noticed, Remark};
use crate::study::settings::{EnoughSettings, Measure, NoticeSettings};
use crate::tables::figures;

/// A run moves much if FD is above [`MUCH_MM`] in at least this share of its frames: with fewer, the ranks are mostly
/// those of frames without movement (own convention).
const MUCH_SHARE: f64 = 0.1;
/// Movement that DVARS cannot fail to show, mm (own convention).
const MUCH_MM: f64 = 0.5;
/// Frames from which a rank correlation says anything (own convention: its standard error is then 0.1).
const LEAST_FRAMES: usize = 100;

/// FD of a run in the form that censoring uses (mm), and its DVARS (percent), from the first frame that counts.
pub(super) struct Moved<'a> {
    pub fd_mm: ArrayView1<'a, f64>,
    pub dvars_percent: ArrayView1<'a, f64>,
}

/// What is noticed about a run: in its motion, its length and its parcels.
pub(super) fn of_run(
    row: &ReportRow,
    moved: &Moved<'_>,
    enough: &EnoughSettings,
    notice: &NoticeSettings,
) -> Vec<Remark> {
    let mut found = Vec::new();
    let mut note = |noticed: Noticed, text: String| found.push(Remark::about_data(text).noticing(noticed));
    let fd: Vec<f64> = moved.fd_mm.iter().copied().filter(|fd| fd.is_finite()).collect();
    let median_fd = digest::median(fd);
    if row.mean_fd_mm < notice.small_fd_mm {
        let mean = figures(row.mean_fd_mm, 5);
        note(
            Noticed::SmallMotion,
            format!(
                "mean FD is {mean} mm, less than {} mm, and nobody lies so still; are motion.translation_unit and \
                 motion.columns right?",
                notice.small_fd_mm
            ),
        );
    }
    if median_fd > notice.large_fd_mm {
        let median = figures(median_fd, 1);
        note(
            Noticed::LargeMotion,
            format!(
                "half of the frames have an FD above {median} mm, and no head moves so all the time (more than {} \
                 mm); are motion.rotation_unit, motion.translation_unit and motion.columns right?",
                notice.large_fd_mm
            ),
        );
    }
    if let Some((r, frames)) = fd_with_dvars(moved).filter(|(r, _)| *r < notice.least_fd_dvars_r) {
        note(
            Noticed::MotionUnlikeImage,
            format!(
                "the run moves much, but its images do not show it: the rank correlation of FD with DVARS over \
                 {frames} frames is {}, and at least {} is expected; is the motion table that of this image, and are \
                 its units right?",
                figures(r, 2),
                notice.least_fd_dvars_r
            ),
        );
    }
    if row.minutes * 60.0 < notice.short_run_s {
        let (length, least) = (figures(row.minutes * 60.0, 1), notice.short_run_s);
        note(Noticed::ShortRun, format!("the run lasts {length} s, less than {least} s; was it broken off?"));
    }
    for atlas in row.atlases.iter().filter(|atlas| atlas.parcels_used < atlas.parcels) {
        let (used, all, name) = (atlas.parcels_used, atlas.parcels, &atlas.name);
        if (used as f64) < enough.coverage * all as f64 {
            let asked = figures(100.0 * enough.coverage, 0);
            note(
                Noticed::FewParcels,
                format!(
                    "only {used} of {all} parcels of atlas {name} have enough coverage, and {asked} % are asked for; \
                     does the atlas lie where the brain is?"
                ),
            );
        } else {
            let without = all - used;
            note(Noticed::LowCoverage, format!("{without} of {all} parcels of atlas {name} have too little coverage"));
        }
    }
    found
}

/// Spearman's correlation of FD with DVARS over frames that have both, and how many; none for a run that does not move
/// much, or whose DVARS does not vary.
fn fd_with_dvars(moved: &Moved<'_>) -> Option<(f64, usize)> {
    let pairs = moved.fd_mm.iter().zip(moved.dvars_percent);
    let (fd, dvars): (Vec<f64>, Vec<f64>) = pairs.filter(|(fd, dvars)| fd.is_finite() && dvars.is_finite()).unzip();
    let much = fd.iter().filter(|fd| **fd > MUCH_MM).count();
    if fd.len() < LEAST_FRAMES || (much as f64) < MUCH_SHARE * fd.len() as f64 {
        return None;
    }
    let mut both = Array2::zeros((fd.len(), 2));
    both.column_mut(0).assign(&ArrayView1::from(&fd));
    both.column_mut(1).assign(&ArrayView1::from(&dvars));
    let r = connectivity(both.view(), Measure::Spearman).ok()?.matrix[[0, 1]];
    r.is_finite().then_some((r, fd.len()))
}

#[cfg(test)]
mod tests;
