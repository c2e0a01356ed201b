//! `--equal-minutes`: every child's matrix from the same number of kept frames.
//!
//! The spread of a correlation depends on how many frames it is from (Fisher 1915, Biometrika 10:507: the variance of z is
//! near 1/(n − 3)), so children who kept more frames have less noisy matrices. Here each matrix is worked out anew from
//! frames that last M minutes together: the earliest, or whole blocks of 30 s drawn by a seed ([`choose`]). The series are
//! those of the whole run, cleaned as they were: filter and regressors saw all frames. Runs are joined as in
//! `keepstill run`, each made mean 0 and SD 1 over the frames chosen. Children with less are left out.

use std::path::Path;

use rayon::prelude::*;

use super::StackError;
use super::found::{Child, Found, Kind};
use super::parcels::Atlas;
use super::runs::{self, Runs, Told};
use super::values;
use crate::group::reliability::{self, ReliabilityError, RunFrames, choose};
use crate::tables::figures;
use crate::units::Seconds;

/// Length of a block (methods.md, "Reliability").
pub(super) const BLOCK: Seconds = Seconds(30.0);

/// Why a child is left out.
pub(super) const REASON: &str = "less_than_equal_minutes";

/// How much of each child is used.
#[derive(Debug, Clone, PartialEq)]
pub struct Equal {
    /// Minutes of kept frames.
    pub minutes: f64,
    /// Seed of the blocks drawn; none: the earliest frames.
    pub draw: Option<u64>,
}

impl Equal {
    /// `_equal-5`, in names of files.
    pub(super) fn suffix(&self) -> String {
        format!("_equal-{}", self.minutes)
    }

    /// Rows of each run that are used; none where the child has less.
    fn rows(&self, frames: &[RunFrames<'_>], stem: &str) -> Result<Option<reliability::Rows>, ReliabilityError> {
        let how = match self.draw {
            None => reliability::Choice::Earliest,
            Some(seed) => reliability::Choice::Blocks { block: BLOCK, seed: runs::seed_of(seed, stem) },
        };
        choose(frames, self.minutes, how)
    }
}

/// What of a child is used.
#[derive(Debug, Clone, Copy)]
pub(super) struct Used {
    pub frames: usize,
    pub minutes: f64,
}

/// Leaves out the children with less, and notes what of the others is used.
pub(super) fn leave_out_short(results: &Path, equal: &Equal, found: &mut Found) -> Result<(), StackError> {
    let looked: Vec<Result<Result<Used, f64>, StackError>> =
        found.children.par_iter().map(|child| look(results, equal, child)).collect();
    let mut leaves = Vec::new();
    for (at, looked) in looked.into_iter().enumerate() {
        match looked? {
            Ok(used) => found.children[at].used = Some(used),
            Err(kept) => {
                leaves.push((at, format!("{} min kept, --equal-minutes {}", figures(kept, 2), equal.minutes)));
            }
        }
    }
    found.leave_out(&leaves, REASON);
    found.equal = Some(equal.clone());
    Ok(())
}

/// What is used of a child, or the minutes that it has where they are too few.
fn look(results: &Path, equal: &Equal, child: &Child) -> Result<Result<Used, f64>, StackError> {
    let kept = Told::read(results, child)?.kept()?;
    // The choice goes by how many frames are kept, not by which.
    let numbers: Vec<Vec<usize>> = kept.iter().map(|&(frames, _)| (0..frames).collect()).collect();
    let frames: Vec<RunFrames<'_>> =
        numbers.iter().zip(&kept).map(|(frames, &(_, tr))| RunFrames { frames, tr }).collect();
    let rows = equal.rows(&frames, &child.stem).map_err(|source| at(child, source))?;
    let minutes = |counts: &mut dyn Iterator<Item = usize>| -> f64 {
        counts.zip(&kept).map(|(n, &(_, tr))| Seconds(n as f64 * tr.0).minutes()).sum()
    };
    Ok(match rows {
        Some(rows) => {
            Ok(Used { frames: rows.iter().map(Vec::len).sum(), minutes: minutes(&mut rows.iter().map(Vec::len)) })
        }
        None => Err(minutes(&mut kept.iter().map(|&(frames, _)| frames))),
    })
}

fn at(child: &Child, source: ReliabilityError) -> StackError {
    StackError::Reliability { stem: child.stem.clone(), source }
}

/// The rows of a child's runs that are used; none where all frames are.
pub(super) fn rows(found: &Found, child: &Child, runs: &Runs) -> Result<Option<reliability::Rows>, StackError> {
    let Some(equal) = &found.equal else { return Ok(None) };
    let rows = equal.rows(&runs.frames(), &child.stem).map_err(|source| at(child, source))?;
    let too_few = || at(child, ReliabilityError::TooShort { found: 0 });
    rows.map(Some).ok_or_else(too_few)
}

/// One child's matrix anew: its upper triangle and diagonal, as [`values::read`] gives them of a file.
pub(super) fn read(
    results: &Path,
    found: &Found,
    child: &Child,
    kind: &Kind,
    atlas: &Atlas,
    edges: &mut [f32],
    diagonal: &mut [f32],
) -> Result<(), StackError> {
    let runs = Runs::read(results, child)?;
    let rows = rows(found, child, &runs)?;
    let series = runs.series(atlas, rows.as_deref())?;
    let matrix = series.matrix(runs::measure(&kind.measure, &child.stem)?).map_err(|e| runs.linalg(e))?;
    values::take(matrix.mapv(|v| v as f32).view(), atlas, edges, diagonal);
    Ok(())
}
