//! The files below `results/thresholds/`: two tables, the same as JSON, and the page.

use serde_json::{Value, json};

use super::{ChildMinutes, Choice, MINIMUMS_MIN, Row, Thresholds, page};
use crate::outputs::{self, CAUTION, number_cell};
use crate::record::files::{WriteError, write_whole};
use crate::remark::texts;
use crate::results::Layout;
use crate::study::Study;
use crate::study::settings::Displacement;
use crate::tables::write_number_f32;

/// The word of a form in tables, as in the study file.
pub(super) fn form_word(form: Displacement) -> &'static str {
    match form {
        Displacement::Sum => "sum",
        Displacement::Rms => "rms",
    }
}

/// The cells that name a choice; no limit is `n/a`.
fn choice_cells(choice: &Choice) -> [String; 3] {
    [
        number_cell(choice.limit_mm.unwrap_or(f64::NAN)),
        form_word(choice.displacement).to_owned(),
        u8::from(choice.neighbours).to_string(),
    ]
}

/// `children_above_3_min` and its like.
fn above_columns() -> [String; 4] {
    MINIMUMS_MIN.map(|minutes| format!("children_above_{minutes}_min"))
}

/// `thresholds.tsv`: one row per choice.
#[must_use]
pub fn thresholds_table(found: &Thresholds) -> String {
    let mut header = ["fd_mm", "displacement", "neighbours"].map(str::to_owned).to_vec();
    header.extend(above_columns());
    header.extend(["median_minutes_kept", "children"].map(str::to_owned));
    let line = |row: &Row| {
        let mut cells = choice_cells(&row.choice).to_vec();
        cells.extend(row.children_above.map(|n| n.to_string()));
        cells.extend([number_cell(row.median_minutes_kept), row.children.to_string()]);
        cells
    };
    let lines: Vec<Vec<String>> = found.rows().iter().map(line).collect();
    outputs::text_table(&header, &lines)
}

/// A child's own columns: participant, session, run (where runs are not joined), and the stem of its files.
fn child_cells(child: &ChildMinutes) -> [Option<String>; 4] {
    let group = &child.group;
    let run = group.only.as_ref().and_then(|id| id.run.as_ref());
    [
        Some(format!("sub-{}", group.participant)),
        group.session.as_ref().map(|session| format!("ses-{session}")),
        run.map(|run| format!("run-{run}")),
        Some(group.stem()),
    ]
}

const CHILD_COLUMNS: [&str; 4] = ["participant_id", "session_id", "run_id", "stem"];

/// `minutes.tsv`: one row per child and choice.
#[must_use]
pub fn minutes_table(found: &Thresholds) -> Vec<u8> {
    let header = [&CHILD_COLUMNS[..], &["fd_mm", "displacement", "neighbours", "minutes", "minutes_kept"]].concat();
    let choices: Vec<String> = found.choices.iter().map(|choice| choice_cells(choice).join("\t")).collect();
    let mut table = (header.join("\t") + "\n").into_bytes();
    for child in &found.children {
        let own = child_cells(child).map(|text| outputs::cell(&text.unwrap_or_default())).join("\t");
        let minutes = number_cell(if child.runs_read > 0 { child.minutes } else { f64::NAN });
        for (choice, &kept) in choices.iter().zip(&child.minutes_kept) {
            for text in [&own, "\t", choice, "\t", &minutes, "\t"] {
                table.extend_from_slice(text.as_bytes());
            }
            write_number_f32(&mut table, kept);
            table.push(b'\n');
        }
    }
    table
}

/// `thresholds.json`: the same, with version, caution, settings, notes and the scans left out. A child's `minutes_kept`
/// has one value for each entry of `thresholds`, in that order.
#[must_use]
pub fn json(study: &Study, found: &Thresholds) -> Value {
    let rows: Vec<Value> = found
        .rows()
        .iter()
        .map(|row| {
            let mut value = json!({
                "fd_mm": row.choice.limit_mm,
                "displacement": form_word(row.choice.displacement),
                "neighbours": row.choice.neighbours,
            });
            for (name, count) in above_columns().iter().zip(row.children_above) {
                value[name] = json!(count);
            }
            value["median_minutes_kept"] = json!(row.median_minutes_kept);
            value["children"] = json!(row.children);
            value
        })
        .collect();
    let children: Vec<Value> = found
        .children
        .iter()
        .map(|child| {
            let mut value = json!({});
            for (name, text) in CHILD_COLUMNS.iter().zip(child_cells(child)) {
                value[name] = json!(text);
            }
            value["runs"] = json!(child.runs);
            value["runs_read"] = json!(child.runs_read);
            value["minutes"] = json!(if child.runs_read > 0 { child.minutes } else { f64::NAN });
            value["minutes_kept"] = json!(child.minutes_kept);
            value
        })
        .collect();
    let scans: Vec<Value> = found
        .scans
        .iter()
        .map(|scan| json!({ "scan": scan.scan, "problems": texts(&scan.problems), "warnings": texts(&scan.warnings) }))
        .collect();
    json!({
        "version": env!("CARGO_PKG_VERSION"),
        "caution": CAUTION,
        "settings": study.settings_json(),
        "notes": found.notes,
        "scans": scans,
        "thresholds": rows,
        "children": children,
    })
}

/// Writes all four files; `json` is what [`json()`] gave.
///
/// # Errors
/// [`WriteError`] with the path.
pub fn write(study: &Study, found: &Thresholds, json: &Value) -> Result<(), WriteError> {
    let folder = Layout::new(&study.results).thresholds();
    for (name, bytes) in [
        ("thresholds.tsv", thresholds_table(found).into_bytes()),
        ("minutes.tsv", minutes_table(found)),
        ("thresholds.json", outputs::pretty(json).into_bytes()),
        ("thresholds.html", page::page(study, found).into_bytes()),
    ] {
        write_whole(&folder.join(name), &bytes)?;
    }
    Ok(())
}
