//! `--standard-errors`: how far each edge of each child would vary on another recording of as many frames.
//!
//! Moving blocks of 30 s are drawn with replacement within each run (Künsch 1989, Annals of Statistics 17:1217;
//! [`crate::group::reliability::standard_errors`]), each child with a seed of its own. One file an atlas and measure,
//! children × edges, float32, in the order of the stack; children in parallel, each by one thread.

use std::path::Path;

use rayon::prelude::*;
use serde_json::{Value, json};

use super::StackError;
use super::equal::{self, BLOCK};
use super::forms::{bytes, npy_header};
use super::found::{Child, Found};
use super::parcels::Atlas;
use super::runs::{self, Runs, Series};
use super::stream::BLOCK_BYTES;
use super::values::edge_count;
use super::whole::{Unfinished, Whole};
use crate::group::edges;
use crate::group::reliability::standard_errors;

/// Most children whose records are held at once (own choice).
const AT_ONCE: usize = 32;

/// How standard errors are worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StandardErrors {
    pub resamples: usize,
    pub seed: u64,
}

pub(super) fn write(
    results: &Path,
    folder: &Path,
    wanted: &StandardErrors,
    found: &Found,
    atlases: &[Atlas],
    files: &mut Vec<Whole>,
) -> Result<Value, StackError> {
    let edges: Vec<usize> = found
        .kinds
        .iter()
        .map(|kind| atlases.iter().find(|atlas| atlas.name == kind.atlas).map_or(0, |a| edge_count(a.stacked().len())))
        .collect();
    let names: Vec<String> =
        found.kinds.iter().map(|kind| format!("{}_standard_errors.npy", found.name(kind))).collect();
    let mut open = Vec::new();
    for (name, &edges) in names.iter().zip(&edges) {
        let mut file = Unfinished::create(&folder.join(name))?;
        file.append(&npy_header(&[found.children.len(), edges]))?;
        open.push(file);
    }
    let at_once = (BLOCK_BYTES / (4 * edges.iter().sum::<usize>()).max(1)).clamp(1, AT_ONCE);
    for children in found.children.chunks(at_once) {
        let rows: Vec<Result<Vec<Vec<f32>>, StackError>> =
            children.par_iter().map(|child| look(results, wanted, found, atlases, child)).collect();
        for row in rows {
            open.iter_mut().zip(row?).try_for_each(|(file, values)| file.append(&bytes(&values)))?;
        }
    }
    for file in open {
        files.push(file.finish()?);
    }
    let arrays: Vec<Value> = found
        .kinds
        .iter()
        .zip(names)
        .zip(&edges)
        .map(|((kind, file), edges)| {
            json!({ "atlas": kind.atlas, "measure": kind.measure, "file": file,
                "holds": "float32, children × edges", "shape": [found.children.len(), edges] })
        })
        .collect();
    Ok(json!({
        "of": "Fisher z of correlations, covariances as they are",
        "resamples": wanted.resamples,
        "seed": wanted.seed,
        "block_s": BLOCK.0,
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
            let errors = standard_errors(&series.runs(), BLOCK, wanted.resamples, seed, measure)
                .map_err(|source| StackError::Reliability { stem: child.stem.clone(), source })?;
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
