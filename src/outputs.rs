//! The results folder: names, tables and the files that make it a BIDS derivative dataset.
//!
//! Every function gives bytes; [`crate::record::files::write_whole`] puts them down. Numbers in tables carry enough
//! digits to read back the same `f32`; what is not available is `n/a`.

mod dataset;
mod dictionary;

use std::io::Write;

use ndarray::ArrayView2;

use crate::atlas::Parcel;
use crate::censor::Reason;
use crate::digest::AtlasDigest;
use crate::discover::ScanId;
use crate::pipeline::Outcome;
use crate::tables::write_number_f32;

pub use dataset::{CAUTION, dataset_files, pretty};
pub use dictionary::{COHORT_COLUMNS, cohort_dictionary, frames_dictionary, reason_words};

/// Folder of a scan's or child's files, relative to the results folder.
#[must_use]
pub fn folder(participant: &str, session: Option<&str>) -> String {
    match session {
        Some(session) => format!("sub-{participant}/ses-{session}/func"),
        None => format!("sub-{participant}/func"),
    }
}

/// Path of one of a scan's files, relative to the results folder.
#[must_use]
pub fn scan_file(id: &ScanId, ending: &str) -> String {
    format!("{}/{id}_{ending}", folder(&id.participant, id.session.as_deref()))
}

/// Bytes to set aside for a cell of a large table; most take nine to twelve with their tab.
const ROOM_A_CELL: usize = 12;

/// One row of cells, tab-separated.
struct Row<'a> {
    out: &'a mut Vec<u8>,
    first: bool,
}

impl<'a> Row<'a> {
    fn new(out: &'a mut Vec<u8>) -> Self {
        Self { out, first: true }
    }

    fn gap(&mut self) {
        if !self.first {
            self.out.push(b'\t');
        }
        self.first = false;
    }

    fn text(&mut self, text: &str) -> &mut Self {
        self.gap();
        self.out.extend_from_slice(text.as_bytes());
        self
    }

    fn number(&mut self, value: f64) -> &mut Self {
        self.gap();
        write_number_f32(self.out, value);
        self
    }

    fn count(&mut self, value: usize) -> &mut Self {
        self.gap();
        let _ = write!(self.out, "{value}");
        self
    }

    fn end(&mut self) {
        self.out.push(b'\n');
    }
}

/// Cells of a table must not break it: tabs and line ends become blanks, nothing becomes n/a.
#[must_use]
pub fn cell(text: &str) -> String {
    let clean: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.trim().is_empty() { "n/a".to_owned() } else { clean }
}

/// `R_frames.tsv`: one row a frame.
#[must_use]
pub fn frames_table(outcome: &Outcome) -> Vec<u8> {
    let mut out = Vec::new();
    let header = dictionary::FRAME_COLUMNS.iter().map(|c| c.0).collect::<Vec<_>>().join("\t");
    out.extend_from_slice(header.as_bytes());
    out.push(b'\n');
    let tr_s = outcome.record.row.tr_s;
    for (i, reasons) in outcome.mask.reasons().iter().enumerate() {
        let mut row = Row::new(&mut out);
        row.count(i).number(i as f64 * tr_s);
        (0..3).for_each(|k| {
            row.number(outcome.trace.translations_mm[[i, k]]);
        });
        (0..3).for_each(|k| {
            row.number(outcome.trace.rotations_rad[[i, k]]);
        });
        row.number(outcome.fd.sum_mm[i]).number(outcome.fd.rms_mm[i]);
        row.number(outcome.fd_unfiltered_mm[i]).number(outcome.fd_radius_50_mm[i]);
        row.number(outcome.record.dvars_percent[i]).number(outcome.global_signal[i]);
        row.count(usize::from(reasons.is_empty()));
        let words: Vec<&str> = reasons.iter().map(|r: &Reason| r.key()).collect();
        row.text(if words.is_empty() { "n/a".to_owned() } else { words.join(";") }.as_str()).end();
    }
    out
}

/// `R_atlas-A_series.tsv`: cleaned parcel series, one row a frame; n/a in dropped frames and for parcels not used.
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
        row.text(&parcel.index.to_string()).text(&cell(&parcel.name)).count(table.voxels[p]);
        row.number(table.coverage[p]).count(usize::from(used[p]));
        table.centroid_mm[p].iter().for_each(|&v| {
            row.number(v);
        });
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
