//! `--standard-errors`: how far chance within the recording moves each edge of each child.
//!
//! Moving blocks are drawn with replacement within each run (Künsch 1989, Annals of Statistics 17:1217;
//! [`crate::group::reliability::standard_errors`]), each child with a seed of its own, and their spread is widened by what
//! few blocks and cleaning hide ([`crate::group::reliability::widening`]). That is the noise of so many frames of this
//! recording; another day, another state of the child are no part of it. One file an atlas, measure and format, children ×
//! edges, in the order of the stack; children in parallel, each by one thread.

use std::path::Path;

use rayon::prelude::*;
use serde_json::{Value, json};

use super::equal;
use super::forms::{self, Format, Holds, Plan, Sink};
use super::found::{Child, Found};
use super::parcels::Atlas;
use super::runs::{self, Runs, Series};
use super::step::Step;
use super::stream::{BLOCK_BYTES, Block};
use super::whole::Whole;
use super::{StackError, Work};
use crate::group::edge_count;
use crate::group::edges;
use crate::group::reliability::{standard_errors, widening};
use crate::units::Seconds;

/// Most children whose records are held at once (own choice).
const AT_ONCE: usize = 32;

/// How standard errors are worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandardErrors {
    pub resamples: usize,
    pub seed: u64,
    /// Length of a block of kept frames.
    pub block: Seconds,
}

pub(super) fn write(
    work: &Work<'_>,
    wanted: &StandardErrors,
    formats: &[Format],
    files: &mut Vec<Whole>,
) -> Result<Value, StackError> {
    let Work { results, folder, found, atlases, tell } = *work;
    let plans: Vec<Plan<'_>> = found
        .kinds
        .iter()
        .filter_map(|kind| {
            let atlas = atlases.iter().position(|atlas| atlas.name == kind.atlas)?;
            let parcels = atlases[atlas].stacked();
            let (name, edges, holds) = (found.name(kind), edge_count(parcels.len()), Holds::StandardErrors);
            Some(Plan { name, kind, atlas, parcels, edges, children: &found.children, fisher_z: false, holds })
        })
        .collect();
    let mut open: Vec<Vec<Box<dyn Sink + '_>>> = Vec::new();
    for plan in &plans {
        let mut sinks = Vec::new();
        for &format in formats {
            forms::refuse(format, plan)?;
            sinks.extend(forms::open(format, folder, plan)?);
        }
        open.push(sinks);
    }
    let all_edges = plans.iter().map(|plan| plan.edges).sum::<usize>();
    let at_once = (BLOCK_BYTES / (4 * all_edges).max(1)).clamp(1, AT_ONCE);
    let mut first = 0;
    for children in found.children.chunks(at_once) {
        tell(&Step::children("standard errors", first, found.children.len()));
        let rows: Vec<Result<Vec<Vec<f32>>, StackError>> =
            children.par_iter().map(|child| look(results, wanted, found, atlases, child)).collect();
        let mut blocks: Vec<Block> = plans
            .iter()
            .map(|_| Block { first, children: children.len(), edges: Vec::new(), diagonals: Vec::new() })
            .collect();
        for row in rows {
            blocks.iter_mut().zip(row?).for_each(|(block, values)| block.edges.extend(values));
        }
        for (sinks, block) in open.iter_mut().zip(&blocks) {
            sinks.iter_mut().try_for_each(|sink| sink.take(block))?;
        }
        first += children.len();
    }
    let mut arrays = Vec::new();
    for (sinks, plan) in open.into_iter().zip(&plans) {
        let about: Vec<Value> = sinks.iter().map(|sink| sink.about().json()).collect();
        for sink in sinks {
            files.push(sink.finish()?);
        }
        arrays.push(json!({ "atlas": plan.kind.atlas, "measure": plan.kind.measure, "files": about }));
    }
    Ok(json!({
        "of": "Fisher z of correlations, covariances as they are",
        "tells": "how far chance within the recording moves an edge; nothing of another day",
        "resamples": wanted.resamples,
        "seed": wanted.seed,
        "block_s": wanted.block.0,
        "short_runs": "a run of fewer than two blocks is drawn in halves",
        "widened_for": "the spread that few blocks and the degrees of freedom taken by cleaning hide (docs/methods.md)",
        "arrays": arrays,
    }))
}

