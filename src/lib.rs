//! keepstill: resting-state runs of children who move, turned into connectivity matrices and honest reports.
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
//! cohort table, matrices ─► one array, a row a child                  (stack)
//! ```
//!
//! [`batch`] does a whole cohort: in parallel, resumable, telling what happens as [`event`]s. The stages are pure (arrays
//! and settings in, values out) and know nothing of studies, files or each other's order. See DEVELOPERS.md.
#![deny(clippy::print_stdout, clippy::print_stderr)]

mod stretches;
pub mod units;

pub mod linalg;
pub mod sections;
pub mod tables;

pub mod study;

pub mod discover;

pub mod nifti;

pub mod atlas;

pub mod brain_mask;

pub mod digest;

pub mod picture;

pub mod motion;

pub mod censor;

pub mod clean;

pub mod connectivity;

pub mod pipeline;

pub mod event;

pub mod record;

pub mod results;

pub mod outputs;

pub mod report;

pub mod pages;

pub mod review;

pub mod cohort;

pub mod group;

pub mod thresholds;

pub mod stack;

pub mod batch;

pub mod synth;
