//! keepstill: resting-state runs of children who move, turned into connectivity matrices and honest reports.
#![deny(clippy::print_stdout, clippy::print_stderr)]

pub mod discover;
pub mod linalg;
pub mod nifti;
pub mod study;
pub mod tables;
pub mod units;
