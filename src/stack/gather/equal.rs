//! `--equal-minutes` and `--equal-dof`: every child's matrix from as much data.
//!
//! The spread of a correlation depends on how many frames it is from (Fisher 1915, Biometrika 10:507: the variance of z
//! is near 1/(n − 3)), so children who kept more frames have less noisy matrices. Here each matrix is worked out anew
//! from frames that last M minutes together: the earliest, or whole blocks of 30 s drawn by a seed ([`choose`]). The
//! series are those of the whole run, cleaned as they were: filter and regressors saw all frames. Runs are joined as in
//! `keepstill run`, each made mean 0 over the frames chosen, and of SD 1 over them (correlations) or in percent of the
//! whole run's mean signal (covariances). Children with less are left out.
//!
//! **Minutes are not degrees of freedom.** Cleaning's cost was paid over the whole run, so each kept minute has the
//! same share of the run's degrees of freedom, dof/minutes kept, and that share is small in those who kept little. With
//! `--equal-dof D` each child's minutes are D/dof of what it kept, so that dof × frames used/frames kept is D in all,
//! to within a frame.
//!
//! With fewer than four frames, no correlation has a spread (1/(n − 3) again: Fisher 1921, Metron 1:3), so that is
//! refused; so are two degrees of freedom or fewer, for the same reason. Each run beyond the first costs one frame,
//! since its own mean is taken away. Minutes hold the same number of frames with one repetition time; where it differs
//! between children, a note says so.

use rayon::prelude::*;

use super::children::{Child, FramesUsed, GatheredChildren};
use super::error::StackError;
use super::folders::Folders;
use super::kind::Kind;
use super::left_out::{LESS_THAN_EQUAL_DOF, LESS_THAN_EQUAL_MINUTES};
use super::parcels::StackedAtlas;
use super::request::{Amount, Equal};
use super::runs::{self, JoinedRuns, ReportedRuns};
use super::values;
use crate::group::reliability::{self, ReliabilityError, RunFrames, choose};
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

    /// Minutes to use of a child that kept so many minutes with so many degrees of freedom; none where it has too few
    /// of the latter.
    fn minutes(&self, kept: f64, dof: f64) -> Option<f64> {
        match self.amount {
            Amount::Minutes(minutes) => Some(minutes),
            Amount::Dof(wanted) => (dof >= wanted).then(|| kept * wanted / dof),
        }
    }

    /// Rows of each run that are used; none where the child has less.
    fn rows(
        &self,
        frames: &[RunFrames<'_>],
        dof: f64,
        stem: &str,
    ) -> Result<Option<reliability::Rows>, ReliabilityError> {
        let counts = frames.iter().map(|run| (run.frames.len(), run.tr));
        match self.minutes(minutes_of(counts), dof) {
            Some(minutes) => choose(frames, minutes, self.how(stem)),
            None => Ok(None),
        }
    }

    /// As it is asked for on the command line.
    pub(crate) fn option(&self) -> String {
        match self.amount {
            Amount::Minutes(minutes) => format!("--equal-minutes {minutes}"),
            Amount::Dof(dof) => format!("--equal-dof {dof}"),
        }
    }
}

/// Minutes that so many frames of each run last.
fn minutes_of(runs: impl Iterator<Item = (usize, Seconds)>) -> f64 {
    runs.map(|(frames, tr)| Seconds(frames as f64 * tr.0).minutes()).sum()
}

/// Frames that a correlation's spread needs.
const LEAST: usize = 4;

/// A correlation's spread needs more degrees of freedom than these: its variance is 1/(dof − 2).
const LEAST_DOF: f64 = 2.0;

/// Degrees of freedom to ask for, by tenths, so that more than [`LEAST_DOF`] are left although frames are whole.
fn enough_dof(dof: f64, frames: usize) -> f64 {
    (10.0 * (LEAST_DOF + dof / frames.max(1) as f64)).floor() / 10.0 + 0.1
}

/// Frames that say something about a correlation: those of runs with two or more, less one for each run's own mean
/// beyond the first.
fn informative(rows: &[Vec<usize>]) -> usize {
    let joined = rows.iter().map(Vec::len).filter(|&frames| frames > 1);
    joined.fold((0, 0), |(sum, runs), frames| (sum + frames - usize::from(runs > 0), runs + 1)).0
}

