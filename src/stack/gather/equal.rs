//! `--equal-minutes`: every child's matrix from the same number of kept frames.
//!
//! The spread of a correlation depends on how many frames it is from (Fisher 1915, Biometrika 10:507: the variance of z
//! is near 1/(n − 3)), so children who kept more frames have less noisy matrices. Here each matrix is worked out anew
//! from frames that last M minutes together: the earliest, or whole blocks of 30 s drawn by a seed ([`choose`]). The
//! series are those of the whole run, cleaned as they were: filter and regressors saw all frames. Runs are joined as in
//! `keepstill run`, each made mean 0 and SD 1 over the frames chosen. Children with fewer minutes are left out.
//!
//! With fewer than four frames, no correlation has a spread (1/(n − 3) again: Fisher 1921, Metron 1:3), so that is
//! refused. Each run beyond the first costs one frame, since its own mean is taken away. The unit is minutes: with one
//! repetition time, all children have the same number of frames; where it differs between children, a note says so.

use std::path::Path;

use rayon::prelude::*;

use super::children::{Child, FramesUsed, GatheredChildren};
use super::error::StackError;
use super::left_out::LESS_THAN_EQUAL;
use super::parcels::StackedAtlas;
use super::request::Equal;
use super::runs::{self, JoinedRuns, ReportedRuns};
use super::values;
use crate::group::reliability::{self, ReliabilityError, RunFrames, choose};
use crate::study::settings::Measure;
use crate::tables::figures;
use crate::units::Seconds;

/// Length of a block (docs/methods.md, "Reliability").
pub(crate) const BLOCK: Seconds = Seconds(30.0);

impl Equal {
    /// How a child's frames are chosen.
    pub(crate) fn how(&self, stem: &str) -> reliability::WhichFrames {
        match self.draw {
            None => reliability::WhichFrames::Earliest,
            Some(seed) => reliability::WhichFrames::Blocks { block: BLOCK, seed: runs::seed_of(seed, stem) },
        }
    }

