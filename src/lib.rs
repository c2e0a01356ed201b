//! keepstill turns resting-state runs of children who move into connectivity matrices and honest reports.
//!
//! **Read each scan once, keep everything that a decision could need, decide cheaply and as often as wanted.**
//!
//! ```text
//! study.toml ─► Study ─► Cohort: scans, children                      (study, discover)
//!  BOLD .nii.gz ─► VolumeStream ─► Digest, in one pass                (nifti, atlas, digest)    ← the only costly step
//!    from = "images": each volume ─► pose ─► values at that pose      (motion::realign, pipeline)
//!  motion table, or the poses found ─► MotionTrace, breathing filtered
//!                      ─► FramewiseDisplacement ─► FrameMask          (motion, censor)
//!        Digest + FrameMask ─► cleaned parcel series                  (clean)
//!              runs joined ─► Connectivity                            (connectivity)
//!                 one scan ─► Outcome, ScanRecord                     (pipeline, record)
//!                one child ─► retained-data report, tables, page      (report, outputs, pages)
//!              all records ─► cohort table                            (cohort)
//!    cohort table, child pages ─► decisions of reviewers             (pages, review)
//!   all motion tables ─► minutes kept for a grid of limits            (thresholds)
//! cohort table, matrices ─► one array, one row per child              (stack)
//! ```
//!
//! [`batch`] does a whole cohort. It works in parallel, can be resumed, and says what happens as [`event`]s. The stages
//! are pure (arrays and settings in, values out) and know nothing of studies, files or each other's order. See
//! DEVELOPERS.md.
#![deny(clippy::print_stdout, clippy::print_stderr)]

// The order of these lines is the flow, and it is written here only: a module may use those above it and none below.
// `tests/suite/architecture.rs` reads it here. The stages are the modules under a line that begins with "Stages".

// Foundations: every module may use them.
pub mod units;

mod stretches;

pub mod linalg;
pub mod sections;

pub mod tables;

pub mod remark;

// For the tests beside the code alone.
#[cfg(test)]
mod test_numbers;

// What is asked for, and which scans there are.
pub mod study;

pub mod discover;

// Stages: arrays and settings in, values out.
pub mod nifti;

pub mod atlas;

pub mod brain_mask;

pub mod digest;

pub mod picture;

pub mod motion;

pub mod censor;

pub mod clean;

pub mod connectivity;

// One scan, from its files to its record.
pub mod record;

pub mod event;

pub mod pipeline;

// A results folder, and what people read in it.
pub mod results;

pub mod outputs;

pub mod report;

pub mod pages;

pub mod review;

pub mod cohort;

// Stages: the same over all children at once.
pub mod group;

// Whole cohorts.
pub mod thresholds;

pub mod stack;

pub mod batch;

pub mod synth;
