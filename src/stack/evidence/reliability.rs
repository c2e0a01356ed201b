//! `--reliability`: how alike a child's halves are, and how many minutes give a matrix that agrees with the whole.
//!
//! `reliability.tsv` has the correlations of odd with even blocks and of the first with the second half, with
//! Spearman–Brown, `agreement.tsv` the curve of each child (of the earliest minutes; of blocks drawn where
//! `--equal-minutes` draws), `agreement_summary.tsv` its median and quartiles over the children (linear interpolation
//! between ordered values: type 7 of Hyndman & Fan 1996, The American Statistician 50:361). Formulas:
//! [`crate::group::reliability`]. The curve starts at 5 minutes, or at 1 where some child has less than 5. Children are
//! worked on in parallel, each by one thread.

use rayon::prelude::*;
use serde_json::{Value, json};

use crate::group::quantile;
use crate::group::reliability::{
    Agreement, FirstSecond, ReliabilityError, SplitHalf, WhichFrames, agreement_curve, first_against_second, split_half,
};
use crate::outputs::{number_cell, text_table};
use crate::stack::arrays::whole::{Unfinished, Whole};
use crate::stack::gather::children::{Child, GatheredChildren};
use crate::stack::gather::equal::{self, BLOCK};
use crate::stack::gather::error::StackError;
use crate::stack::gather::folders::Folders;
use crate::stack::gather::parcels::StackedAtlas;
use crate::stack::gather::runs::{JoinedRuns, ReportedRuns};
use crate::stack::gather::step::Step;
use crate::stack::gather::work::Work;

/// Children whose records are held at once (own choice).
const AT_ONCE: usize = 32;
/// Where the curve starts, minutes; and where it starts if a child has less (own convention).
const FROM: u32 = 5;
const FROM_IF_SHORT: u32 = 1;

/// Above this many degrees of freedom taken for each left the corrected reliability is off by more than 0.05 (measured:
/// docs/methods.md).
const MUCH_TAKEN: f64 = 2.0;

const HEADER: &str = "stem\tatlas\tmeasure\tr_half\treliability\tr_first_second\treliability_first_second\t\
                      reliability_corrected\tdof_taken_per_left\tminutes\tedges\n";

/// One child, atlas and measure.
struct ChildReliability {
    minutes: f64,
    /// Degrees of freedom that cleaning took, over those that it left: the largest of the runs.
    taken: f64,
    /// Odd against even blocks; none where there are too few frames to split.
    blocks: Option<SplitHalf>,
    /// The first against the second half; none where there are too few frames.
    first_second: Option<FirstSecond>,
    curve: Vec<Agreement>,
}

pub(crate) fn write(work: &Work<'_>, files: &mut Vec<Whole>) -> Result<Value, StackError> {
    let Work { results, folder, found, atlases, tell, .. } = *work;
    let from = if least_minutes(results, found)? < f64::from(FROM) { FROM_IF_SHORT } else { FROM };
    let mut halves = Unfinished::create(&folder.join("reliability.tsv"))?;
    let mut curves = Unfinished::create(&folder.join("agreement.tsv"))?;
    halves.append(HEADER.as_bytes())?;
    curves.append(b"stem\tatlas\tmeasure\tminutes_asked\tminutes\tr\n")?;
    // By kind, then by whole minutes.
    let mut points: Vec<Vec<Vec<f64>>> = vec![Vec::new(); found.kinds.len()];
    let (mut too_short, mut negative, mut uncorrected, mut much_taken) = (0, 0, 0, 0);
    for (at, children) in found.children.chunks(AT_ONCE).enumerate() {
        tell(&Step::children("reliability", at * AT_ONCE, found.children.len()));
        let told: Vec<Result<Vec<ChildReliability>, StackError>> =
            children.par_iter().map(|child| look(results, found, atlases, child, from)).collect();
        for (child, told) in children.iter().zip(told) {
            for (at, told) in told?.iter().enumerate() {
                let kind = &found.kinds[at];
                let start = format!("{}\t{}\t{}", child.stem, kind.atlas, kind.measure.key());
                let halves_of = told.first_second.map(|found| found.halves);
                let corrected = number_cell(told.first_second.map_or(f64::NAN, |found| found.corrected));
                let both = |h: Option<SplitHalf>| {
                    h.map_or([f64::NAN; 2], |h| [h.r, h.spearman_brown]).map(number_cell).join("\t")
                };
                let (of_blocks, of_halves) = (both(told.blocks), both(halves_of));
                let edges = told.blocks.or(halves_of).map_or(0, |h| h.edges);
                let [taken, minutes] = [told.taken, told.minutes].map(number_cell);
                let line = format!("{start}\t{of_blocks}\t{of_halves}\t{corrected}\t{taken}\t{minutes}\t{edges}\n");
                uncorrected += usize::from(!told.first_second.is_some_and(|found| found.corrected.is_finite()));
                much_taken += usize::from(told.taken > MUCH_TAKEN);
                halves.append(line.as_bytes())?;
                too_short += usize::from(told.blocks.is_none());
                negative += usize::from([told.blocks, halves_of].iter().flatten().any(|h| h.r < 0.0));
                let last = told.curve.len().saturating_sub(1);
                for (place, point) in told.curve.iter().enumerate() {
                    // A part is short of whole minutes by less than a frame.
                    let asked = point.minutes.round() as usize;
                    let word = if place == last { "all".to_owned() } else { asked.to_string() };
                    let [minutes, r] = [point.minutes, point.r].map(number_cell);
                    curves.append(format!("{start}\t{word}\t{minutes}\t{r}\n").as_bytes())?;
                    if place < last && point.r.is_finite() {
                        let minutes = &mut points[at];
                        minutes.resize(minutes.len().max(asked + 1), Vec::new());
                        minutes[asked].push(point.r);
                    }
                }
            }
        }
    }
    files.push(halves.finish()?);
    files.push(curves.finish()?);
    files.push(Whole::of(&folder.join("agreement_summary.tsv"), summary(found, &mut points).as_bytes())?);
    let mut notes = Vec::new();
    if much_taken > 0 {
        notes.push(format!(
            "cleaning took more than {MUCH_TAKEN} times as many degrees of freedom as it left in {much_taken} of the \
             rows of reliability.tsv: reliability_corrected is rough there (docs/methods.md)"
        ));
    }
    Ok(json!({
        "files": ["reliability.tsv", "agreement.tsv", "agreement_summary.tsv"],
        "block_s": BLOCK.0,
        "curve_from_minutes": from,
        "edges_compared_as": "Fisher z of correlations, covariances as they are",
        "curve_of": match found.equal.as_ref().and_then(|equal| equal.draw) {
            None => "the earliest minutes",
            Some(_) => "blocks drawn, as for the equal data",
        },
        "without_halves": too_short,
        "without_corrected": uncorrected,
        "dof_taken_per_left": "degrees of freedom that cleaning took, over those that it left; the largest of the \
                               child's runs",
        "notes": notes,
        "r_half": format!(
            "odd against even blocks of {} s of kept frames; too high: slow waves continue from one block into the \
             next, and regressors fitted once over the run give both sides the same error",
            BLOCK.0
        ),
        "r_first_second": "first against second half of the kept time, over all runs; too high where the halves share \
                           a run, as its regressors were fitted once",
        "reliability": "Spearman-Brown of r_half, and reliability_first_second of r_first_second: 2r/(1 + r), n/a \
                        where r < 0; too high for the same reasons",
        "reliability_corrected": "from r_first_second, less the error that cleaning gives both halves: the figure to \
                                  read; n/a where nothing is left. It is about one recording and says nothing about \
                                  another day",
        "with_negative_r": negative,
    }))
}

