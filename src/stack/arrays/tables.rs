//! The tables of a stack, in the order of its arrays.

use std::collections::HashMap;
use std::path::Path;

use super::networks;
use super::plan::edge_names;
use super::whole::{Unfinished, Whole};
use crate::group;
use crate::outputs::{number_cell, text_table};
use crate::record::files::WriteError;
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::folders::{Folders, RESULTS_COLUMN};
use crate::stack::gather::lacking::LackingOf;
use crate::stack::gather::left_out::LeftOut;
use crate::stack::gather::parcels::{Parcel, StackedAtlas};

fn table(header: &[&str], rows: &[Vec<String>]) -> String {
    text_table(&header.iter().map(|&name| name.to_owned()).collect::<Vec<_>>(), rows)
}

/// `children.tsv`: row k is row k of every array; all columns of the cohort table, and what is used where that is not
/// all, how far its partial correlations were shrunk, then what each child counts (`columns` and one row of numbers per
/// child). Written as it goes, since it grows with the children.
pub(crate) fn children(
    path: &Path,
    header: &[String],
    found: &GatheredChildren,
    columns: &[&str],
    numbers: &[[f64; 3]],
) -> Result<Whole, WriteError> {
    let used = if found.equal.is_some() { "\tframes_used\tminutes_used\tdof_used" } else { "" };
    let mut more = used.to_owned();
    found.shrinkage.iter().for_each(|own| more.extend(["\t", &own.column()]));
    columns.iter().for_each(|column| more.extend(["\t", column]));
    let header: Vec<&str> = header.iter().map(|name| child_column(name)).collect();
    let mut file = Unfinished::create(path)?;
    let mut text = format!("stem\t{}{more}\n", header.join("\t"));
    for (place, (child, numbers)) in found.children.iter().zip(numbers).enumerate() {
        let used = child.used.map_or(String::new(), |used| {
            format!("\t{}\t{}\t{}", used.frames, number_cell(used.minutes), number_cell(used.dof))
        });
        for part in [&child.stem, "\t", &child.cells, &used] {
            text.push_str(part);
        }
        found.shrinkage.iter().for_each(|own| text.extend(["\t", &number_cell(own.children[place])]));
        numbers.iter().for_each(|&number| text.extend(["\t", &number_cell(number)]));
        text.push('\n');
        if text.len() > 1 << 16 {
            file.append(text.as_bytes())?;
            text.clear();
        }
    }
    file.append(text.as_bytes())?;
    file.finish()
}

/// The name in `children.tsv` of a column of the cohort table: a participants table may have columns with the same
/// names as ours.
pub(crate) fn child_column(name: &str) -> &str {
    match name {
        "stem" => "participants_stem",
        "frames_used" => "participants_frames_used",
        "minutes_used" => "participants_minutes_used",
        "dof_used" => "participants_dof_used",
        "sampling_sd" => "participants_sampling_sd",
        "weight" => "participants_weight",
        "scatter" => "participants_scatter",
        other => other,
    }
}

/// `left_out.tsv`: in the order of the cohort table; with the name of the results folder, where there are several.
pub(crate) fn left_out(folders: &Folders, children: &[LeftOut]) -> String {
    let line = |child: &LeftOut| {
        let [participant, session, run] = child.ids.clone();
        let mut cells = vec![child.stem.clone()];
        cells.extend(folders.name(child.results).map(str::to_owned));
        cells.extend([participant, session, run, child.reason.clone(), child.detail.clone()]);
        cells
    };
    let mut header = vec!["stem"];
    header.extend(folders.are_several().then_some(RESULTS_COLUMN));
    header.extend(["participant_id", "session_id", "run_id", "reason", "detail"]);
    table(&header, &children.iter().map(line).collect::<Vec<_>>())
}

/// `atlas-A_parcels.tsv`: row k is row and column k of each matrix.
pub(crate) fn parcels(atlas: &StackedAtlas) -> String {
    let line = |(position, parcel): (usize, &Parcel)| {
        let mut cells = vec![position.to_string(), parcel.index.clone(), parcel.name.clone(), parcel.network.clone()];
        cells.extend(parcel.centroid_mm.map(number_cell));
        cells
    };
    let rows: Vec<Vec<String>> = atlas.stacked().into_iter().enumerate().map(line).collect();
    table(&["position", "index", "name", "network", "x_mm", "y_mm", "z_mm"], &rows)
}

/// `atlas-A_edges.tsv`: row k is column k of each edges array.
pub(crate) fn edges(atlas: &StackedAtlas) -> String {
    let parcels = atlas.stacked();
    let columns = [
        "edge",
        "edge_name",
        "index_1",
        "name_1",
        "network_1",
        "index_2",
        "name_2",
        "network_2",
        "networks",
        "distance_mm",
    ];
    let pairs = networks::pairs(atlas);
    let names = pairs.names();
    let rows: Vec<Vec<String>> = group::edges(parcels.len())
        .zip(edge_names(&parcels))
        .enumerate()
        .map(|(edge, ((i, j), name))| {
            let mut cells = vec![edge.to_string(), name];
            for parcel in [parcels[i], parcels[j]] {
                cells.extend([&parcel.index, &parcel.name, &parcel.network].map(String::clone));
            }
            cells.push(pairs.of_edges()[edge].map_or("n/a".to_owned(), |pair| names[pair].clone()));
            cells.push(number_cell(distance_mm(parcels[i], parcels[j])));
            cells
        })
        .collect();
    table(&columns, &rows)
}

/// p and q, which may be smaller than a 32-bit float can be.
pub(crate) fn p_cell(p: f64) -> String {
    if p > 0.0 && p < 1e-30 { format!("{p:e}") } else { number_cell(p) }
}

/// Between two mean centroids.
pub(crate) fn distance_mm(a: &Parcel, b: &Parcel) -> f64 {
    (0..3).map(|axis| (a.centroid_mm[axis] - b.centroid_mm[axis]).powi(2)).sum::<f64>().sqrt()
}

/// `atlas-A_missing.tsv`: the parcels that are missing in some child, and in whom.
pub(crate) fn missing(atlas: &StackedAtlas, lacking: &LackingOf, found: &GatheredChildren) -> String {
    let kept = found.children.iter().map(|child| (child.row, child.stem.as_str()));
    let left_out = found.left_out.iter().map(|child| (child.row, child.stem.as_str()));
    let stems: HashMap<usize, &str> = kept.chain(left_out).collect();
    let rows: Vec<Vec<String>> = atlas
        .parcels
        .iter()
        .zip(&lacking.rows)
        .filter(|(_, rows)| !rows.is_empty())
        .map(|(parcel, rows)| {
            let stems: Vec<&str> = rows.iter().filter_map(|row| stems.get(row).copied()).collect();
            let names = [&parcel.index, &parcel.name, &parcel.network].map(String::clone);
            names.into_iter().chain([rows.len().to_string(), stems.join("; ")]).collect()
        })
        .collect();
    table(&["index", "name", "network", "children_missing", "stems"], &rows)
}
