//! `between(a)` and `within(a)`: a column's means over blocks of rows, and the distances from them.

use super::{FormulaError, Part, Variable};
use crate::group::exchange::Blocks;

/// Columns of a design with their names.
pub(super) type Coded = Vec<(String, Vec<f64>)>;

/// The part of its columns that a variable is.
pub(super) fn part_of(variable: &Variable, coded: Coded, blocks: Option<&Blocks>) -> Result<Coded, FormulaError> {
    if variable.part == Part::Whole {
        return Ok(coded);
    }
    let Some(blocks) = blocks.filter(|blocks| !blocks.are_single()) else {
        return Err(FormulaError::NoBlocks { written: variable.written() });
    };
    let part = |(name, values): (String, Vec<f64>)| {
        let means = blocks.means(&values);
        let own = match variable.part {
            Part::Whole => values,
            Part::Between => means,
            Part::Within => values.iter().zip(&means).map(|(value, mean)| value - mean).collect(),
        };
        (name, own)
    };
    Ok(coded.into_iter().map(part).collect())
}
