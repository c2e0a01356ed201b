//! The file formats of a stack: what each holds, and one writer per file, which takes one block of children after
//! another.
//!
//! | format | edges | matrices |
//! |---|---|---|
//! | npy | N×E, float32 | N×P×P, float32 |
//! | tsv | one row per child, one column per edge | |
//! | parquet | one row per child, with its edges as a list | |
//! | mat | N×E, single | P×P×N, single |
//!
//! Standard errors of the edges have files of the same forms, without matrices.

mod mat;
mod npy;
#[cfg(feature = "parquet")]
mod parquet;
mod tsv;

use std::path::Path;

use super::array_file::ArrayFile;
use super::plan::{ArrayPlan, Holds};
use crate::stack::gather::error::StackError;
use crate::stack::gather::request::Format;

/// Says so if a format cannot hold what is asked.
pub(crate) fn refuse(format: Format, plan: &ArrayPlan<'_>) -> Result<(), StackError> {
    if format == Format::Mat { mat::refuse(plan) } else { Ok(()) }
}

/// Begins the files of a format.
pub(crate) fn open<'a>(
    format: Format,
    folder: &Path,
    plan: &'a ArrayPlan<'a>,
) -> Result<Vec<Box<dyn ArrayFile + 'a>>, StackError> {
    Ok(match format {
        Format::Npy => {
            let mut files: Vec<Box<dyn ArrayFile + 'a>> = vec![Box::new(npy::Edges::create(folder, plan)?)];
            if plan.holds == Holds::Values {
                files.push(Box::new(npy::Matrices::create(folder, plan)?));
            }
            files
        }
        Format::Tsv => vec![Box::new(tsv::Edges::create(folder, plan)?)],
        Format::Mat => vec![Box::new(mat::Variables::create(folder, plan)?)],
        #[cfg(feature = "parquet")]
        Format::Parquet => vec![Box::new(parquet::Edges::create(folder, plan)?)],
        #[cfg(not(feature = "parquet"))]
        Format::Parquet => return Err(StackError::NoParquet),
    })
}
