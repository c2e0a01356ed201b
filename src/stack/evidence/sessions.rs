//! `--reliability` where children have several sessions: how alike these are.
//!
//! Intraclass correlations ([`crate::group::icc`]) over the children who have every session of the stack, of each edge
//! and of the mean of each pair of networks over its edges. Correlations are taken as Fisher's z. All rows count alike.
//! Holds the edges of these children in memory, as a test does: 4 bytes per edge and row.

use std::collections::{BTreeMap, BTreeSet};

use ndarray::{Array2, ArrayView2};
use rayon::prelude::*;
use serde_json::{Value, json};

use super::edge_tests::data;
use crate::group::icc::{Icc, icc};
use crate::group::{edges, quantile};
use crate::outputs::{number_cell, text_table};
use crate::stack::arrays::whole::Whole;
use crate::stack::gather::block::Source;
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::error::StackError;
use crate::stack::gather::parcels::Parcel;
use crate::stack::gather::step::Step;
use crate::stack::gather::work::Work;
use crate::tables::absent;

/// The children with every session.
struct Sessions {
    sessions: Vec<String>,
    /// Rows of the stack, rising.
    rows: Vec<usize>,
    /// Of each child, the place in `rows` of each session.
    children: Vec<Vec<usize>>,
}

/// Writes the tables; none where no child of the stack has two sessions.
pub(super) fn write(work: &Work<'_>, files: &mut Vec<Whole>) -> Result<Option<Value>, StackError> {
    let Work { results, folder, found, atlases, tell, .. } = *work;
    let of = match sessions(found) {
        None => return Ok(None),
        Some(Err(why)) => return Ok(Some(json!({ "why_not": why, "notes": [why] }))),
        Some(Ok(of)) => of,
    };
    let mut arrays = Vec::new();
    for (at, kind) in found.kinds.iter().enumerate() {
        let Some(atlas) = atlases.iter().find(|atlas| atlas.name == kind.atlas) else { continue };
        let what = format!("sessions, {}, {}", kind.atlas, kind.measure.key());
        tell(&Step { what, done: at, of: found.kinds.len(), unit: "matrices" });
        let source = Source { results, found, kind: at, atlas, adjust: None };
        let values = data::edges(&source, &of.rows, kind.measure.is_correlation())?;
        let parcels = atlas.stacked();
        let name = found.name_as_measured(kind);
        let of_edges: Vec<Icc> =
            (0..values.ncols()).into_par_iter().map(|edge| of.icc(values.view(), &[edge])).collect();
        let cells =
            |icc: &Icc| vec![icc.children.to_string(), number_cell(icc.agreement), number_cell(icc.consistency)];
        let lines: Vec<Vec<String>> = edges(parcels.len())
            .zip(&of_edges)
            .enumerate()
            .map(|(edge, ((i, j), icc))| {
                let names = [edge.to_string(), parcels[i].name.clone(), parcels[j].name.clone()];
                names.into_iter().chain(cells(icc)).collect()
            })
            .collect();
        let header = |first: &[&str]| -> Vec<String> {
            first.iter().chain(&["children", "icc_2_1", "icc_3_1"]).map(|column| (*column).to_owned()).collect()
        };
        let mut written = vec![format!("{name}_sessions.tsv")];
        let table = text_table(&header(&["edge", "name_1", "name_2"]), &lines);
        files.push(Whole::of(&folder.join(&written[0]), table.as_bytes())?);
        let pairs = pairs_of_networks(&parcels);
        if !pairs.is_empty() {
            let line = |((a, b), own): (&(String, String), &Vec<usize>)| {
                let names = [a.clone(), b.clone(), own.len().to_string()];
                names.into_iter().chain(cells(&of.icc(values.view(), own))).collect()
            };
            let lines: Vec<Vec<String>> = pairs.iter().map(line).collect();
            let table = text_table(&header(&["network_1", "network_2", "edges"]), &lines);
            written.push(format!("{name}_sessions_networks.tsv"));
            files.push(Whole::of(&folder.join(&written[1]), table.as_bytes())?);
        }
        let median = |value: fn(&Icc) -> f64| {
            let mut known: Vec<f64> = of_edges.iter().map(value).filter(|v| v.is_finite()).collect();
            known.sort_by(f64::total_cmp);
            quantile(&known, 0.5)
        };
        arrays.push(json!({
            "atlas": kind.atlas,
            "measure": kind.measure.key(),
            "files": written,
            "median_icc_2_1": median(|icc| icc.agreement),
            "median_icc_3_1": median(|icc| icc.consistency),
        }));
    }
    Ok(Some(json!({ "sessions": of.sessions, "children": of.children.len(), "arrays": arrays })))
}

/// Who has every session; why it cannot be told; none where no child has two rows.
fn sessions(found: &GatheredChildren) -> Option<Result<Sessions, String>> {
    let mut of: BTreeMap<&str, BTreeMap<&str, usize>> = BTreeMap::new();
    let mut sessions: BTreeSet<&str> = BTreeSet::new();
    for (row, child) in found.children.iter().enumerate() {
        let [participant, session, _] = &child.ids;
        sessions.insert(session);
        if of.entry(participant).or_default().insert(session, row).is_some() {
            return Some(Err(format!(
                "sessions are not compared: {participant} has several rows of session {session}; join its runs \
                 (see docs/study-file.md), or choose one with --where"
            )));
        }
    }
    if of.values().all(|own| own.len() < 2) {
        return None;
    }
    let complete: Vec<Vec<usize>> =
        of.values().filter(|own| own.len() == sessions.len()).map(|own| own.values().copied().collect()).collect();
    if complete.len() < 2 {
        let all: Vec<&str> = sessions.into_iter().collect();
        return Some(Err(format!(
            "sessions are not compared: fewer than two children have all of them ({}); choose sessions with --where",
            all.join(", ")
        )));
    }
    let mut rows = complete.concat();
    rows.sort_unstable();
    let place = |row: &usize| rows.binary_search(row).unwrap_or_default();
    let children = complete.iter().map(|own| own.iter().map(place).collect()).collect();
    Some(Ok(Sessions { sessions: sessions.into_iter().map(str::to_owned).collect(), rows, children }))
}

impl Sessions {
    /// Of the mean over some edges, those that a row has.
    fn icc(&self, values: ArrayView2<'_, f32>, edges: &[usize]) -> Icc {
        let mean = |row: usize| {
            let known = edges.iter().map(|&edge| f64::from(values[[row, edge]])).filter(|v| v.is_finite());
            let (sum, count) = known.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
            sum / count
        };
        let shape = (self.children.len(), self.sessions.len());
        icc(Array2::from_shape_fn(shape, |(child, session)| mean(self.children[child][session])).view())
    }
}

/// The edges within each network and between each pair, by the networks' names in alphabetical order.
fn pairs_of_networks(parcels: &[&Parcel]) -> BTreeMap<(String, String), Vec<usize>> {
    let mut pairs: BTreeMap<(String, String), Vec<usize>> = BTreeMap::new();
    for (edge, (i, j)) in edges(parcels.len()).enumerate() {
        let (a, b) = (&parcels[i].network, &parcels[j].network);
        if !absent(a) && !absent(b) {
            pairs.entry((a.min(b).clone(), a.max(b).clone())).or_default().push(edge);
        }
    }
    pairs
}
