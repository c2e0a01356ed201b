//! `--standard-errors`: how far chance within the recording moves each edge of each child.
//!
//! Moving blocks are drawn with replacement within each run (Künsch 1989, Annals of Statistics 17:1217;
//! [`crate::group::reliability::standard_errors`]), each child with a seed of its own, and their spread is widened by
//! what few blocks and cleaning hide ([`crate::group::reliability::widening`]). That is the noise of so many frames of
//! this recording. It does not include another day or another state of the child. There is one file per atlas, measure
//! and format, children × edges, in the order of the stack. Children are worked on in parallel, each by one thread.

use rayon::prelude::*;
use serde_json::{Value, json};

use crate::group::edge_count;
use crate::group::edges;
use crate::group::reliability::{standard_errors, widening};
use crate::stack::arrays::array_file::ArrayFile;
use crate::stack::arrays::formats;
use crate::stack::arrays::plan::{ArrayPlan, Holds};
use crate::stack::arrays::whole::Whole;
use crate::stack::gather::block::{BLOCK_BYTES, Block};
use crate::stack::gather::children::{Child, GatheredChildren};
use crate::stack::gather::equal;
use crate::stack::gather::error::StackError;
use crate::stack::gather::folders::Folders;
use crate::stack::gather::parcels::StackedAtlas;
use crate::stack::gather::request::{Format, StandardErrors};
use crate::stack::gather::runs::{self, JoinedRuns, JoinedSeries};
use crate::stack::gather::step::Step;
use crate::stack::gather::work::Work;

/// Most children whose records are held at once (own choice).
const AT_ONCE: usize = 32;

pub(crate) fn write(
    work: &Work<'_>,
    wanted: &StandardErrors,
    formats: &[Format],
    files: &mut Vec<Whole>,
) -> Result<Value, StackError> {
    let Work { results, folder, found, atlases, tell, .. } = *work;
    let plans: Vec<ArrayPlan<'_>> = found
        .kinds
        .iter()
        .filter_map(|kind| {
            let atlas = atlases.iter().position(|atlas| atlas.name == kind.atlas)?;
            let parcels = atlases[atlas].stacked();
            let (name, edges, holds) = (found.name_as_measured(kind), edge_count(parcels.len()), Holds::StandardErrors);
            let (children, header) = (&found.children, &found.header);
            Some(ArrayPlan { name, kind, atlas, parcels, edges, children, header, fisher_z: false, holds })
        })
        .collect();
    let mut open: Vec<Vec<Box<dyn ArrayFile + '_>>> = Vec::new();
    for plan in &plans {
        let mut arrays_of = Vec::new();
        for &format in formats {
            formats::refuse(format, plan)?;
            arrays_of.extend(formats::open(format, folder, plan)?);
        }
        open.push(arrays_of);
    }
    let all_edges = plans.iter().map(|plan| plan.edges).sum::<usize>();
    let at_once = (BLOCK_BYTES / (4 * all_edges).max(1)).clamp(1, AT_ONCE);
    let mut first = 0;
    for children in found.children.chunks(at_once) {
        tell(&Step::children("standard errors", first, found.children.len()));
        let rows: Vec<Result<Vec<Vec<f32>>, StackError>> =
            children.par_iter().map(|child| look(results, wanted, found, atlases, child)).collect();
        let mut blocks: Vec<Block> = plans.iter().map(|_| Block::empty(first, children.len())).collect();
        for row in rows {
            blocks.iter_mut().zip(row?).for_each(|(block, values)| block.edges.extend(values));
        }
        for (arrays_of, block) in open.iter_mut().zip(&blocks) {
            arrays_of.iter_mut().try_for_each(|file| file.take(block))?;
        }
        first += children.len();
    }
    let mut arrays = Vec::new();
    for (arrays_of, plan) in open.into_iter().zip(&plans) {
        let about: Vec<Value> = arrays_of.iter().map(|file| file.description().json()).collect();
        for file in arrays_of {
            files.push(file.finish()?);
        }
        arrays.push(json!({ "atlas": plan.kind.atlas, "measure": plan.kind.measure.key(), "files": about }));
    }
    Ok(json!({
        "of": "Fisher z of correlations, covariances as they are, in percent^2",
        "tells": "how far chance within the recording moves an edge; it says nothing about another day",
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
    results: &Folders,
    wanted: &StandardErrors,
    found: &GatheredChildren,
    atlases: &[StackedAtlas],
    child: &Child,
) -> Result<Vec<Vec<f32>>, StackError> {
    let runs = JoinedRuns::read(results, child)?;
    let rows = equal::rows(found, child, &runs)?;
    let seed = runs::seed_of(wanted.seed, &child.own_stem);
    let mut out = Vec::with_capacity(found.kinds.len());
    for atlas in atlases {
        let series = runs.series(atlas, rows.as_deref())?;
        for kind in found.kinds.iter().filter(|kind| kind.atlas == atlas.name) {
            let measure = kind.measure;
            let at = |source| StackError::Reliability { stem: child.stem.clone(), source };
            let errors = standard_errors(&series.runs(), wanted.block, wanted.resamples, seed, measure).map_err(at)?;
            let errors = errors * widening(&series.frames(), wanted.block, &series.hidden).map_err(at)?;
            out.push(place(&series, atlas, errors.as_slice().unwrap_or_default()));
        }
    }
    Ok(out)
}

/// Puts the edges of the parcels that the child has at their places in the stack; NaN for parcels that it lacks.
fn place(series: &JoinedSeries, atlas: &StackedAtlas, values: &[f64]) -> Vec<f32> {
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
    use crate::stack::gather::parcels::Parcel;

    #[test]
    fn edges_come_to_their_places() {
        let parcel = Parcel { index: "1".into(), name: "a".into(), network: "n/a".into(), centroid_mm: [0.0; 3] };
        for lacking in 0..16_u32 {
            for dropped in 0..16_u32 {
                let flags = |bits: u32| (0..4).map(|k| bits >> k & 1 == 0).collect::<Vec<bool>>();
                let (used, stacked) = (flags(lacking), flags(dropped));
                let atlas = StackedAtlas {
                    name: "a".into(),
                    parcels: vec![parcel.clone(); 4],
                    used: stacked,
                    like: PathBuf::new(),
                };
                let series = JoinedSeries::of_parcels(used);
                let all: Vec<(usize, usize)> = edges(4).collect();
                let has = |p: usize| series.used[p];
                // The value of an edge encodes its parcels.
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
