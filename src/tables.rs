//! Delimited text: how every table that people hand in is read, and how numbers are written.
//!
//! There are two readers, because there are two kinds of table. [`read_tsv`] takes the tables of the BIDS form (scan
//! table, participants, atlas labels, watch log): tab-separated, a header line, UTF-8, `n/a` for missing (BIDS
//! specification, "Tabular files"). [`read_numeric`] takes the loose tables of numbers that motion estimation leaves
//! behind: tabs, commas or runs of blanks, with or without a header line, with `#` comments.
//!
//! Both keep the line number of every row, so that later messages can name the line. Both refuse a row whose number of
//! cells differs from the first row's, since shifted columns are wrong numbers that look right.

mod words;

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

pub use words::{and, counted, figures, first_few, p_words};

/// A table with more bytes than this must be a wrong file: an hour of frames with a hundred columns is under 10 MB
/// (common practice).
const LARGEST_TABLE: u64 = 256 * 1024 * 1024;

/// Cells of a text table, with the line each row came from.
#[derive(Debug, Clone, PartialEq)]
pub struct TextTable {
    pub path: PathBuf,
    /// Column names, if the file has a header line.
    pub header: Option<Vec<String>>,
    /// Rows in file order, all with the same count of cells.
    pub rows: Vec<TextRow>,
}

/// One row; blanks around cells are removed.
#[derive(Debug, Clone, PartialEq)]
pub struct TextRow {
    /// Line in the file, counted from 1.
    pub line: usize,
    pub cells: Vec<String>,
}

/// Why a table could not be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TableError {
    #[error("cannot read {}: {reason}; check the path and that the file may be read", path.display())]
    Unreadable { path: PathBuf, reason: String },
    #[error("{} is a folder, where a text table was expected; name a file in it", path.display())]
    Folder { path: PathBuf },
    #[error(
        "{} has {bytes} bytes, more than the {limit} that a table may have; is this the right file?",
        path.display()
    )]
    TooLarge { path: PathBuf, bytes: u64, limit: u64 },
    #[error("{} line {line}: not text (a zero byte was found); give a plain text table", path.display())]
    NotText { path: PathBuf, line: usize },
    #[error("{} is written in UTF-16; save it as UTF-8 text", path.display())]
    Utf16 { path: PathBuf },
    #[error("{} line {line}: bytes that are not UTF-8; save the table as UTF-8 text", path.display())]
    NotUtf8 { path: PathBuf, line: usize },
    #[error("{} is empty; expected a header line and rows", path.display())]
    Empty { path: PathBuf },
    #[error("{} has no rows; expected one row per frame", path.display())]
    NoRows { path: PathBuf },
    #[error("{} line {line}: no tab in the header line '{found}'; the table must be separated by tabs", path.display())]
    NotTabs { path: PathBuf, line: usize, found: String },
    #[error("{} line {line}: cells separated by semicolons; separate them by tabs, commas or blanks", path.display())]
    Semicolons { path: PathBuf, line: usize },
    #[error(
        "{} line {line}: {found} cells, expected {expected} as in line {first}; fill gaps with n/a",
        path.display()
    )]
    Ragged { path: PathBuf, line: usize, found: usize, expected: usize, first: usize },
    #[error("{} line {line}: column {column} has no name; name every column of the header line", path.display())]
    UnnamedColumn { path: PathBuf, line: usize, column: usize },
    #[error("{} line {line}: column '{name}' appears twice (columns {first} and {second}); rename or remove one",
        path.display())]
    DuplicateColumn { path: PathBuf, line: usize, name: String, first: usize, second: usize },
    #[error("{} line {line}, {column}: '{found}' is not a number; write a number there", path.display())]
    NotANumber { path: PathBuf, line: usize, column: String, found: String },
    #[error("{} line {line}, {column}: '{found}' is not finite; write a finite number there", path.display())]
    NotFinite { path: PathBuf, line: usize, column: String, found: String },
    #[error("{} has {rows} rows and {columns} columns; row {row}, column {column} does not exist", path.display())]
    NoSuchCell { path: PathBuf, rows: usize, columns: usize, row: usize, column: usize },
}

