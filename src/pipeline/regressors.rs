//! The confounds that are removed from a run, side by side.

use ndarray::{Array1, Array2, Axis, s};

use super::error::ScanError;
use super::prepared::{Prepared, tissues_needed};
use super::run_motion::RunMotion;
use crate::clean::{components, confounds};
use crate::digest::Digest;
use crate::study::Study;

/// The confounds of a run, frames after settling × columns: motion, tissues, global signal, components, table.
pub(super) fn gather(
    study: &Study,
    motion: &RunMotion,
    prepared: &Prepared,
    digest: &Digest,
    kept_after: &[bool],
    settling: usize,
) -> Result<Array2<f64>, ScanError> {
    let clean = &study.clean;
    // As given, breathing left in (docs/methods.md, "Cleaning").
    let mut blocks: Vec<Array2<f64>> = vec![motion.trace.bridged().terms(clean.motion_terms)];
    let column = |v: &Array1<f64>| v.view().insert_axis(Axis(1)).to_owned();
    // In the digest's order, whatever the order in the study file.
    for signal in digest.tissues.iter().filter(|t| clean.tissue_means.contains(&t.tissue)) {
        blocks.push(column(&signal.mean));
    }
    if clean.global_signal {
        blocks.push(column(&digest.global_signal));
    }
    let needed = tissues_needed(study);
    let wanted = digest.tissues.iter().filter(|t| clean.tissue_components > 0 && needed.contains(&t.tissue));
    for series in wanted.filter_map(|t| t.series.as_ref()) {
        let after = series.slice(s![settling.., ..]);
        let found = components::tissue_components(after, kept_after, clean.detrend_degree, clean.tissue_components)?;
        let mut whole = Array2::zeros((digest.frames, found.ncols()));
        whole.slice_mut(s![settling.., ..]).assign(&found);
        blocks.push(whole);
    }
    blocks.push(prepared.confounds.clone());
    let views: Vec<_> = blocks.iter().map(|block| block.view()).collect();
    Ok(confounds::side_by_side(&views, digest.frames, settling))
}
