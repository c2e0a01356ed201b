//! `R_frames.tsv` and its data dictionary: what each column is called, what it means and what stands in its cells.

use serde_json::{Map, Value, json};

use super::dictionary::{entry, reason_words};
use super::table::Row;
use crate::censor::Reason;
use crate::motion::ImageMotion;
use crate::pipeline::Outcome;

/// A column of the frames table. The table, its dictionary and the documentation follow from [`FRAME_COLUMNS`].
pub struct FrameColumn {
    pub name: &'static str,
    pub meaning: &'static str,
    /// Empty: none.
    pub unit: &'static str,
    /// Writes the cell of one frame.
    cell: fn(&mut Row<'_>, &Outcome, usize),
}

const fn column(
    name: &'static str,
    meaning: &'static str,
    unit: &'static str,
    cell: fn(&mut Row<'_>, &Outcome, usize),
) -> FrameColumn {
    FrameColumn { name, meaning, unit, cell }
}

/// Columns of the frames table, in order.
pub const FRAME_COLUMNS: &[FrameColumn] = &[
    column("frame", "frame number, counted from 0", "", |row, _, i| row.count(i)),
    column("time_s", "start of the frame's acquisition, from the start of the run", "s", |row, outcome, i| {
        row.number(i as f64 * outcome.record.row.tr_s)
    }),
    column("translation_x_mm", "head translation along x; n/a where no pose was found", "mm", |row, outcome, i| {
        row.number(outcome.trace.translations_mm[[i, 0]])
    }),
    column("translation_y_mm", "head translation along y; n/a where no pose was found", "mm", |row, outcome, i| {
        row.number(outcome.trace.translations_mm[[i, 1]])
    }),
    column("translation_z_mm", "head translation along z; n/a where no pose was found", "mm", |row, outcome, i| {
        row.number(outcome.trace.translations_mm[[i, 2]])
    }),
    column("rotation_x_rad", "head rotation about x; n/a where no pose was found", "rad", |row, outcome, i| {
        row.number(outcome.trace.rotations_rad[[i, 0]])
    }),
    column("rotation_y_rad", "head rotation about y; n/a where no pose was found", "rad", |row, outcome, i| {
        row.number(outcome.trace.rotations_rad[[i, 1]])
    }),
    column("rotation_z_rad", "head rotation about z; n/a where no pose was found", "rad", |row, outcome, i| {
        row.number(outcome.trace.rotations_rad[[i, 2]])
    }),
    column(
        "fd_sum_mm",
        "framewise displacement, sum form (Power et al. 2012, NeuroImage 59:2142), against the latest earlier frame \
         with a pose; n/a in the first frame",
        "mm",
        |row, outcome, i| row.number(outcome.fd.sum_mm[i]),
    ),
    column(
        "fd_rms_mm",
        "framewise displacement, root mean square form (Jenkinson 1999, TR99MJ1), against the latest earlier frame \
         with a pose; n/a in the first frame",
        "mm",
        |row, outcome, i| row.number(outcome.fd.rms_mm[i]),
    ),
    column(
        "fd_span_mm",
        "displacement in the form that censoring uses, between frames motion.fd_span_s apart (after Power 2019, \
         NeuroImage 201:116041); n/a in the first frames, and without a span",
        "mm",
        |row, outcome, i| row.number(outcome.record.fd_span_mm.as_ref().map_or(f64::NAN, |fd| fd[i])),
    ),
    column(
        "fd_unfiltered_mm",
        "framewise displacement in the form that censoring uses, breathing left in the motion parameters",
        "mm",
        |row, outcome, i| row.number(outcome.fd_unfiltered_mm[i]),
    ),
    column(
        "fd_radius_50_mm",
        "framewise displacement in the form that censoring uses, rotations on a sphere of 50 mm whatever the radius \
         used",
        "mm",
        |row, outcome, i| row.number(outcome.fd_radius_50_mm[i]),
    ),
    column(
        "dvars_percent",
        "root mean square frame-to-frame change over the brain mask, in percent of the median of the mean image \
         (Power et al. 2012; Nichols 2017, arXiv:1704.01469); n/a in the first frame",
        "%",
        |row, outcome, i| row.number(outcome.record.dvars_percent[i]),
    ),
    column("global_signal", "mean over the brain mask's voxels that change over time", "", |row, outcome, i| {
        row.number(outcome.global_signal[i])
    }),
    column("kept", "1: the frame is kept; 0: it is dropped", "", |row, outcome, i| {
        row.count(usize::from(outcome.mask.reasons()[i].is_empty()))
    }),
    column("reasons", "why the frame is dropped, separated by ';'; n/a for kept frames", "", |row, outcome, i| {
        let words: Vec<&str> = outcome.mask.reasons()[i].iter().map(|reason| reason.key()).collect();
        row.text(if words.is_empty() { "n/a".to_owned() } else { words.join(";") }.as_str())
    }),
];

/// `R_frames.tsv`: one row per frame.
#[must_use]
pub fn frames_table(outcome: &Outcome) -> Vec<u8> {
    let mut out = Vec::new();
    let mut header = Row::new(&mut out);
    FRAME_COLUMNS.iter().for_each(|column| header.text(column.name));
    header.end();
    for frame in 0..outcome.mask.reasons().len() {
        let mut row = Row::new(&mut out);
        FRAME_COLUMNS.iter().for_each(|column| (column.cell)(&mut row, outcome, frame));
        row.end();
    }
    out
}

/// The sidecar of a frames table. Motion that was measured from the images adds what its parameters refer to.
#[must_use]
pub fn frames_dictionary(found: Option<&ImageMotion>) -> Value {
    let mut columns: Map<String, Value> = FRAME_COLUMNS
        .iter()
        .map(|column| (column.name.to_owned(), entry(column.meaning, column.unit, levels(column.name))))
        .collect();
    if let Some(found) = found {
        columns.insert("reference_frame".to_owned(), json!(found.reference_frame));
        columns.insert("pivot_mm".to_owned(), json!(found.pivot_mm));
        let text = "x maps to R(x - pivot) + pivot + translation, R = Rz Ry Rx; world mm, frames counted from 0";
        columns.insert("motion_parameters".to_owned(), json!(text));
    }
    Value::Object(columns)
}

/// The words that a column of few words can hold, each with its meaning.
fn levels(column: &str) -> Vec<(&'static str, &'static str)> {
    match column {
        "kept" => vec![("0", "dropped"), ("1", "kept")],
        "reasons" => Reason::ALL.iter().map(|reason| (reason.key(), reason_words(*reason))).collect(),
        _ => Vec::new(),
    }
}
