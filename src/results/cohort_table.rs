//! `cohort.tsv`, read back.
//!
//! Cells are found by the names of their columns. Writing some columns anew leaves every other byte of the lines alone.

use std::fs::File;
use std::path::{Path, PathBuf};

use super::layout::Layout;
use crate::tables::{self, TextRow, Tsv, absent};

/// Why the cohort table cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum CohortTableError {
    #[error(transparent)]
    Table(#[from] tables::TableError),
    #[error("{}: the cohort table has no column \"{column}\"; do `keepstill run` again to write it anew",
        path.display())]
    NoColumn { path: PathBuf, column: &'static str },
    #[error("{}: cannot be read: {message}; check its permissions", path.display())]
    Unreadable { path: PathBuf, message: String },
}

/// The cohort table of a results folder.
#[derive(Debug)]
pub struct CohortTable {
    path: PathBuf,
    table: Tsv,
}

impl CohortTable {
    /// Reads the file and its header line.
    ///
    /// # Errors
    /// When it cannot be read, or the header line is none.
    pub fn open(results: &Path) -> Result<Self, CohortTableError> {
        let path = Layout::new(results).cohort_table();
        let table = Tsv::open(&path)?;
        Ok(Self { path, table })
    }

    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Names of the columns, in order.
    #[must_use]
    pub fn header(&self) -> &[String] {
        &self.table.header
    }

    /// Position of a column, from 0.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.table.column(name)
    }

    /// Position of a column that must be there.
    ///
    /// # Errors
    /// When it is not.
    pub fn need(&self, name: &'static str) -> Result<usize, CohortTableError> {
        self.column(name).ok_or_else(|| CohortTableError::NoColumn { path: self.path.clone(), column: name })
    }

    /// The rows in file order, with blanks around cells trimmed.
    ///
    /// # Errors
    /// A row with another number of cells than the header has.
    pub fn rows(&self) -> impl Iterator<Item = Result<TextRow, CohortTableError>> {
        self.table.rows().map(|row| row.map_err(CohortTableError::from))
    }

    /// The number in a row's cell; none where there is no value.
    ///
    /// # Errors
    /// Text that is no number, and an infinite number.
    pub fn number(&self, row: &TextRow, column: usize) -> Result<Option<f64>, CohortTableError> {
        Ok(self.table.number(row, column)?)
    }

    /// The text in a row's cell; none where it is empty or `n/a`.
    #[must_use]
    pub fn text<'r>(&self, row: &'r TextRow, column: usize) -> Option<&'r str> {
        row.cells.get(column).map(String::as_str).filter(|cell| !absent(cell))
    }

    /// The whole table, and the same with other cells under some columns: `cells` has one entry per row, each with one
    /// text per column.
    #[must_use]
    pub fn rewritten<const N: usize>(&self, columns: [usize; N], cells: &[[String; N]]) -> Rewritten {
        let (mut before, mut after) = (String::new(), String::new());
        for (at, line) in self.table.lines().enumerate() {
            let mut texts: Vec<&str> = line.split('\t').collect();
            before += &(texts.join("\t") + "\n");
            if let Some(cells) = at.checked_sub(1).and_then(|row| cells.get(row)) {
                for (column, cell) in columns.into_iter().zip(cells) {
                    texts[column] = cell;
                }
            }
            after += &(texts.join("\t") + "\n");
        }
        Rewritten { changed: before != after, text: after }
    }

    /// BLAKE3 of the file, hex.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn digest(&self) -> Result<String, CohortTableError> {
        let fail = |e: std::io::Error| CohortTableError::Unreadable { path: self.path.clone(), message: e.to_string() };
        let mut hasher = blake3::Hasher::new();
        hasher.update_reader(File::open(&self.path).map_err(fail)?).map_err(fail)?;
        Ok(hasher.finalize().to_hex().to_string())
    }
}

/// The table's text with some cells written anew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rewritten {
    pub text: String,
    pub changed: bool,
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn opened(text: &str) -> (tempfile::TempDir, CohortTable) {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("cohort.tsv"), text).unwrap();
        let table = CohortTable::open(folder.path()).unwrap();
        (folder, table)
    }

    #[test]
    fn cells_are_found_by_column() {
        let (_folder, table) = opened("participant_id\tminutes_kept\tnote\nsub-1\t4.5\t n/a \nsub-2\tn/a\tb\n");
        let (minutes, note) = (table.need("minutes_kept").unwrap(), table.need("note").unwrap());
        let rows: Vec<TextRow> = table.rows().map(Result::unwrap).collect();
        assert_eq!(rows.iter().map(|row| row.line).collect::<Vec<_>>(), [2, 3]);
        let numbers: Vec<Option<f64>> = rows.iter().map(|row| table.number(row, minutes).unwrap()).collect();
        assert_eq!(numbers, [Some(4.5), None]);
        assert_eq!(rows.iter().map(|row| table.text(row, note)).collect::<Vec<_>>(), [None, Some("b")]);
        let missing = table.need("run_id").unwrap_err().to_string();
        assert!(missing.contains("has no column \"run_id\""), "{missing}");
        assert_eq!(table.digest().unwrap(), blake3::hash(&fs::read(table.path()).unwrap()).to_hex().to_string());
    }

    #[test]
    fn other_cells_stay_as_they_are() {
        let (_folder, table) = opened("id\treview\tnote\nsub-1\tn/a\t a \"b\"\nsub-2\tinclude\tc\n");
        let cells = [["unsure".to_owned()], ["include".to_owned()]];
        let rewritten = table.rewritten([1], &cells);
        assert_eq!(rewritten.text, "id\treview\tnote\nsub-1\tunsure\t a \"b\"\nsub-2\tinclude\tc\n");
        assert!(rewritten.changed);
        assert!(!table.rewritten([1], &[["n/a".to_owned()], ["include".to_owned()]]).changed);
    }
}
