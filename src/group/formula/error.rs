//! What can be wrong with a formula, or with the table that it is applied to.

/// What can be wrong with a formula or with the columns it names.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FormulaError {
    /// Something stands at a place where it cannot.
    #[error("the formula \"{formula}\" has {found} at character {place}, where {expected} was expected")]
    Unexpected { formula: String, place: usize, found: String, expected: &'static str },
    /// A form of R's formulas that is not supported.
    #[error("the formula \"{formula}\" has {found} at character {place}, which is not supported; {instead}")]
    NotSupported { formula: String, place: usize, found: String, instead: &'static str },
    /// One column both as numbers and as a factor, or with two references.
    #[error("the formula \"{formula}\" has both {one} and {other} at character {place}; write it one way only")]
    TwoWays { formula: String, place: usize, one: String, other: String },
    /// A power without the lower ones.
    #[error(
        "the formula has {term} without {lower}; add {lower}, for without it the fit would change with the place that \
         the column is counted from"
    )]
    PowerMissing { term: String, lower: String },
    /// A reference that no child has.
    #[error("the reference \"{reference}\" of factor({column}) occurs in no child; the levels are {levels}")]
    NoReference { column: String, reference: String, levels: String },
    /// A power of a column of words.
    #[error("the formula has {written}, but the column {column} holds words; only numbers have powers")]
    PowerOfWords { written: String, column: String },
    /// An interaction whose parts are not all in the formula.
    #[error("the formula has {term} without {part}; write {whole}, which stands for the interaction and its parts")]
    PartMissing { term: String, part: String, whole: String },
    /// A column that the table does not have.
    #[error(
        "the formula names the column {column}, which the table of children does not have{}; its columns are {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)"))
    )]
    NoSuchColumn { column: String, nearest: Option<String>, known: String },
    /// Two columns of one name.
    #[error("the formula names the column {column}, which the table of children has twice; rename one of them")]
    ColumnTwice { column: String },
    /// Columns of different lengths.
    #[error("the column {column} has {found} cells, but the table of children has {expected} rows")]
    Length { column: String, found: usize, expected: usize },
    /// Numbers and words in one column.
    #[error(
        "the column {column} holds numbers and, in row {row}, \"{text}\"; correct that cell, or write \
         factor({column}) to treat the column as names of groups"
    )]
    Mixed { column: String, row: usize, text: String },
    /// Infinity in a column.
    #[error("the column {column} holds a number that is not finite in row {row}; correct that cell")]
    NotFinite { column: String, row: usize },
    /// A factor that does not vary.
    #[error(
        "the column {column} holds \"{level}\" for every child who has a value in all columns of the formula; leave it \
         out of the formula"
    )]
    OneLevel { column: String, level: String },
    /// Levels that do not occur together.
    #[error(
        "no child with all columns of the formula has {cell}, so the interaction {term} cannot be estimated; leave it \
         out, or make one column of the combinations that occur and name it in place of {whole}"
    )]
    EmptyCell { cell: String, term: String, whole: String },
    /// A part of a column where rows are not in blocks.
    #[error(
        "the formula has {written}, but each row is by itself, so nothing varies within blocks; name the column \
         itself, or put related children together with --blocks"
    )]
    NoBlocks { written: String },
    /// No child has all columns.
    #[error("no child has a value in all columns of the formula ({columns}); leave one of them out")]
    NoRows { columns: String },
}
