//! How far a child's matrix can be trusted, from its own cleaned frames.
//!
//! - **Split-half**: a run's kept frames in order are cut into blocks of 30 s (as many frames as fit into 30 s). The
//!   odd and the even blocks, counted on over runs, give two matrices, and the correlation r of their upper triangles
//!   says how alike they are. Spearman–Brown, 2r/(1 + r), estimates what r would be with parts twice as long if their
//!   errors were independent (Spearman 1910, Br J Psychol 3:271; Brown 1910, Br J Psychol 3:296). They are not
//!   independent: a slow wave runs from one block into the next, so r is too high. The **first and the second half** of
//!   the kept time meet at one place only. They still share what the regressors took, because these were fitted once
//!   over both; that can be counted and corrected ([`first_against_second`], column `reliability_corrected`).
//!   docs/methods.md has figures.
//! - **Curve**: the correlation of the matrix from the first m minutes with the matrix from all of them, m = 5, 6, …:
//!   where the curve flattens, more minutes add little. Part and whole share frames, so the curve ends at 1 by
//!   construction and says nothing about another day.
//! - **Standard errors** of each edge: moving blocks are drawn with replacement, so that neighbouring frames, which are
//!   not independent, stay together (Künsch 1989, Annals of Statistics 17:1217). The standard error is the SD over
//!   replicates, made larger for what few blocks and cleaning hide ([`widening`]). It says how far chance within the
//!   recording moves an edge, not how far another day would.
//! - **Equal data** ([`choose`]): the spread of r depends on how much was kept, so groups are compared with the same
//!   number of minutes for each child: the earliest ones, or blocks drawn by seed.
//!
//! Minutes count kept frames only: "5 minutes" are kept frames that lasted 5 minutes together. Edges are compared as
//! Fisher's z (covariances as they are); edges that either side lacks do not count.

mod bootstrap;
mod choice;
mod error;
mod runs;
#[cfg(test)]
mod tests;

use self::error::require_time;
use self::runs::frames_of;
pub use error::ReliabilityError;
use ndarray::Array1;
pub use runs::{Rows, RunFrames, RunSeries, edges_of};

pub use bootstrap::{bootstrap_rows, standard_errors, widening};
pub use choice::{WhichFrames, choose};

use crate::study::settings::Measure;
use crate::units::Seconds;

/// How alike the two halves of a child's frames are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SplitHalf {
    /// Minutes in the half of the first block, or the first half, and in the other.
    pub minutes: [f64; 2],
    /// Edges that both halves have.
    pub edges: usize,
    /// Correlation of the halves' edges.
    pub r: f64,
    /// 2r/(1 + r); NaN where r < 0: if parts disagree, no length makes a reliable whole, and the formula leaves −1 … 1.
    pub spearman_brown: f64,
}

/// How alike the first and the second half of a child's frames are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstSecond {
    pub halves: SplitHalf,
    /// The reliability of all frames without what cleaning makes both halves share; NaN where nothing is left.
    pub corrected: f64,
}

/// A point of the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Minutes that the part holds.
    pub minutes: f64,
    /// Correlation with the matrix of all minutes.
    pub r: f64,
}

