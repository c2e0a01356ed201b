//! A child, as the participants table describes it.

use serde::{Deserialize, Serialize};

/// A child's sex, as far as it changes a formula.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sex {
    Male,
    Female,
    Unknown,
}

impl Sex {
    /// What a table's cell says, by its first letter, in either case.
    #[must_use]
    pub fn of_cell(cell: &str) -> Self {
        match cell.trim().chars().next() {
            Some('m' | 'M') => Self::Male,
            Some('f' | 'F') => Self::Female,
            _ => Self::Unknown,
        }
    }
}

/// One row of the participants table.
#[derive(Debug, Clone, PartialEq)]
pub struct Child {
    pub age_months: Option<f64>,
    pub sex: Sex,
    /// The row's other cells, in the order of [`crate::discover::Cohort::child_columns`].
    pub cells: Vec<String>,
}
