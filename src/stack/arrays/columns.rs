//! The columns of `children.tsv` that are known before the first edge is read, as numbers or words.

use super::tables::child_column;
use crate::group::formula::Column;
use crate::stack::gather::children::{Child, FramesUsed};

/// The stem, all columns of the cohort table, and what is used where that is not all.
pub(crate) fn columns(header: &[String], children: &[Child]) -> Vec<(String, Column)> {
    let cells: Vec<Vec<&str>> = children.iter().map(|child| child.cells.split('\t').collect()).collect();
    let mut columns = vec![("stem".to_owned(), Column::from_cells(children.iter().map(|c| c.stem.as_str())))];
    for (at, name) in header.iter().enumerate() {
        let column = Column::from_cells(cells.iter().map(|row| row.get(at).copied().unwrap_or_default()));
        columns.push((child_column(name).to_owned(), column));
    }
    if children.iter().any(|child| child.used.is_some()) {
        let of = |f: fn(FramesUsed) -> f64| {
            Column::Number(children.iter().map(|child| child.used.map_or(f64::NAN, f)).collect())
        };
        columns.push(("frames_used".to_owned(), of(|used| used.frames as f64)));
        columns.push(("minutes_used".to_owned(), of(|used| used.minutes)));
        columns.push(("dof_used".to_owned(), of(|used| used.dof)));
    }
    columns
}

/// The columns of numbers, each with its name: at least one child has a number, and nobody has a word.
pub(crate) fn numbers(header: &[String], children: &[Child]) -> Vec<(String, Vec<f64>)> {
    let number = |(name, column): (String, Column)| match column {
        Column::Number(values) if values.iter().any(|value| value.is_finite()) => Some((name, values)),
        _ => None,
    };
    columns(header, children).into_iter().filter_map(number).collect()
}