impl TextTable {
    /// Position (from 0) of the column of this name; names are compared exactly.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.header.as_ref()?.iter().position(|column| column == name)
    }

    /// Count of columns; 0 for a table without header and rows.
    #[must_use]
    pub fn columns(&self) -> usize {
        match (&self.header, self.rows.first()) {
            (Some(header), _) => header.len(),
            (None, Some(row)) => row.cells.len(),
            (None, None) => 0,
        }
    }

    /// What messages call a column: by its name, or by its position counted from 1.
    #[must_use]
    pub fn column_label(&self, col: usize) -> String {
        match self.header.as_ref().and_then(|header| header.get(col)) {
            Some(name) if !name.is_empty() => format!("column '{name}'"),
            _ => format!("column {}", col + 1),
        }
    }

    /// The number in a cell; `row` and `col` count from 0. None where the cell is [`missing`].
    ///
    /// # Errors
    /// Text that is no number, an infinite number, and a cell outside the table.
    pub fn number(&self, row: usize, col: usize) -> Result<Option<f64>, TableError> {
        let Some((line, cell)) = self.rows.get(row).and_then(|r| Some((r.line, r.cells.get(col)?))) else {
            let (path, rows, columns) = (self.path.clone(), self.rows.len(), self.columns());
            return Err(TableError::NoSuchCell { path, rows, columns, row: row + 1, column: col + 1 });
        };
        number(&self.path, line, cell, || self.column_label(col))
    }
}

/// The number in a cell; none where it is [`missing`].
fn number(path: &Path, line: usize, cell: &str, label: impl Fn() -> String) -> Result<Option<f64>, TableError> {
    if missing(cell) {
        return Ok(None);
    }
    let given = || (path.to_owned(), label(), cell.to_owned());
    match cell.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        Ok(value) if value.is_nan() => Ok(None),
        Ok(_) => {
            let (path, column, found) = given();
            Err(TableError::NotFinite { path, line, column, found })
        }
        Err(_) => {
            let (path, column, found) = given();
            Err(TableError::NotANumber { path, line, column, found })
        }
    }
}

/// A table of the BIDS form whose rows are read one after the other, for tables with one row per child: it holds the
/// file's text, not every cell.
#[derive(Debug)]
pub struct Tsv {
    path: PathBuf,
    text: String,
    /// Column names.
    pub header: Vec<String>,
    /// Line of the header.
    first: usize,
}

impl Tsv {
    /// Reads the file and its header line; see [`read_tsv`].
    ///
    /// # Errors
    /// Those errors of [`read_tsv`] that do not concern a row.
    pub fn open(path: &Path) -> Result<Self, TableError> {
        let text = read_text(path)?;
        let Some((first, header_line)) = lines_of(&text).next() else {
            return Err(TableError::Empty { path: path.to_owned() });
        };
        let header = split_tabs(header_line);
        // One column is a legal table, but not if its name looks like several.
        if header.len() == 1 && header[0].contains([',', ';', ' ']) {
            let found = shortened(&header[0]);
            return Err(TableError::NotTabs { path: path.to_owned(), line: first, found });
        }
        if let Some(at) = header.iter().position(String::is_empty) {
            return Err(TableError::UnnamedColumn { path: path.to_owned(), line: first, column: at + 1 });
        }
        refuse_duplicates(path, first, &header)?;
        Ok(Self { path: path.to_owned(), text, header, first })
    }

    /// The rows in file order.
    ///
    /// # Errors
    /// A ragged row.
    pub fn rows(&self) -> impl Iterator<Item = Result<TextRow, TableError>> {
        lines_of(&self.text).skip(1).map(|(line, text)| {
            let cells = split_tabs(text);
            refuse_ragged(&self.path, line, cells.len(), self.first, self.header.len())?;
            Ok(TextRow { line, cells })
        })
    }

    /// Gives the line and the cells of each row, in file order: for many tables, since no cell is copied.
    ///
    /// # Errors
    /// A ragged row, and those of `each`.
    pub fn each_row<E: From<TableError>>(
        &self,
        mut each: impl FnMut(usize, &[&str]) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut cells = Vec::with_capacity(self.header.len());
        for (line, text) in lines_of(&self.text).skip(1) {
            cells.clear();
            cells.extend(text.split('\t').map(str::trim));
            refuse_ragged(&self.path, line, cells.len(), self.first, self.header.len())?;
            each(line, &cells)?;
        }
        Ok(())
    }

    /// The header line and the lines of the rows as they stand in the file.
    pub fn lines(&self) -> impl Iterator<Item = &str> {
        lines_of(&self.text).map(|(_, line)| line)
    }

    /// Position (from 0) of the column of this name; names are compared exactly.
    #[must_use]
    pub fn column(&self, name: &str) -> Option<usize> {
        self.header.iter().position(|column| column == name)
    }

    /// The number in a row's cell, which must be there. None where the cell is [`missing`].
    ///
    /// # Errors
    /// Text that is no number, and an infinite number.
    pub fn number(&self, row: &TextRow, col: usize) -> Result<Option<f64>, TableError> {
        self.number_in(row.line, &row.cells[col], col)
    }

