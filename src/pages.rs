//! The reviewer's pages: one of the cohort and one of each child, self-contained, asking for nothing over the network.
//!
//! A page is a pure function of its data, and carries these data as JSON. So `keepstill review` takes the data out of a
//! page in the results folder, removes what blinding hides, and renders the same page again with the means to decide.
//! Each page answers one question at first sight: did this child keep still, when, and is what is left worth keeping?
//!
//! [`gather`] makes the data from records, and [`encode`] packs them. The page files (`page/`) are plain HTML parts,
//! CSS and JavaScript of our own, embedded here. A script draws from the page's data alone. [`kit`] is what all pages
//! are made with, these and those of other modules.

mod blinded;
mod child;
mod cohort;
mod data;
mod document;
mod embedded;
mod encode;
mod gather;
pub(crate) mod kit;
#[cfg(test)]
mod tests;

pub use child::child_page;
pub use cohort::cohort_page;
pub use data::{
    ChildAtlas, ChildData, ChildMatrix, ChildParcel, ChildRun, ChildSeries, ChildSlice, CohortData, CohortLine,
    STRIP_COLUMNS, STRIP_TOP_LIMITS, STRIP_TOP_MM, Spectrum, StripRun,
};
pub use embedded::{PageError, child_data, cohort_data};
pub use gather::{Gathered, page_of_records, strip};
pub use kit::{Mode, Review, escape};
