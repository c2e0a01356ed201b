//! Standard errors by redrawing blocks: Künsch 1989, Annals of Statistics 17:1217.
//!
//! In a run of n kept frames, blocks of L consecutive kept frames are drawn with replacement from all n − L + 1 places until
//! n frames are there, the last block cut short. Runs are redrawn each for itself, so each keeps its share. A run of fewer
//! than two blocks is redrawn in blocks of half its frames: fewer places would hardly vary.

use ndarray::Array1;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

use super::choice::block_frames;
use super::{ReliabilityError, Rows, RunFrames, RunSeries, edges_of, frames_of, require_time};
use crate::group::permutation::below;
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
        let length = block_frames(block, run.tr).min(kept / 2).max(1);
        let mut drawn = Vec::with_capacity(kept);
        while drawn.len() < kept {
            let start = below(&mut rng, (kept - length + 1) as u64) as usize;
            drawn.extend(start..(start + length).min(start + kept - drawn.len()));
        }
        rows.push(drawn);
    }
    Ok(rows)
}

/// The standard error of each edge (of its Fisher z; of covariances as they are): the SD (n − 1) over `replicates`. An edge
/// that is not available in all of them has none: NaN.
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