/// What to ask for instead: the least, by hundredths of a minute, that gives this child's matrix enough frames; none
/// where it does not have so many.
fn least(equal: &Equal, frames: &[RunFrames<'_>], dof: f64, stem: &str) -> Result<Option<String>, ReliabilityError> {
    for hundredths in 1_u32.. {
        let minutes = f64::from(hundredths) / 100.0;
        match choose(frames, minutes, equal.how(stem))? {
            None => return Ok(None),
            Some(rows) if informative(&rows) >= LEAST => {
                let kept = minutes_of(frames.iter().map(|run| (run.frames.len(), run.tr)));
                return Ok(Some(match equal.amount {
                    Amount::Minutes(_) => format!("{minutes} minutes"),
                    Amount::Dof(_) => {
                        let all = frames.iter().map(|run| run.frames.len()).sum();
                        let enough = ((100.0 * dof * minutes / kept).ceil() / 100.0).max(enough_dof(dof, all));
                        format!("{} degrees of freedom", figures(enough, 2))
                    }
                }));
            }
            Some(_) => {}
        }
    }
    Ok(None)
}

/// Degrees of freedom of the same minutes that differ by more than this factor get a note (own convention).
const MUCH_MORE: f64 = 1.25;

/// What to know of what was asked for.
pub(crate) fn notes(found: &GatheredChildren) -> Vec<String> {
    let Some(equal) = &found.equal else { return Vec::new() };
    let used: Vec<&FramesUsed> = found.children.iter().filter_map(|child| child.used.as_ref()).collect();
    let most = |of: fn(&FramesUsed) -> f64| used.iter().map(|used| of(used)).fold(f64::NEG_INFINITY, f64::max);
    let (wanted, enough, what) = match equal.amount {
        Amount::Minutes(minutes) => (minutes, most(|used| used.enough_minutes), ("min", "enough.minutes")),
        Amount::Dof(dof) => (dof, most(|used| used.enough_dof), ("degrees of freedom", "enough.dof")),
    };
    let mut notes = Vec::new();
    if wanted < enough {
        notes.push(format!(
            "{} is less than the {} {} that the study requires per child ({}): such matrices are noisier than those \
             that the study accepts",
            equal.option(),
            figures(enough, 2),
            what.0,
            what.1
        ));
    }
    if let Amount::Dof(_) = equal.amount {
        notes.extend(few_minutes(&used, equal));
    }
    if let Amount::Minutes(minutes) = equal.amount {
        notes.extend(unlike_minutes(&used, minutes));
    }
    notes
}

/// Notes where degrees of freedom that are enough are of fewer minutes than the study requires.
fn few_minutes(used: &[&FramesUsed], equal: &Equal) -> Option<String> {
    let minutes = || used.iter().map(|used| used.minutes);
    let enough = used.iter().map(|used| used.enough_minutes).fold(f64::NEG_INFINITY, f64::max);
    let short = used.iter().filter(|used| used.minutes < used.enough_minutes).count();
    (short > 0).then(|| {
        format!(
            "{} uses {} to {} min of each child, in {short} of {} less than the {} min that the study requires per \
             child (enough.minutes): such matrices may be noisier than those that the study accepts",
            equal.option(),
            figures(minutes().fold(f64::INFINITY, f64::min), 2),
            figures(minutes().fold(0.0, f64::max), 2),
            used.len(),
            figures(enough, 2)
        )
    })
}

/// Notes where the same minutes are not the same amount of data.
fn unlike_minutes(used: &[&FramesUsed], minutes: f64) -> Vec<String> {
    let mut notes = Vec::new();
    let range = |of: fn(&FramesUsed) -> f64| {
        let values = || used.iter().map(|used| of(used));
        [values().fold(f64::INFINITY, f64::min), values().fold(0.0, f64::max)]
    };
    let [shortest, longest] = [range(|used| used.tr_s[0])[0], range(|used| used.tr_s[1])[1]];
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
    let [fewest, most] = range(|used| used.dof);
    if most > MUCH_MORE * fewest {
        notes.push(format!(
            "the same {minutes} minutes leave {} to {} degrees of freedom per child, since cleaning's cost was paid \
             over the whole run; --equal-dof makes these equal",
            figures(fewest, 1),
            figures(most, 1)
        ));
    }
    notes
}

/// Leaves out the children with less, and notes what of the others is used.
pub(crate) fn leave_out_short(
    results: &Folders,
    equal: &Equal,
    found: &mut GatheredChildren,
) -> Result<(), StackError> {
    let looked: Vec<Result<Result<FramesUsed, String>, StackError>> =
        found.children.par_iter().map(|child| look(results, equal, child)).collect();
    let mut leaves = Vec::new();
    for (at, looked) in looked.into_iter().enumerate() {
        match looked? {
            Ok(used) => found.children[at].used = Some(used),
            Err(kept) => leaves.push((at, format!("{kept}, {}", equal.option()))),
        }
    }
    let reason = match equal.amount {
        Amount::Minutes(_) => LESS_THAN_EQUAL_MINUTES,
        Amount::Dof(_) => LESS_THAN_EQUAL_DOF,
    };
    found.leave_out(&leaves, reason);
    found.equal = Some(equal.clone());
    Ok(())
}

/// What is used of a child, or what it has, in words, where that is too little.
fn look(results: &Folders, equal: &Equal, child: &Child) -> Result<Result<FramesUsed, String>, StackError> {
    let reported = ReportedRuns::read(results, child)?;
    let (kept, dof) = (reported.kept()?, reported.dof());
    // The choice goes by how many frames are kept, not by which.
    let numbers: Vec<Vec<usize>> = kept.iter().map(|&(frames, _)| (0..frames).collect()).collect();
    let frames: Vec<RunFrames<'_>> =
        numbers.iter().zip(&kept).map(|(frames, &(_, tr))| RunFrames { frames, tr }).collect();
    let rows = equal.rows(&frames, dof, &child.own_stem).map_err(|source| at(child, source))?;
    let all = minutes_of(kept.iter().copied());
    let Some(rows) = rows else {
        return Ok(Err(match equal.amount {
            Amount::Minutes(_) => format!("{} min kept", figures(all, 2)),
            Amount::Dof(_) => format!("{} degrees of freedom", figures(dof, 1)),
        }));
    };
    if informative(&rows) < LEAST {
        let enough = least(equal, &frames, dof, &child.own_stem).map_err(|source| at(child, source))?;
        let (stem, asked) = (child.stem.clone(), equal.option());
        let frames = rows.iter().map(Vec::len).sum();
        return Err(StackError::FewFrames { stem, asked, frames, least: LEAST, enough });
    }
    let tr = || kept.iter().map(|&(_, tr)| tr.0);
    let minutes = minutes_of(rows.iter().map(Vec::len).zip(kept.iter().map(|&(_, tr)| tr)));
    let dof_used = dof * minutes / all;
    if matches!(equal.amount, Amount::Dof(_)) && dof_used <= LEAST_DOF {
        let (stem, asked) = (child.stem.clone(), equal.option());
        let enough = enough_dof(dof, kept.iter().map(|(frames, _)| frames).sum());
        return Err(StackError::FewDof { stem, asked, found: dof_used, least: LEAST_DOF, enough });
    }
    Ok(Ok(FramesUsed {
        frames: rows.iter().map(Vec::len).sum(),
        minutes,
        dof: dof_used,
        tr_s: [tr().fold(f64::INFINITY, f64::min), tr().fold(0.0, f64::max)],
        enough_minutes: reported.enough.minutes,
        enough_dof: reported.enough.dof,
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
    let rows = equal.rows(&runs.frames(), runs.dof(), &child.own_stem).map_err(|source| at(child, source))?;
    let too_few = || at(child, ReliabilityError::TooShort { found: 0 });
    rows.map(Some).ok_or_else(too_few)
}

/// One child's matrix anew: its upper triangle and diagonal, as [`values::read`] gives them of a file.
pub(crate) fn read(
    results: &Folders,
    found: &GatheredChildren,
    child: &Child,
    kind: &Kind,
    atlas: &StackedAtlas,
    edges: &mut [f32],
    diagonal: &mut [f32],
) -> Result<(), StackError> {
    let runs = JoinedRuns::read(results, child)?;
    let rows = rows(found, child, &runs)?;
    let series = runs.series(atlas, rows.as_deref())?;
    let matrix = series.matrix(kind.measure, found.common_shrinkage(kind)).map_err(|e| runs.linalg(e))?;
    values::take(matrix.mapv(|v| v as f32).view(), atlas, edges, diagonal);
    Ok(())
}