/// One child, all kinds.
fn look(
    results: &Path,
    wanted: &StandardErrors,
    found: &Found,
    atlases: &[Atlas],
    child: &Child,
) -> Result<Vec<Vec<f32>>, StackError> {
    let runs = Runs::read(results, child)?;
    let rows = equal::rows(found, child, &runs)?;
    let seed = runs::seed_of(wanted.seed, &child.stem);
    let mut out = Vec::with_capacity(found.kinds.len());
    for atlas in atlases {
        let series = runs.series(atlas, rows.as_deref())?;
        for kind in found.kinds.iter().filter(|kind| kind.atlas == atlas.name) {
            let measure = runs::measure(&kind.measure, &child.stem)?;
            let at = |source| StackError::Reliability { stem: child.stem.clone(), source };
            let errors = standard_errors(&series.runs(), wanted.block, wanted.resamples, seed, measure).map_err(at)?;
            let errors = errors * widening(&series.frames(), wanted.block, &series.hidden).map_err(at)?;
            out.push(place(&series, atlas, errors.as_slice().unwrap_or_default()));
        }
    }
    Ok(out)
}

/// Edges of the parcels that the child has to those of the stack; NaN for parcels that the child lacks.
fn place(series: &Series, atlas: &Atlas, values: &[f64]) -> Vec<f32> {
    let parcels: Vec<usize> = (0..series.used.len()).filter(|&parcel| series.used[parcel]).collect();
    let mut at = vec![None; series.used.len()];
    let stacked = (0..atlas.used.len()).filter(|&parcel| atlas.used[parcel]);
    stacked.enumerate().for_each(|(place, parcel)| at[parcel] = Some(place));
    let count = atlas.stacked().len();
    let mut out = vec![f32::NAN; edge_count(count)];
    for ((i, j), &value) in edges(parcels.len()).zip(values) {
        if let (Some(a), Some(b)) = (at[parcels[i]], at[parcels[j]]) {
            // Edges before row a, and those of row a before b.
            out[a * count - a * (a + 1) / 2 + b - a - 1] = value as f32;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::stack::parcels::Parcel;

    #[test]
    fn edges_come_to_their_places() {
        let parcel = Parcel { index: "1".into(), name: "a".into(), network: "n/a".into(), centroid_mm: [0.0; 3] };
        for lacking in 0..16_u32 {
            for dropped in 0..16_u32 {
                let flags = |bits: u32| (0..4).map(|k| bits >> k & 1 == 0).collect::<Vec<bool>>();
                let (used, stacked) = (flags(lacking), flags(dropped));
                let atlas =
                    Atlas { name: "a".into(), parcels: vec![parcel.clone(); 4], used: stacked, like: PathBuf::new() };
                let series = Series::of_parcels(used);
                let all: Vec<(usize, usize)> = edges(4).collect();
                let has = |p: usize| series.used[p];
                // The value of an edge tells its parcels.
                let values: Vec<f64> =
                    all.iter().filter(|(i, j)| has(*i) && has(*j)).map(|(i, j)| (10 * i + j) as f64).collect();
                let expected: Vec<f32> = all
                    .iter()
                    .filter(|(i, j)| atlas.used[*i] && atlas.used[*j])
                    .map(|(i, j)| if has(*i) && has(*j) { (10 * i + j) as f32 } else { f32::NAN })
                    .collect();
                let found = place(&series, &atlas, &values);
                assert_eq!(format!("{found:?}"), format!("{expected:?}"));
            }
        }
    }
}