/// Minutes of the child with the least.
fn least_minutes(results: &Folders, found: &GatheredChildren) -> Result<f64, StackError> {
    let minutes: Vec<Result<f64, StackError>> = found
        .children
        .par_iter()
        .map(|child| {
            if let Some(used) = child.used {
                return Ok(used.minutes);
            }
            let kept = ReportedRuns::read(results, child)?.kept()?;
            Ok(kept.iter().map(|&(frames, tr)| frames as f64 * tr.minutes()).sum())
        })
        .collect();
    minutes.into_iter().try_fold(f64::INFINITY, |least, minutes| Ok(least.min(minutes?)))
}

/// One child, all kinds.
fn look(
    results: &Folders,
    found: &GatheredChildren,
    atlases: &[StackedAtlas],
    child: &Child,
    from: u32,
) -> Result<Vec<ChildReliability>, StackError> {
    let runs = JoinedRuns::read(results, child)?;
    let rows = equal::rows(found, child, &runs)?;
    let how = found.equal.as_ref().map_or(WhichFrames::Earliest, |equal| equal.how(&child.own_stem));
    let mut told = Vec::with_capacity(found.kinds.len());
    for atlas in atlases {
        let series = runs.series(atlas, rows.as_deref())?;
        for kind in found.kinds.iter().filter(|kind| kind.atlas == atlas.name) {
            let measure = kind.measure;
            let stem = &child.stem;
            let blocks = unless_short(split_half(&series.runs(), BLOCK, measure), stem)?;
            let first_second = unless_short(first_against_second(&series.runs(), &series.hidden, measure), stem)?;
            let curve = unless_short(agreement_curve(&series.runs(), from, how, measure), stem)?.unwrap_or_default();
            told.push(ChildReliability {
                minutes: series.minutes(),
                taken: runs.most_taken(),
                blocks,
                first_second,
                curve,
            });
        }
    }
    Ok(told)
}

/// None where frames are too few.
fn unless_short<T>(found: Result<T, ReliabilityError>, stem: &str) -> Result<Option<T>, StackError> {
    match found {
        Ok(found) => Ok(Some(found)),
        Err(ReliabilityError::TooShort { .. }) => Ok(None),
        Err(source) => Err(StackError::Reliability { stem: stem.to_owned(), source }),
    }
}

fn summary(found: &GatheredChildren, points: &mut [Vec<Vec<f64>>]) -> String {
    let mut rows = Vec::new();
    for (kind, minutes) in found.kinds.iter().zip(points) {
        for (minutes, r) in minutes.iter_mut().enumerate().filter(|(_, r)| !r.is_empty()) {
            r.sort_by(f64::total_cmp);
            let [low, median, high] = [0.25, 0.5, 0.75].map(|share| number_cell(quantile(r, share)));
            let children = r.len().to_string();
            rows.push(vec![
                kind.atlas.clone(),
                kind.measure.key().to_owned(),
                minutes.to_string(),
                children,
                low,
                median,
                high,
            ]);
        }
    }
    let header = ["atlas", "measure", "minutes", "children", "quartile_1", "median", "quartile_3"];
    text_table(&header.map(str::to_owned), &rows)
}