    /// Rows of each run that are used; none where the child has less.
    fn rows(&self, frames: &[RunFrames<'_>], stem: &str) -> Result<Option<reliability::Rows>, ReliabilityError> {
        choose(frames, self.minutes, self.how(stem))
    }
}

/// Frames that a correlation's spread needs.
const LEAST: usize = 4;

/// Frames that say something about a correlation: those of runs with two or more, less one for each run's own mean
/// beyond the first.
fn informative(rows: &[Vec<usize>]) -> usize {
    let joined = rows.iter().map(Vec::len).filter(|&frames| frames > 1);
    joined.fold((0, 0), |(sum, runs), frames| (sum + frames - usize::from(runs > 0), runs + 1)).0
}

/// The fewest minutes, by hundredths, that give this child's matrix enough frames; none where it does not have so many.
fn least_minutes(equal: &Equal, frames: &[RunFrames<'_>], stem: &str) -> Result<Option<f64>, ReliabilityError> {
    for hundredths in 1_u32.. {
        let minutes = f64::from(hundredths) / 100.0;
        match (Equal { minutes, ..equal.clone() }).rows(frames, stem)? {
            None => return Ok(None),
            Some(rows) if informative(&rows) >= LEAST => return Ok(Some(minutes)),
            Some(_) => {}
        }
    }
    Ok(None)
}

/// What to know of the minutes asked for.
pub(crate) fn notes(found: &GatheredChildren) -> Vec<String> {
    let Some(equal) = &found.equal else { return Vec::new() };
    let mut notes = Vec::new();
    let used: Vec<&FramesUsed> = found.children.iter().filter_map(|child| child.used.as_ref()).collect();
    let enough = used.iter().map(|used| used.enough_minutes).fold(f64::NEG_INFINITY, f64::max);
    if equal.minutes < enough {
        notes.push(format!(
            "--equal-minutes {} is less than the {} min that the study requires per child (enough.minutes): such \
             matrices are noisier than those that the study accepts",
            equal.minutes,
            figures(enough, 2)
        ));
    }
    let shortest = used.iter().map(|used| used.tr_s[0]).fold(f64::INFINITY, f64::min);
    let longest = used.iter().map(|used| used.tr_s[1]).fold(0.0, f64::max);
    // A difference as small as the rounding of a 32-bit float is not another repetition time.
    if longest > shortest * (1.0 + 1e-6) {
        let frames = || used.iter().map(|used| used.frames);
        notes.push(format!(
            "repetition times range from {shortest} to {longest} s, so the same minutes are {} to {} frames per child, \
             and a matrix of fewer frames may be noisier: see dof, or stack children of one repetition time with \
             --where",
            frames().min().unwrap_or(0),
            frames().max().unwrap_or(0)
        ));
    }
    notes
}

/// Leaves out the children with less, and notes what of the others is used.
pub(crate) fn leave_out_short(results: &Path, equal: &Equal, found: &mut GatheredChildren) -> Result<(), StackError> {
    let looked: Vec<Result<Result<FramesUsed, f64>, StackError>> =
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
    found.leave_out(&leaves, LESS_THAN_EQUAL);
    found.equal = Some(equal.clone());
    Ok(())
}

/// What is used of a child, or the minutes that it has where they are too few.
fn look(results: &Path, equal: &Equal, child: &Child) -> Result<Result<FramesUsed, f64>, StackError> {
    let reported = ReportedRuns::read(results, child)?;
    let kept = reported.kept()?;
    // The choice goes by how many frames are kept, not by which.
    let numbers: Vec<Vec<usize>> = kept.iter().map(|&(frames, _)| (0..frames).collect()).collect();
    let frames: Vec<RunFrames<'_>> =
        numbers.iter().zip(&kept).map(|(frames, &(_, tr))| RunFrames { frames, tr }).collect();
    let rows = equal.rows(&frames, &child.stem).map_err(|source| at(child, source))?;
    let minutes = |counts: &mut dyn Iterator<Item = usize>| -> f64 {
        counts.zip(&kept).map(|(n, &(_, tr))| Seconds(n as f64 * tr.0).minutes()).sum()
    };
    let Some(rows) = rows else {
        return Ok(Err(minutes(&mut kept.iter().map(|&(frames, _)| frames))));
    };
    if informative(&rows) < LEAST {
        let least = least_minutes(equal, &frames, &child.stem).map_err(|source| at(child, source))?;
        let (stem, asked) = (child.stem.clone(), equal.minutes);
        let frames = rows.iter().map(Vec::len).sum();
        return Err(StackError::FewFrames { stem, asked, frames, least: LEAST, minutes: least });
    }
    let tr = || kept.iter().map(|&(_, tr)| tr.0);
    Ok(Ok(FramesUsed {
        frames: rows.iter().map(Vec::len).sum(),
        minutes: minutes(&mut rows.iter().map(Vec::len)),
        tr_s: [tr().fold(f64::INFINITY, f64::min), tr().fold(0.0, f64::max)],
        enough_minutes: reported.enough_minutes,
    }))
}

fn at(child: &Child, source: ReliabilityError) -> StackError {
    StackError::Reliability { stem: child.stem.clone(), source }
}

/// The rows of a child's runs that are used; none where all frames are.
pub(crate) fn rows(
    found: &GatheredChildren,
    child: &Child,
    runs: &JoinedRuns,
) -> Result<Option<reliability::Rows>, StackError> {
    let Some(equal) = &found.equal else { return Ok(None) };
    let rows = equal.rows(&runs.frames(), &child.stem).map_err(|source| at(child, source))?;
    let too_few = || at(child, ReliabilityError::TooShort { found: 0 });
    rows.map(Some).ok_or_else(too_few)
}

/// One child's matrix anew: its upper triangle and diagonal, as [`values::read`] gives them of a file.
pub(crate) fn read(
    results: &Path,
    found: &GatheredChildren,
    child: &Child,
    measure: Measure,
    atlas: &StackedAtlas,
    edges: &mut [f32],
    diagonal: &mut [f32],
) -> Result<(), StackError> {
    let runs = JoinedRuns::read(results, child)?;
    let rows = rows(found, child, &runs)?;
    let series = runs.series(atlas, rows.as_deref())?;
    let matrix = series.matrix(measure).map_err(|e| runs.linalg(e))?;
    values::take(matrix.mapv(|v| v as f32).view(), atlas, edges, diagonal);
    Ok(())
}
