//! Standard errors by redrawing blocks: Künsch 1989, Annals of Statistics 17:1217.
//!
//! In a run of n kept frames, blocks of L consecutive kept frames are drawn with replacement from all n − L + 1 places
//! until n frames are there, the last block cut short. Each run is redrawn by itself, so it keeps its share. A run of
//! fewer than two blocks is redrawn in blocks of half its frames: longer blocks would have too few places to vary.
//!
//! The SD over replicates is too small for two reasons that can be counted ([`widening`]; derived here).
//!
//! - *Few blocks.* Replicates spread about their own mean and not about the true value. With independent frames, the
//!   sum over a block of ℓ has the variance ℓ about the truth and ℓ − Σp² about the mean of all draws, where p is each
//!   frame's chance to be in the block (fewer places hold the first and last frames). Over the blocks of a replicate
//!   the share Σ(ℓ − Σp²)/n is seen: 0.77 with five blocks, a third with two.
//! - *What cleaning took.* Residuals of n frames are P·x, where P is a projection that took q degrees of freedom for
//!   each one that it left. The covariance of two frames' parts in a correlation is ∝ P_ij². Where the projection's
//!   directions are unlike single frames, this is the same for all i and j off the diagonal. It adds s·q to the
//!   variance, s the share of the run's kept frames that are used. It moves all blocks alike, so the replicates do not
//!   show it.
//!
//! So the variance is multiplied by Σn(1 + s·q) / ΣΣ(ℓ − Σp²), sums over runs and their blocks. One error remains:
//! correlations reach from one block into the next, and longer blocks lose less of them. docs/methods.md has the
//! measured ratio to the true SD.

use ndarray::Array1;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

use super::choice::block_frames;
use super::error::{ReliabilityError, require_time};
use super::runs::{Rows, RunFrames, RunSeries, edges_of, frames_of};
use crate::group::exchange::below;
use crate::study::settings::Measure;
use crate::units::Seconds;

/// The rows of each run that replicate `number` of `seed` draws (ChaCha8, stream `number`): as many as the run has.
///
/// # Errors
/// A length or repetition time that is not a number above 0.
pub fn bootstrap_rows(
    runs: &[RunFrames<'_>],
    block: Seconds,
    seed: u64,
    number: u64,
) -> Result<Rows, ReliabilityError> {
    require_time("the length of a block", block)?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    let mut rows = Rows::with_capacity(runs.len());
    for run in runs {
        require_time("a repetition time", run.tr)?;
        let kept = run.frames.len();
        let length = length(run, block);
        let mut drawn = Vec::with_capacity(kept);
        while drawn.len() < kept {
            let start = below(&mut rng, (kept - length + 1) as u64) as usize;
            drawn.extend(start..(start + length).min(start + kept - drawn.len()));
        }
        rows.push(drawn);
    }
    Ok(rows)
}

/// Frames of a block: as many as it lasts, at most half the run's.
fn length(run: &RunFrames<'_>, block: Seconds) -> usize {
    block_frames(block, run.tr).min(run.frames.len() / 2).max(1)
}

/// The variance of the sum over a replicate's blocks, of `frames` independent frames of variance 1, about the mean of
/// all draws.
fn seen(frames: usize, length: usize) -> f64 {
    let places = frames - length + 1;
    let of_block = |length: usize| {
        let reached = (places + length).saturating_sub(1);
        // The number of places whose block holds a frame: 1, 2, … up to all places or the block's length, and down
        // again.
        let holding = (0..reached).map(|t| (t + 1).min(reached - t).min(length).min(places) as f64 / places as f64);
        length as f64 - holding.map(|p| p * p).sum::<f64>()
    };
    // The last block is cut short.
    (frames / length) as f64 * of_block(length) + of_block(frames % length)
}

/// The factor by which standard errors of redrawn blocks are multiplied. `hidden` has s·q of each run: the degrees of
/// freedom that cleaning took ÷ those it left (`dof_taken_per_left` of the stack's reliability.tsv), times the share of
/// its kept frames that is used. With 0 it corrects for few blocks alone.
///
/// # Errors
/// A length or repetition time that is not a number above 0.
///
/// # Panics
/// When there is not one number per run.
pub fn widening(runs: &[RunFrames<'_>], block: Seconds, hidden: &[f64]) -> Result<f64, ReliabilityError> {
    assert_eq!(runs.len(), hidden.len(), "one number per run");
    require_time("the length of a block", block)?;
    let (mut whole, mut shown) = (0.0, 0.0);
    // Runs of one frame carry no information and are not joined.
    for (run, &hidden) in runs.iter().zip(hidden).filter(|(run, _)| run.frames.len() > 1) {
        require_time("a repetition time", run.tr)?;
        let frames = run.frames.len();
        whole += frames as f64 * (1.0 + hidden);
        shown += seen(frames, length(run, block));
    }
    Ok(if shown > 0.0 { (whole / shown).sqrt() } else { 1.0 })
}

/// The standard error of each edge (of its Fisher z; of covariances as they are): the SD (n − 1) over `replicates`. An
/// edge that is not available in all of them has no standard error: NaN. This is the bare spread of the replicates; see
/// [`widening`] for what it hides.
///
/// # Errors
/// Runs that do not fit together, fewer than two replicates, no run of two frames, or a value that is not finite.
pub fn standard_errors(
    runs: &[RunSeries<'_>],
    block: Seconds,
    replicates: usize,
    seed: u64,
    measure: Measure,
) -> Result<Array1<f64>, ReliabilityError> {
    let frames = frames_of(runs)?;
    if replicates < 2 {
        return Err(ReliabilityError::Replicates { found: replicates });
    }
    if frames.iter().all(|run| run.frames.len() < 2) {
        return Err(ReliabilityError::TooShort { found: frames.iter().map(|run| run.frames.len()).sum() });
    }
    let edges = crate::group::edge_count(runs[0].residuals.ncols());
    let (mut mean, mut squares) = (Array1::<f64>::zeros(edges), Array1::<f64>::zeros(edges));
    for number in 0..replicates {
        let rows = bootstrap_rows(&frames, block, seed, number as u64)?;
        let drawn = edges_of(runs, &rows, measure)?;
        let share = 1.0 / (number + 1) as f64;
        for ((mean, squares), z) in mean.iter_mut().zip(&mut squares).zip(&drawn) {
            let d = z - *mean;
            *mean += d * share;
            *squares += d * (z - *mean);
        }
    }
    Ok(squares.mapv_into(|s| (s / (replicates - 1) as f64).sqrt()))
}
