//! The columns of `children.tsv` that are known before the first edge is read, as numbers or words.

use std::collections::BTreeSet;

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

/// Columns that are no covariates: who the child is, and what programs and reviewers wrote in words of their own.
const NO_COVARIATES: [&str; 7] =
    ["stem", "participant_id", "problem", "warnings", "reviewers", "review_reason", "results_digest"];

/// A column as numbers.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Covariate {
    pub name: String,
    /// One per row; NaN where the cell is empty.
    pub values: Vec<f64>,
    /// The word of each code, which count from 1; empty where the cells are numbers themselves.
    pub levels: Vec<String>,
}

/// The columns of numbers, and those of words with few different ones, as codes. A column of words with more than half
/// as many as children who have one may be free text, which may name somebody: it stays in `children.tsv` only (own
/// convention). A column without any value is left out.
pub(crate) fn covariates(header: &[String], children: &[Child]) -> Vec<Covariate> {
    let columns = columns(header, children).into_iter().filter(|(name, _)| !NO_COVARIATES.contains(&name.as_str()));
    columns.filter_map(|(name, column)| covariate(name, &column, children)).collect()
}

fn covariate(name: String, column: &Column, children: &[Child]) -> Option<Covariate> {
    if let Some(values) = column.all_numbers() {
        let some = values.iter().any(|value| value.is_finite());
        return some.then_some(Covariate { name, values, levels: Vec::new() });
    }
    let Column::Text(cells) = column else { return None };
    let levels: BTreeSet<&str> = cells.iter().filter_map(Option::as_deref).collect();
    let with_cell = children.iter().zip(cells).filter(|(_, cell)| cell.is_some());
    let with_cell = with_cell.map(|(child, _)| child.ids[0].as_str()).collect::<BTreeSet<_>>().len();
    if 2 * levels.len() > with_cell {
        return None;
    }
    let levels: Vec<&str> = levels.into_iter().collect();
    let code = |cell: &Option<String>| {
        let at = cell.as_deref().and_then(|word| levels.binary_search(&word).ok());
        at.map_or(f64::NAN, |at| (at + 1) as f64)
    };
    let values = cells.iter().map(code).collect();
    Some(Covariate { name, values, levels: levels.into_iter().map(str::to_owned).collect() })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn children(rows: &[&str]) -> (Vec<String>, Vec<Child>) {
        let header = ["participant_id", "age", "sex", "comment", "warnings", "empty"].map(str::to_owned).to_vec();
        let child = |(row, cells): (usize, &&str)| {
            let id = cells.split('\t').next().unwrap().to_owned();
            let (stem, ids) = (format!("{id}_{row}"), [id, "n/a".to_owned(), "n/a".to_owned()]);
            Child {
                row,
                results: 0,
                own_ids: ids.clone(),
                ids,
                own_stem: stem.clone(),
                stem,
                cells: (*cells).to_owned(),
                unlooked: false,
                review: "n/a".to_owned(),
                folder: String::new(),
                forms: Vec::new(),
                runs: Vec::new(),
                used: None,
            }
        };
        (header, rows.iter().enumerate().map(child).collect())
    }

    #[test]
    fn numbers_and_few_words_are_covariates_and_free_text_is_none() {
        let (header, children) = children(&[
            "sub-1\t9.5\tM\tsleepy\tx\tn/a",
            "sub-2\tn/a\tF\tn/a\tx\tn/a",
            "sub-3\t11\tn/a\tcried\tx\tn/a",
            "sub-4\t12\tM\tn/a\tx\tn/a",
            "sub-5\t7\tF\tn/a\tx\tn/a",
        ]);
        let found = covariates(&header, &children);
        assert_eq!(found.iter().map(|c| c.name.as_str()).collect::<Vec<_>>(), ["age", "sex"]);
        assert_eq!((found[0].values[0], found[0].values[2], found[0].levels.len()), (9.5, 11.0, 0));
        assert!(found[0].values[1].is_nan() && found[1].values[2].is_nan());
        assert_eq!(found[1].levels, ["F", "M"]);
        assert_eq!(found[1].values.iter().filter(|v| !v.is_nan()).copied().collect::<Vec<_>>(), [2.0, 1.0, 2.0, 1.0]);
    }

    #[test]
    fn words_are_counted_against_children_and_not_against_their_rows() {
        // Two rows per child: as many words as children, half as many as rows.
        let rows = ["sub-1\t1\tF\tAnn", "sub-1\t1\tF\tAnn", "sub-2\t1\tF\tBea", "sub-2\t1\tF\tBea"];
        let (header, children) = children(&rows);
        let names: Vec<String> = covariates(&header, &children).into_iter().map(|c| c.name).collect();
        assert_eq!(names, ["age", "sex"]);
    }
}
