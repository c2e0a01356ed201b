//! The second room: the arrays and tables of a stack, in files that become visible together.

pub(super) mod about;
pub(super) mod array_file;
pub(super) mod columns;
pub(super) mod formats;
pub(super) mod networks;
pub(super) mod plan;
pub(super) mod sites;
pub(super) mod stacking;
pub(super) mod tables;
pub(super) mod whole;

use std::path::Path;

use crate::record::files::WriteError;
use crate::stack::gather::lacking::Lacking;
use crate::stack::gather::work::Work;
use whole::Whole;

fn text(folder: &Path, name: &str, text: &str) -> Result<Whole, WriteError> {
    Whole::of(&folder.join(name), text.as_bytes())
}

/// The tables of parcels and edges, and of who was left out.
pub(super) fn write_tables(work: &Work<'_>) -> Result<Vec<Whole>, WriteError> {
    let Work { results, folder, found, atlases, .. } = *work;
    let mut files = vec![text(folder, "left_out.tsv", &tables::left_out(results, &found.left_out))?];
    for atlas in atlases {
        files.push(text(folder, &format!("atlas-{}_parcels.tsv", atlas.name), &tables::parcels(atlas))?);
        files.push(text(folder, &format!("atlas-{}_edges.tsv", atlas.name), &tables::edges(atlas))?);
    }
    Ok(files)
}

/// The tables of parcels that children lack.
pub(super) fn write_missing(work: &Work<'_>, lacking: &Lacking, files: &mut Vec<Whole>) -> Result<(), WriteError> {
    for (atlas, lacking) in work.atlases.iter().zip(&lacking.atlases) {
        let table = tables::missing(atlas, lacking, work.found);
        files.push(text(work.folder, &format!("atlas-{}_missing.tsv", atlas.name), &table)?);
    }
    Ok(())
}
