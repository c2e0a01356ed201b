//! Reads the upper triangle of one child's matrix.
//!
//! In a `.tsv`, only the cells on and above the diagonal are turned into numbers. The rest are passed over but counted,
//! so that a truncated file is noticed. Numbers come out as the 32-bit floats that `keepstill run` wrote, bit for
//! bit.

use std::fs::{self, File};
use std::io::BufReader;
use std::path::Path;

use ndarray::{Array2, ArrayView2};
use ndarray_npy::ReadNpyExt;

use super::error::StackError;
use super::parcels::StackedAtlas;
use crate::group;
use crate::results::Form;

/// Reads a matrix: `edges` gets its upper triangle, row by row without the diagonal, `diagonal` its diagonal; both of
/// the atlas's parcels that are in the stack. NaN stands where there is no value.
pub(crate) fn read(
    path: &Path,
    form: Form,
    atlas: &StackedAtlas,
    edges: &mut [f32],
    diagonal: &mut [f32],
) -> Result<(), StackError> {
    match form {
        Form::Npy => read_npy(path, atlas, edges, diagonal),
        Form::Tsv => {
            let bytes = fs::read(path).map_err(|e| unreadable(path, &e))?;
            read_tsv(path, &bytes, atlas, edges, diagonal)
        }
    }
}

/// Rounding to single precision may carry a correlation of 1 beyond 1 by so much (own convention: ten units in the last
/// place).
const ROUNDING: f32 = 1e-6;

/// Refuses values that no correlation can have: clipped, they would pass for a very large one.
pub(crate) fn require_correlations(path: &Path, atlas: &StackedAtlas, edges: &[f32]) -> Result<(), StackError> {
    let Some(edge) = edges.iter().position(|r| r.abs() > 1.0 + ROUNDING) else { return Ok(()) };
    let parcels = atlas.stacked();
    let pair = group::edges(parcels.len()).nth(edge);
    let pair = pair.map_or(String::new(), |(i, j)| format!("{} with {}", parcels[i].name, parcels[j].name));
    Err(StackError::NoCorrelation { path: path.to_owned(), pair, found: edges[edge] })
}

fn unreadable(path: &Path, error: &dyn std::fmt::Display) -> StackError {
    StackError::Unreadable { path: path.to_owned(), message: error.to_string() }
}

fn wrong_size(path: &Path, atlas: &StackedAtlas, found: String) -> StackError {
    StackError::Size { path: path.to_owned(), found, expected: atlas.parcels.len(), like: atlas.like.clone() }
}

fn read_npy(path: &Path, atlas: &StackedAtlas, edges: &mut [f32], diagonal: &mut [f32]) -> Result<(), StackError> {
    let file = File::open(path).map_err(|e| unreadable(path, &e))?;
    let matrix = Array2::<f32>::read_npy(BufReader::new(file)).map_err(|e| unreadable(path, &e))?;
    let parcels = atlas.parcels.len();
    if matrix.dim() != (parcels, parcels) {
        let (rows, columns) = matrix.dim();
        return Err(wrong_size(path, atlas, format!("{rows} rows and {columns} columns")));
    }
    take(matrix.view(), atlas, edges, diagonal);
    Ok(())
}

/// Takes the upper triangle and the diagonal, of the parcels in the stack, out of a matrix over all.
pub(crate) fn take(matrix: ArrayView2<'_, f32>, atlas: &StackedAtlas, edges: &mut [f32], diagonal: &mut [f32]) {
    if let (Some(values), true) = (matrix.as_slice(), atlas.used.iter().all(|used| *used)) {
        let (parcels, mut rest) = (atlas.parcels.len(), edges);
        for (i, to) in diagonal.iter_mut().enumerate() {
            let right = &values[i * parcels + i..(i + 1) * parcels];
            let (own, after) = rest.split_at_mut(right.len() - 1);
            *to = right[0];
            own.copy_from_slice(&right[1..]);
            rest = after;
        }
        return;
    }
    let mut edge = edges.iter_mut();
    let mut diagonal = diagonal.iter_mut();
    for (i, row) in matrix.rows().into_iter().enumerate().filter(|(i, _)| atlas.used[*i]) {
        diagonal.next().into_iter().for_each(|to| *to = row[i]);
        let right = row.iter().zip(&atlas.used).skip(i + 1).filter(|(_, used)| **used);
        right.zip(&mut edge).for_each(|((from, _), to)| *to = *from);
    }
}

fn read_tsv(
    path: &Path,
    bytes: &[u8],
    atlas: &StackedAtlas,
    edges: &mut [f32],
    diagonal: &mut [f32],
) -> Result<(), StackError> {
    let parcels = atlas.parcels.len();
    // A number that was cut off is still a number, so the last line must have its end.
    let Some(whole) = bytes.strip_suffix(b"\n") else {
        return Err(unreadable(path, &"it ends in the middle of a line"));
    };
    let mut lines = whole.split(|&b| b == b'\n');
    let header = lines.next().unwrap_or_default();
    // The header first: a matrix of another atlas is refused for its size, not for its first odd row.
    let columns = header.iter().filter(|&&b| b == b'\t').count();
    if columns != parcels {
        return Err(wrong_size(path, atlas, format!("{columns} columns")));
    }
    let other = |position: usize, line: usize, found: &[u8]| StackError::OtherParcel {
        path: path.to_owned(),
        line,
        position: position + 1,
        found: String::from_utf8_lossy(found).into_owned(),
        expected: atlas.parcels[position].name.clone(),
        like: atlas.like.clone(),
    };
    for (position, name) in header.split(|&b| b == b'\t').skip(1).enumerate() {
        if name != atlas.parcels[position].name.as_bytes() {
            return Err(other(position, 1, name));
        }
    }
    let (mut edge, mut on_diagonal) = (edges.iter_mut(), diagonal.iter_mut());
    let mut rows = 0;
    for (i, line) in lines.enumerate() {
        let number = i + 2;
        rows += 1;
        if i >= parcels {
            continue;
        }
        let cells = 1 + line.iter().filter(|&&b| b == b'\t').count();
        if cells != parcels + 1 {
            return Err(StackError::Ragged { path: path.to_owned(), line: number, cells, expected: parcels + 1 });
        }
        let mut cells = line.split(|&b| b == b'\t');
        let name = cells.next().unwrap_or_default();
        if name != atlas.parcels[i].name.as_bytes() {
            return Err(other(i, number, name));
        }
        if !atlas.used[i] {
            continue;
        }
        for (j, cell) in cells.enumerate().skip(i).filter(|(j, _)| atlas.used[*j]) {
            let value = value(cell).ok_or_else(|| StackError::NotANumber {
                path: path.to_owned(),
                line: number,
                position: j + 1,
                found: String::from_utf8_lossy(cell).into_owned(),
            })?;
            let to = if j == i { on_diagonal.next() } else { edge.next() };
            to.into_iter().for_each(|to| *to = value);
        }
    }
    if rows == parcels { Ok(()) } else { Err(wrong_size(path, atlas, format!("{rows} rows"))) }
}

/// A cell as `keepstill run` writes it.
fn value(cell: &[u8]) -> Option<f32> {
    if cell == b"n/a" {
        return Some(f32::NAN);
    }
    std::str::from_utf8(cell).ok()?.trim().parse().ok()
}