    /// The number in a cell of this line and column. None where the cell is [`missing`].
    ///
    /// # Errors
    /// Text that is no number, and an infinite number.
    pub fn number_in(&self, line: usize, cell: &str, col: usize) -> Result<Option<f64>, TableError> {
        number(&self.path, line, cell, || format!("column '{}'", self.header[col]))
    }
}

/// Lines with something in them, numbered from 1.
fn lines_of(text: &str) -> impl Iterator<Item = (usize, &str)> {
    numbered_lines(text).filter(|(_, line)| !line.trim().is_empty())
}

/// Whether a cell of text is empty or `n/a`. `nan` is text here: a child may well be called Nan.
#[must_use]
pub fn absent(cell: &str) -> bool {
    let cell = cell.trim();
    cell.is_empty() || cell.eq_ignore_ascii_case("n/a")
}

/// Whether a cell has no value: empty, `n/a` or `NaN`, in upper or lower case.
#[must_use]
pub fn missing(cell: &str) -> bool {
    absent(cell) || cell.trim().eq_ignore_ascii_case("nan")
}

/// Whether a cell of a children's table has no value for group statistics: empty, `n/a` (BIDS), `NA` (R) or `NaN`, in
/// upper or lower case, with blanks around it trimmed. A factor's level cannot have such a name.
#[must_use]
pub fn no_value(cell: &str) -> bool {
    missing(cell) || cell.trim().eq_ignore_ascii_case("na")
}

/// Reads a table of the BIDS form: tab-separated, header line, UTF-8 (a byte order mark is dropped), any line ends.
/// Lines of blanks and tabs alone are skipped; a table without rows is allowed.
///
/// # Errors
/// See [`TableError`]; among others a ragged row and a column name that is empty or appears twice.
pub fn read_tsv(path: &Path) -> Result<TextTable, TableError> {
    let table = Tsv::open(path)?;
    let rows = table.rows().collect::<Result<Vec<TextRow>, TableError>>()?;
    Ok(TextTable { path: table.path, header: Some(table.header), rows })
}

/// Reads a table of numbers: separated by tabs, else commas, else runs of blanks, whichever the first line has. The
/// first line is a header if one of its cells is neither a number nor [`missing`]. Lines that start with `#` and blank
/// lines are skipped. Names may stand in double quotes.
///
/// # Errors
/// See [`TableError`]; among others a table without rows, a ragged row, a column name that appears twice.
pub fn read_numeric(path: &Path) -> Result<TextTable, TableError> {
    let text = read_text(path)?;
    let mut lines = numbered_lines(&text)
        .filter(|(_, line)| {
            let line = line.trim_start();
            !line.is_empty() && !line.starts_with('#')
        })
        .peekable();
    let Some(&(first, first_line)) = lines.peek() else {
        return Err(TableError::Empty { path: path.to_owned() });
    };
    if first_line.contains(';') {
        return Err(TableError::Semicolons { path: path.to_owned(), line: first });
    }
    let separator = Separator::of(first_line);
    let names = separator.split(first_line);
    let is_header = names.iter().any(|cell| !missing(cell) && cell.parse::<f64>().is_err());
    let width = names.len();
    let header = if is_header {
        lines.next();
        refuse_duplicates(path, first, &names)?;
        Some(names)
    } else {
        None
    };
    let mut rows = Vec::new();
    for (line, text) in lines {
        let cells = separator.split(text);
        refuse_ragged(path, line, cells.len(), first, width)?;
        rows.push(TextRow { line, cells });
    }
    if rows.is_empty() {
        return Err(TableError::NoRows { path: path.to_owned() });
    }
    Ok(TextTable { path: path.to_owned(), header, rows })
}

/// The known word nearest to a mistyped one, if it is near enough to be worth asking about: at most a third of the
/// word's letters wrong (and at least one allowed), by edits and swaps of neighbours (Damerau 1964, Commun ACM 7:171).
/// Upper and lower case count as equal; of equally near words the first wins. Where none is near enough, it is the
/// first known word that begins with the given word, if that has three letters or more.
#[must_use]
pub fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let word: Vec<char> = word.to_lowercase().chars().collect();
    let allowed = (word.len() / 3).max(1);
    let mut best: Option<(usize, &str)> = None;
    let mut begun = None;
    for candidate in known {
        let letters: Vec<char> = candidate.to_lowercase().chars().collect();
        if word.len() >= 3 && letters.starts_with(&word) {
            begun = begun.or(Some(candidate));
        }
        if letters.len().abs_diff(word.len()) > allowed {
            continue;
        }
        let distance = edit_distance(&word, &letters);
        if distance <= allowed && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, candidate));
        }
    }
    best.map(|(_, candidate)| candidate).or(begun)
}

