//! Motion tables: text, one row per frame, six columns found by name or position, in mm or m and rad or degrees.

use std::path::{Path, PathBuf};

use ndarray::{Array2, ArrayView2};

use super::MotionTrace;
use crate::study::settings::{MotionColumns, MotionSettings, RotationUnit, TranslationUnit};
use crate::tables::{self, TableError, TextTable};

/// What can be wrong with a motion table.
#[derive(Debug, thiserror::Error)]
pub enum ParametersError {
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(
        "{}: the table has no header line, but motion.columns gives names ({names}); give positions counted from 1 \
        instead, such as [1, 2, 3, 4, 5, 6]",
        path.display()
    )]
    NoHeader { path: PathBuf, names: String },
    #[error(
        "{}: there is no column \"{name}\"; the columns are {found}; set motion.columns in the study file to the \
         names (or positions) of the six motion columns",
        path.display()
    )]
    NoColumn { path: PathBuf, name: String, found: String },
    #[error(
        "{}: motion.columns asks for column {position}, but the table has {columns}; set motion.columns to the \
        positions of the six motion columns, counted from 1",
        path.display()
    )]
    NoPosition { path: PathBuf, position: usize, columns: usize },
    #[error(
        "{} line {line}: the motion parameter \"{column}\" has no value ({cell}); every frame needs all six, so \
         correct the table or leave the scan out",
        path.display()
    )]
    Missing { path: PathBuf, line: usize, column: String, cell: String },
}

/// Reads the six parameters of each frame, converted to mm and rad.
///
/// # Errors
/// [`ParametersError`], with file, line and column.
pub fn read(path: &Path, settings: &MotionSettings) -> Result<MotionTrace, ParametersError> {
    let table = tables::read_numeric(path)?;
    let columns = find_columns(&table, &settings.columns)?;
    let to_mm = match settings.translation_unit {
        TranslationUnit::Mm => 1.0,
        TranslationUnit::M => 1000.0,
    };
    let to_rad = match settings.rotation_unit {
        RotationUnit::Rad => 1.0,
        RotationUnit::Deg => std::f64::consts::PI / 180.0,
    };
    let mut values = Array2::zeros((table.rows.len(), 6));
    for (i, row) in table.rows.iter().enumerate() {
        for (j, &column) in columns.iter().enumerate() {
            let value = table.number(i, column)?.ok_or_else(|| ParametersError::Missing {
                path: path.to_owned(),
                line: row.line,
                column: column_name(&table, column),
                cell: match row.cells[column].as_str() {
                    "" => "empty".to_owned(),
                    text => text.to_owned(),
                },
            })?;
            values[[i, j]] = value * if j < 3 { to_mm } else { to_rad };
        }
    }
    Ok(MotionTrace {
        translations_mm: values.slice(ndarray::s![.., ..3]).to_owned(),
        rotations_rad: values.slice(ndarray::s![.., 3..]).to_owned(),
    })
}

/// Columns of a table's header that a message has room for (own convention).
const HEADER_NAMED: usize = 20;
/// A quarter turn.
const MOST_TURN_RAD: f64 = std::f64::consts::FRAC_PI_2;
/// Half a metre.
const MOST_SHIFT_MM: f64 = 500.0;
/// From frame to frame, a head's translations and its rotations on a sphere of 50 mm are of one size. A table in metres
/// has translations 1000 times too small, one in degrees rotations 57 times too large (own convention: between the two
/// sizes lies no head).
const MOST_UNLIKE: f64 = 30.0;
/// The sphere for this comparison, mm; Power et al. 2012, NeuroImage 59:2142.
const SPHERE_MM: f64 = 50.0;

/// Hints that the units may be wrong, in words; none when the values are plausible.
///
/// The limits are far beyond what a coil allows, and are this project's own: such numbers are in
/// another unit.
#[must_use]
pub fn doubts(trace: &MotionTrace) -> Vec<String> {
    let largest = |a: ArrayView2<'_, f64>| a.iter().fold(0.0_f64, |m, v| m.max(v.abs()));
    let (shift, turn) = (largest(trace.translations_mm.view()), largest(trace.rotations_rad.view()));
    let mut doubts = Vec::new();
    if turn > MOST_TURN_RAD {
        doubts.push(format!(
            "the largest rotation is {turn:.3} rad ({:.0}°), more than a head in a coil can turn; is \
            motion.rotation_unit right?",
            turn.to_degrees()
        ));
    }
    if shift > MOST_SHIFT_MM {
        doubts.push(format!(
            "the largest translation is {shift:.1} mm, more than a head in a coil can move; is motion.translation_unit \
            right?"
        ));
    }
    let moved = |a: ArrayView2<'_, f64>| -> f64 {
        let rows = a.rows().into_iter();
        rows.clone().zip(rows.skip(1)).map(|(one, next)| (&next - &one).mapv(f64::abs).sum()).sum()
    };
    let (shifted, turned) = (moved(trace.translations_mm.view()), SPHERE_MM * moved(trace.rotations_rad.view()));
    let words = |small: &str, large: &str, unit: &str, other: &str| {
        format!(
            "from frame to frame, {small} are more than {MOST_UNLIKE} times smaller than {large} on a sphere of \
             {SPHERE_MM} mm, as in no head; are motion.{unit}, motion.{other} and motion.columns right?"
        )
    };
    if shifted * MOST_UNLIKE < turned {
        doubts.push(words("translations", "rotations", "translation_unit", "rotation_unit"));
    } else if turned * MOST_UNLIKE < shifted {
        doubts.push(words("rotations", "translations", "rotation_unit", "translation_unit"));
    }
    doubts
}

fn find_columns(table: &TextTable, wanted: &MotionColumns) -> Result<[usize; 6], ParametersError> {
    let mut found = [0; 6];
    match wanted {
        MotionColumns::Names(names) => {
            let Some(header) = &table.header else {
                return Err(ParametersError::NoHeader { path: table.path.clone(), names: names.join(", ") });
            };
            for (slot, name) in found.iter_mut().zip(names) {
                *slot = table.column(name).ok_or_else(|| ParametersError::NoColumn {
                    path: table.path.clone(),
                    name: name.clone(),
                    found: tables::first_few(header, HEADER_NAMED),
                })?;
            }
        }
        MotionColumns::Positions(positions) => {
            let columns = table.rows.first().map_or(0, |row| row.cells.len());
            for (slot, &position) in found.iter_mut().zip(positions) {
                if position < 1 || position > columns {
                    return Err(ParametersError::NoPosition { path: table.path.clone(), position, columns });
                }
                *slot = position - 1;
            }
        }
    }
    Ok(found)
}

fn column_name(table: &TextTable, column: usize) -> String {
    match &table.header {
        Some(header) => header[column].clone(),
        None => format!("column {}", column + 1),
    }
}
