//! Choosing kept frames that last a given time.
//!
//! Runs are cut into units: the run itself, or blocks of a given number of kept frames. Units are taken in order or in
//! a drawn order, whole as long as they fit; the one that does not fit gives its first frames. So every child ends with
//! the same time to within a frame, and with one repetition time with the same number of frames.

use std::ops::Range;

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

use super::error::{ReliabilityError, require_time};
use super::runs::{Rows, RunFrames};
use crate::group::exchange::below;
use crate::units::Seconds;

/// Share of a frame that does not count: a repetition time may have been a 32-bit float, which has 0.8 s
/// only to 1.2e-8 s: 5 minutes of it are 374.999994 frames. Enough for 16,000 frames at half a last place each (6e-8).
const ROUNDING: f64 = 1e-3;

/// Which frames are taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WhichFrames {
    /// The first frames, run after run.
    Earliest,
    /// Whole blocks of `block` of kept frames in an order drawn by `seed` (ChaCha8, the same everywhere; give each
    /// child a seed of its own).
    Blocks { block: Seconds, seed: u64 },
}

/// Rows of one run that are taken together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Unit {
    pub run: usize,
    pub rows: Range<usize>,
}

/// Rows of each run, rising, that last `minutes` together; `None` when less is kept.
///
/// With one repetition time these are ⌊minutes · 60/TR⌋ frames, to a thousandth of a frame; with several, the total
/// falls short of `minutes` by less than the longest repetition time.
///
/// # Errors
/// A time that is not a number above 0.
pub fn choose(runs: &[RunFrames<'_>], minutes: f64, how: WhichFrames) -> Result<Option<Rows>, ReliabilityError> {
    require_time("the time to choose", Seconds(minutes * 60.0))?;
    for run in runs {
        require_time("a repetition time", run.tr)?;
    }
    let units = match how {
        WhichFrames::Earliest => (0..runs.len()).map(|run| Unit { run, rows: 0..runs[run].frames.len() }).collect(),
        WhichFrames::Blocks { block, seed } => {
            require_time("the length of a block", block)?;
            shuffled(blocks(runs, block), seed)
        }
    };
    let longest = runs.iter().map(|run| run.tr.0).fold(0.0, f64::max);
    let mut left = minutes * 60.0;
    let mut rows: Rows = vec![Vec::new(); runs.len()];
    for unit in units {
        let tr = runs[unit.run].tr.0;
        let fitting = (left / tr + ROUNDING) as usize;
        let taken = unit.rows.len().min(fitting);
        rows[unit.run].extend(unit.rows.start..unit.rows.start + taken);
        left -= taken as f64 * tr;
    }
    rows.iter_mut().for_each(|rows| rows.sort_unstable());
    Ok((left < longest * (1.0 - ROUNDING)).then_some(rows))
}

/// Kept frames that `block` holds, at least one.
pub(super) fn block_frames(block: Seconds, tr: Seconds) -> usize {
    ((block.0 / tr.0).round() as usize).max(1)
}

/// Each run's kept frames cut into blocks; the last of a run may be shorter.
pub(super) fn blocks(runs: &[RunFrames<'_>], block: Seconds) -> Vec<Unit> {
    let of_run = |(run, frames): (usize, &RunFrames<'_>)| {
        let kept = frames.frames.len();
        let length = block_frames(block, frames.tr);
        (0..kept).step_by(length).map(move |start| Unit { run, rows: start..(start + length).min(kept) })
    };
    runs.iter().enumerate().flat_map(of_run).collect()
}

/// Fisher & Yates's shuffle, as for permutations.
fn shuffled(mut units: Vec<Unit>, seed: u64) -> Vec<Unit> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    for i in (1..units.len()).rev() {
        units.swap(i, below(&mut rng, i as u64 + 1) as usize);
    }
    units
}
