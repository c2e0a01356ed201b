//! A results folder, read back: the names of its files, its cohort table and its reports.
//!
//! Whoever looks into results that are already there ([`crate::report::explain`], the review, stacks, the sweep of
//! stale files, the command line) goes through here, so that each name and each form is known once.
//!
//! * [`Layout`] gives every path; [`FileName`] makes the names of a scan's and a child's files and reads them back.
//! * [`CohortTable`] is `cohort.tsv`: rows by line, cells by column.
//! * [`Report`] is `S_report.json`: rows and settings as the structs that they were written from.
//! * A scan's record is read by [`crate::record::read`] from [`Layout::record`].

pub mod cohort_table;
pub mod file_name;
pub mod layout;
pub mod report;

pub use cohort_table::{CohortTable, CohortTableError};
pub use file_name::{Contents, FileName, Form};
pub use layout::Layout;
pub use report::{Report, ReportError};