/// Compares odd with even blocks of length `block` (30 s by default: docs/methods.md, "Reliability").
///
/// # Errors
/// Runs that do not fit together, fewer than two frames in a half, or a value that is not finite.
pub fn split_half(runs: &[RunSeries<'_>], block: Seconds, measure: Measure) -> Result<SplitHalf, ReliabilityError> {
    let frames = frames_of(runs)?;
    require_time("the length of a block", block)?;
    let mut halves: [Rows; 2] = [vec![Vec::new(); runs.len()], vec![Vec::new(); runs.len()]];
    for (number, unit) in choice::blocks(&frames, block).into_iter().enumerate() {
        halves[number % 2][unit.run].extend(unit.rows);
    }
    compare(runs, &frames, &halves, measure)
}

/// Compares the first with the second half of the kept time, over all runs: with one repetition time the first ⌊n/2⌋ of
/// n kept frames with the others.
///
/// Least squares took its degrees of freedom once over the whole run, and the error that this hides (`hidden`, as
/// [`widening`] takes it) moves all frames of the run alike: in units of one frame's error, two frames of a run of n
/// share hidden/n. So halves of N_A and N_B frames, a and b of them in each run, have the errors V_A = (1 +
/// Σa²·hidden/n/N_A)/N_A and V_B likewise, V in the mean, and share C = Σab·hidden/n/(N_A·N_B); the whole of N frames
/// has W = (1 + Σn·hidden/N)/N. With S the variance of the true differences between edges, r = (S + C)/(S + V), and the
/// reliability of the whole is S/(S + W): `corrected`. With one run that is 1 − (1 + hidden)(1 − Spearman–Brown);
/// halves that are one run each share nothing. Derived here.
///
/// # Errors
/// Runs that do not fit together, fewer than two frames in a half, or a value that is not finite.
///
/// # Panics
/// When there is not one number of `hidden` per run.
pub fn first_against_second(
    runs: &[RunSeries<'_>],
    hidden: &[f64],
    measure: Measure,
) -> Result<FirstSecond, ReliabilityError> {
    assert_eq!(runs.len(), hidden.len(), "one number per run");
    let frames = frames_of(runs)?;
    let all: Rows = runs.iter().map(|run| (0..run.frames.len()).collect()).collect();
    let too_short = || ReliabilityError::TooShort { found: all.iter().map(Vec::len).sum() };
    let total = minutes(&frames, &all);
    if total <= 0.0 {
        return Err(too_short());
    }
    let first = choose(&frames, total / 2.0, WhichFrames::Earliest)?.ok_or_else(too_short)?;
    // The earliest frames of a run are its beginning.
    let second: Rows = all.iter().zip(&first).map(|(all, first)| all[first.len()..].to_vec()).collect();
    let counts: Vec<[f64; 2]> = first.iter().zip(&second).map(|(a, b)| [a.len() as f64, b.len() as f64]).collect();
    let halves = compare(runs, &frames, &[first, second], measure)?;
    Ok(FirstSecond { halves, corrected: without_shared(halves.r, &counts, hidden) })
}

/// The reliability of the whole from the r of its halves: [`first_against_second`]. NaN where that is below 0.
fn without_shared(r: f64, counts: &[[f64; 2]], hidden: &[f64]) -> f64 {
    let sums = [0, 1].map(|half| counts.iter().map(|run| run[half]).sum::<f64>());
    // Σ x·y·hidden/n over runs.
    let shared = |of: fn(&[f64; 2]) -> f64| -> f64 {
        let runs = counts.iter().zip(hidden).filter(|(run, _)| run[0] + run[1] > 0.0);
        runs.map(|(run, hidden)| of(run) * hidden / (run[0] + run[1])).sum()
    };
    let total = sums[0] + sums[1];
    let c = shared(|run| run[0] * run[1]) / (sums[0] * sums[1]);
    let own = [shared(|run| run[0] * run[0]), shared(|run| run[1] * run[1])];
    let v = own.iter().zip(sums).map(|(own, sum)| (1.0 + own / sum) / sum).sum::<f64>() / 2.0;
    let w = (1.0 + shared(|run| (run[0] + run[1]).powi(2)) / total) / total;
    // S/(S + W) with S = (rV − C)/(1 − r), without a division by 0 at r = 1.
    let s = r * v - c;
    let corrected = s / (s + w * (1.0 - r));
    if s < 0.0 { f64::NAN } else { corrected }
}

/// How alike the matrices of two choices of rows are.
fn compare(
    runs: &[RunSeries<'_>],
    frames: &[RunFrames<'_>],
    halves: &[Rows; 2],
    measure: Measure,
) -> Result<SplitHalf, ReliabilityError> {
    let minutes = [minutes(frames, &halves[0]), minutes(frames, &halves[1])];
    let few = |half: &Rows| half.iter().map(Vec::len).max().unwrap_or(0) < 2;
    if halves.iter().any(few) {
        return Err(ReliabilityError::TooShort { found: frames.iter().map(|run| run.frames.len()).sum() });
    }
    let (a, b) = (edges_of(runs, &halves[0], measure)?, edges_of(runs, &halves[1], measure)?);
    let (r, edges) = correlation(&a, &b);
    let spearman_brown = if r < 0.0 { f64::NAN } else { 2.0 * r / (1.0 + r) };
    Ok(SplitHalf { minutes, edges, r, spearman_brown })
}

/// The curve at `from` minutes, one more, … and all of them; `how` says which frames make a part (the earliest, or
/// drawn blocks).
///
/// # Errors
/// Runs that do not fit together, or a value that is not finite.
pub fn agreement_curve(
    runs: &[RunSeries<'_>],
    from: u32,
    how: WhichFrames,
    measure: Measure,
) -> Result<Vec<Agreement>, ReliabilityError> {
    let frames = frames_of(runs)?;
    let all: Rows = runs.iter().map(|run| (0..run.frames.len()).collect()).collect();
    if all.iter().all(|rows| rows.len() < 2) {
        return Err(ReliabilityError::TooShort { found: all.iter().map(Vec::len).sum() });
    }
    let whole = edges_of(runs, &all, measure)?;
    let total = minutes(&frames, &all);
    let mut curve = Vec::new();
    for wanted in (from..).map(f64::from).take_while(|&wanted| wanted < total - 1e-9) {
        let Some(rows) = choose(&frames, wanted, how)? else { break };
        if rows.iter().all(|rows| rows.len() < 2) {
            continue;
        }
        let part = edges_of(runs, &rows, measure)?;
        curve.push(Agreement { minutes: minutes(&frames, &rows), r: correlation(&part, &whole).0 });
    }
    curve.push(Agreement { minutes: total, r: correlation(&whole, &whole).0 });
    Ok(curve)
}

/// Minutes that some rows lasted.
fn minutes(frames: &[RunFrames<'_>], rows: &Rows) -> f64 {
    frames.iter().zip(rows).map(|(run, rows)| Seconds(run.tr.0 * rows.len() as f64).minutes()).sum()
}

/// Pearson's correlation over the places that both have, and their number; NaN where one side does not vary.
fn correlation(a: &Array1<f64>, b: &Array1<f64>) -> (f64, usize) {
    let both: Vec<(f64, f64)> =
        a.iter().copied().zip(b.iter().copied()).filter(|(a, b)| a.is_finite() && b.is_finite()).collect();
    let n = both.len() as f64;
    let (ma, mb) = (both.iter().map(|(a, _)| a).sum::<f64>() / n, both.iter().map(|(_, b)| b).sum::<f64>() / n);
    let sum = |f: fn(f64, f64) -> f64| both.iter().map(|(a, b)| f(a - ma, b - mb)).sum::<f64>();
    let r = sum(|a, b| a * b) / (sum(|a, _| a * a) * sum(|_, b| b * b)).sqrt();
    (r.clamp(-1.0, 1.0), both.len())
}
