//! What is written into the results folder: tables, and the files that make it a BIDS derivative dataset.
//!
//! Every function gives bytes; [`crate::record::files::write_whole`] puts them down. Numbers in tables carry enough
//! digits to read back the same `f32`; what is not available is `n/a`.

mod dataset;
mod dictionary;
mod frames;
mod table;

use ndarray::ArrayView2;

use crate::atlas::Parcel;
use crate::digest::AtlasDigest;
use crate::tables::write_number_f32;

pub use dataset::{CAUTION, dataset_files, pretty};
pub(crate) use dictionary::entry;
pub use dictionary::reason_words;
pub use frames::{FRAME_COLUMNS, FrameColumn, frames_dictionary, frames_table};
use table::Row;

/// Bytes to set aside for a cell of a large table; most take nine to twelve with their tab.
const ROOM_A_CELL: usize = 12;

/// Cells of a table must not break it: tabs and line ends become blanks, nothing becomes n/a.
#[must_use]
pub fn cell(text: &str) -> String {
    let clean: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.trim().is_empty() { "n/a".to_owned() } else { clean }
}

/// `R_atlas-A_series.tsv`: cleaned parcel series, one row per frame; n/a in dropped frames and for parcels not used.
/// `residuals` is kept frames × used parcels.
#[must_use]
pub fn series_table(parcels: &[Parcel], kept: &[bool], used: &[bool], residuals: ArrayView2<'_, f64>) -> Vec<u8> {
    let mut out = Vec::with_capacity(ROOM_A_CELL * (parcels.len() * (residuals.nrows() + 1) + 4 * kept.len()));
    let mut row = Row::new(&mut out);
    for parcel in parcels {
        row.text(&cell(&parcel.name));
    }
    row.end();
    // Of dropped frames every line is the same.
    let nothing = [vec!["n/a"; used.len()].join("\t").as_bytes(), b"\n"].concat();
    let mut values = residuals.rows().into_iter();
    for &kept in kept {
        let Some(values) = kept.then(|| values.next()).flatten() else {
            out.extend_from_slice(&nothing);
            continue;
        };
        let mut row = Row::new(&mut out);
        let mut column = 0;
        for &used in used {
            row.number(if used { values[column] } else { f64::NAN });
            column += usize::from(used);
        }
        row.end();
    }
    out
}

/// The same as an array for `.npy`: frames × parcels, NaN where the table has n/a.
#[must_use]
pub fn parcels_array(kept: &[bool], used: &[bool], residuals: ArrayView2<'_, f64>) -> ndarray::Array2<f32> {
    let mut out = ndarray::Array2::from_elem((kept.len(), used.len()), f32::NAN);
    let rows = (0..kept.len()).filter(|&i| kept[i]);
    for (from, to) in rows.enumerate() {
        let columns = (0..used.len()).filter(|&p| used[p]);
        for (source, target) in columns.enumerate() {
            out[[to, target]] = residuals[[from, source]] as f32;
        }
    }
    out
}

/// `R_atlas-A_parcels.tsv`.
#[must_use]
pub fn parcels_table(parcels: &[Parcel], table: &AtlasDigest, used: &[bool]) -> Vec<u8> {
    let mut out = "index\tname\tvoxels\tcoverage\tused\tx_mm\ty_mm\tz_mm\tnetwork\n".as_bytes().to_vec();
    for (p, parcel) in parcels.iter().enumerate() {
        let mut row = Row::new(&mut out);
        row.text(&parcel.index.to_string());
        row.text(&cell(&parcel.name));
        row.count(table.voxels[p]);
        row.number(table.coverage[p]);
        row.count(usize::from(used[p]));
        table.centroid_mm[p].iter().for_each(|&v| row.number(v));
        row.text(&cell(parcel.network.as_deref().unwrap_or_default()));
        row.end();
    }
    out
}

/// A matrix with names in its header row and first column; n/a where there is no value.
#[must_use]
pub fn matrix_table(parcels: &[Parcel], matrix: ArrayView2<'_, f64>) -> Vec<u8> {
    let mut out = Vec::with_capacity(ROOM_A_CELL * (parcels.len() + 1) * (parcels.len() + 1));
    let mut row = Row::new(&mut out);
    row.text("name");
    for parcel in parcels {
        row.text(&cell(&parcel.name));
    }
    row.end();
    // Of a symmetric matrix each text is worked out once: where row i wrote it, row j copies it.
    let mut texts: Vec<(usize, usize)> = Vec::with_capacity(matrix.len());
    for (i, (parcel, values)) in parcels.iter().zip(matrix.rows()).enumerate() {
        out.extend_from_slice(cell(&parcel.name).as_bytes());
        for (j, &value) in values.iter().enumerate() {
            out.push(b'\t');
            let start = out.len();
            let mirrored = j < i && matrix[[j, i]].to_bits() == value.to_bits();
            if mirrored {
                let (from, to) = texts[j * matrix.ncols() + i];
                out.extend_from_within(from..to);
            } else {
                write_number_f32(&mut out, value);
            }
            texts.push((start, out.len()));
        }
        out.push(b'\n');
    }
    out
}

/// A tab-separated table from a header and cells.
#[must_use]
pub fn text_table(header: &[String], rows: &[Vec<String>]) -> String {
    let line = |cells: &[String]| cells.iter().map(|c| cell(c)).collect::<Vec<_>>().join("\t");
    std::iter::once(header).chain(rows.iter().map(Vec::as_slice)).map(|cells| line(cells) + "\n").collect()
}

/// A number for a table cell.
#[must_use]
pub fn number_cell(value: f64) -> String {
    let mut out = Vec::new();
    write_number_f32(&mut out, value);
    String::from_utf8(out).unwrap_or_default()
}