/// Appends a number with the fewest digits that read back as the same `f32`; `n/a` for what is not finite as `f32`.
/// The sign of zero is dropped.
pub fn write_number_f32(out: &mut Vec<u8>, v: f64) {
    #[allow(clippy::cast_possible_truncation)]
    let v = v as f32;
    if !v.is_finite() {
        out.extend_from_slice(b"n/a");
    } else if v == 0.0 {
        out.push(b'0');
    } else {
        // serde_json finds the shortest text four times as fast as `Display`. Writing to memory cannot fail.
        let _ = serde_json::to_writer(&mut *out, &v);
        if out.ends_with(b".0") {
            out.truncate(out.len() - 2);
        }
    }
}

#[derive(Clone, Copy)]
enum Separator {
    Tab,
    Comma,
    Blanks,
}

impl Separator {
    fn of(line: &str) -> Self {
        // Tabs first: a tab-separated header may hold commas. Blanks around the line are padding, not cells.
        if line.trim().contains('\t') {
            Self::Tab
        } else if line.contains(',') {
            Self::Comma
        } else {
            Self::Blanks
        }
    }

    fn split(self, line: &str) -> Vec<String> {
        match self {
            Self::Tab if line.contains('"') => split_quoted(line, b'\t'),
            Self::Tab => split_tabs(line),
            Self::Comma if line.contains('"') => split_quoted(line, b','),
            Self::Comma => line.split(',').map(|cell| cell.trim().to_owned()).collect(),
            Self::Blanks => line.split_whitespace().map(|cell| cell.trim_matches('"').to_owned()).collect(),
        }
    }
}

fn split_tabs(line: &str) -> Vec<String> {
    line.split('\t').map(|cell| cell.trim().to_owned()).collect()
}

/// Splits one line with quotes. This is done line by line, since the csv reader does not give the right line number
/// after skipped lines.
fn split_quoted(line: &str, delimiter: u8) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .trim(csv::Trim::All)
        .delimiter(delimiter)
        .from_reader(line.as_bytes());
    match reader.records().next() {
        Some(Ok(record)) => record.iter().map(str::to_owned).collect(),
        _ => vec![line.to_owned()],
    }
}

fn refuse_duplicates(path: &Path, line: usize, header: &[String]) -> Result<(), TableError> {
    for (second, name) in header.iter().enumerate() {
        if name.is_empty() {
            continue;
        }
        if let Some(first) = header[..second].iter().position(|earlier| earlier == name) {
            let (path, name) = (path.to_owned(), name.clone());
            return Err(TableError::DuplicateColumn { path, line, name, first: first + 1, second: second + 1 });
        }
    }
    Ok(())
}

fn refuse_ragged(path: &Path, line: usize, found: usize, first: usize, expected: usize) -> Result<(), TableError> {
    if found == expected {
        return Ok(());
    }
    Err(TableError::Ragged { path: path.to_owned(), line, found, expected, first })
}

/// Lines with their number from 1, for `\n`, `\r\n` and the lone `\r` of old spreadsheets.
fn numbered_lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let end = if text.contains('\n') { '\n' } else { '\r' };
    text.split(end).enumerate().map(|(i, line)| (i + 1, line.strip_suffix('\r').unwrap_or(line)))
}

fn read_text(path: &Path) -> Result<String, TableError> {
    let unreadable = |e: std::io::Error| TableError::Unreadable { path: path.to_owned(), reason: e.to_string() };
    let mut file = File::open(path).map_err(unreadable)?;
    let about = file.metadata().map_err(unreadable)?;
    if about.is_dir() {
        return Err(TableError::Folder { path: path.to_owned() });
    }
    if about.len() > LARGEST_TABLE {
        return Err(TableError::TooLarge { path: path.to_owned(), bytes: about.len(), limit: LARGEST_TABLE });
    }
    let mut bytes = Vec::new();
    file.by_ref().take(LARGEST_TABLE).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err(TableError::Utf16 { path: path.to_owned() });
    }
    if let Some(at) = bytes.iter().position(|&b| b == 0) {
        return Err(TableError::NotText { path: path.to_owned(), line: line_of(&bytes, at) });
    }
    if bytes.starts_with(&[0xef, 0xbb, 0xbf]) {
        bytes.drain(..3);
    }
    String::from_utf8(bytes).map_err(|e| {
        let line = line_of(e.as_bytes(), e.utf8_error().valid_up_to());
        TableError::NotUtf8 { path: path.to_owned(), line }
    })
}

fn line_of(bytes: &[u8], at: usize) -> usize {
    1 + bytes[..at].iter().filter(|&&b| b == b'\n').count()
}

fn shortened(text: &str) -> String {
    let mut short: String = text.chars().take(60).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

/// Optimal string alignment distance by three rolling rows.
fn edit_distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = vec![0; b.len() + 1];
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let change = last[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            row[j] = change.min(last[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests;
