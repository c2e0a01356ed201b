//! What is regressed out: motion terms, tissue means, the global signal, tissue components, chosen columns of a table.

use std::path::{Path, PathBuf};

use ndarray::{Array2, ArrayView2, s};

use crate::tables::{self, TableError};

/// What can be wrong with a confounds table.
#[derive(Debug, thiserror::Error)]
pub enum ConfoundsError {
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(
        "{}: the confounds table has no header line, but clean.confound_columns gives names; add a header line",
        path.display()
    )]
    NoHeader { path: PathBuf },
    #[error(
        "{}: there is no column \"{name}\"{}; correct clean.confound_columns in the study file",
        path.display(), nearest.as_ref().map(|n| format!(" (is \"{n}\" meant?)")).unwrap_or_default()
    )]
    NoColumn { path: PathBuf, name: String, nearest: Option<String> },
    #[error(
        "{} line {line}: the confound \"{name}\" has no value; only the first row of a column may be empty (it counts \
         as 0); fill the gap or leave the column out",
        path.display()
    )]
    Missing { path: PathBuf, line: usize, name: String },
}

/// Reads chosen columns, frames × columns; a missing value in the first row counts as 0 (derivatives have no value
/// there).
///
/// # Errors
/// [`ConfoundsError`], with file, line and column.
pub fn read(path: &Path, columns: &[String]) -> Result<Array2<f64>, ConfoundsError> {
    let table = tables::read_numeric(path)?;
    let Some(header) = &table.header else {
        return Err(ConfoundsError::NoHeader { path: path.to_owned() });
    };
    let mut values = Array2::zeros((table.rows.len(), columns.len()));
    for (j, name) in columns.iter().enumerate() {
        let column = table.column(name).ok_or_else(|| ConfoundsError::NoColumn {
            path: path.to_owned(),
            name: name.clone(),
            nearest: tables::nearest(name, header.iter().map(String::as_str)).map(str::to_owned),
        })?;
        for (i, row) in table.rows.iter().enumerate() {
            values[[i, j]] = match table.number(i, column)? {
                Some(value) => value,
                None if i == 0 => 0.0,
                None => {
                    return Err(ConfoundsError::Missing { path: path.to_owned(), line: row.line, name: name.clone() });
                }
            };
        }
    }
    Ok(values)
}

/// Puts confounds side by side, settling frames cut: (frames − settling) × all columns.
///
/// `blocks` are frames × any number.
///
/// # Panics
/// When a block has another number of rows than `frames`.
#[must_use]
pub fn side_by_side(blocks: &[ArrayView2<'_, f64>], frames: usize, settling: usize) -> Array2<f64> {
    let columns = blocks.iter().map(|b| b.ncols()).sum();
    let settling = settling.min(frames);
    let mut out = Array2::zeros((frames - settling, columns));
    let mut at = 0;
    for block in blocks {
        out.slice_mut(s![.., at..at + block.ncols()]).assign(&block.slice(s![settling..frames, ..]));
        at += block.ncols();
    }
    out
}
