//! `quality.tsv`, and the tables of QC-FC by edge.

use super::context::atlas_of;
use super::findings::Findings;
use super::rows::QcFcRow;
use crate::group::edges;
use crate::group::multiple::benjamini_hochberg;
use crate::outputs::{number_cell, text_table};
use crate::stack::arrays::tables::{distance_mm, p_cell};
use crate::stack::gather::kind::Kind;

/// Columns of `quality.tsv`.
const COLUMNS: [&str; 22] = [
    "atlas",
    "measure",
    "values",
    "censoring",
    "results",
    "adjusted_for",
    "children",
    "dof",
    "edges",
    "edges_with_r",
    "median_abs_r",
    "chance_median_abs_r",
    "critical_abs_r",
    "share_p",
    "share_q",
    "distance_edges",
    "distance_rho",
    "shuffles",
    "shuffled_p_median_abs_r",
    "shuffled_p_share_p",
    "shuffled_p_share_q",
    "shuffled_p_distance_rho",
];

/// `quality.tsv`.
pub(super) fn quality(rows: &[QcFcRow]) -> String {
    let line = |row: &QcFcRow| {
        let mut cells = vec![
            row.atlas.clone(),
            row.measure.to_owned(),
            if row.fisher_z { "fisher_z" } else { "as_in_matrix" }.to_owned(),
            row.censoring.key().to_owned(),
            row.results.clone(),
            row.adjusted_for.join(";"),
        ];
        cells.extend([row.children, row.dof, row.all_edges, row.summary.edges].map(|count| count.to_string()));
        let summary = &row.summary;
        let numbers = [summary.median_abs_r, row.chance_median(), row.critical(), summary.share_p, summary.share_q]
            .map(number_cell);
        cells.extend(numbers);
        cells.push(row.distance.edges.to_string());
        cells.push(number_cell(row.distance.rho));
        let beyond = &row.beyond;
        cells.push(beyond.shuffles.to_string());
        let shares = [beyond.median_abs_r, beyond.share_p, beyond.share_q, beyond.distance_rho];
        cells.extend(shares.map(number_cell));
        cells
    };
    text_table(&COLUMNS.map(str::to_owned), &rows.iter().map(line).collect::<Vec<_>>())
}

/// `atlas-A_desc-M_qcfc.tsv`: QC-FC of each edge, in every row's way.
pub(super) fn edges_tables(findings: &Findings<'_>) -> Vec<(String, String)> {
    let quality = findings.quality;
    let of = |kind: &Kind| {
        let parcels = atlas_of(quality.atlases, kind)?.stacked();
        let rows: Vec<&QcFcRow> =
            findings.rows.iter().filter(|row| row.atlas == kind.atlas && row.measure == kind.measure.key()).collect();
        let mut header = ["edge", "name_1", "name_2", "distance_mm"].map(str::to_owned).to_vec();
        for row in &rows {
            let adjusted = if row.adjusted_for.is_empty() { "" } else { "_adjusted" };
            let counted = if row.children == row.rows { "children" } else { "rows" };
            header.extend([counted, "r", "p", "q"].map(|what| format!("{}{adjusted}_{what}", row.censoring.key())));
        }
        let q: Vec<Vec<f64>> = rows.iter().map(|row| benjamini_hochberg(&row.found.p.to_vec())).collect();
        let lines: Vec<Vec<String>> = edges(parcels.len())
            .enumerate()
            .map(|(edge, (i, j))| {
                let names = [i, j].map(|at| parcels[at].name.clone());
                let mut cells = vec![edge.to_string()];
                cells.extend(names);
                cells.push(number_cell(distance_mm(parcels[i], parcels[j])));
                for (row, q) in rows.iter().zip(&q) {
                    cells.push(row.found.children[edge].to_string());
                    cells.push(number_cell(row.found.r[edge]));
                    cells.extend([row.found.p[edge], q[edge]].map(p_cell));
                }
                cells
            })
            .collect();
        Some((format!("{}_qcfc.tsv", quality.found.name(kind)), text_table(&header, &lines)))
    };
    quality.found.kinds.iter().filter_map(of).collect()
}
