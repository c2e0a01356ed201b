//! The only module that knows the order of the stages: one scan in, one [`Outcome`] out.
//!
//! [`prepare::prepare`] reads headers and tables and lists every problem; [`process`] then reads the image once
//! (`read.rs`) and decides (`decide.rs`). `keepstill check` stops after the first half.

mod ahead;
mod atlases;
mod decide;
mod digest_store;
mod error;
pub mod estimate;
pub mod joined;
pub mod memory;
mod moved;
mod notice;
mod outcome;
pub mod prepare;
pub mod prepared;
mod read;
mod regressors;
pub mod repetition_time;
mod report_row;
pub mod run_motion;
mod summary;
pub mod twins;
mod verdict;

use crate::discover::{Child, Scan};
use crate::record::digests::ScanReading;
use crate::study::Study;
use prepared::Prepared;

pub use atlases::Atlases;
pub use digest_store::{DigestStore, Reading};
pub use error::ScanError;
pub use outcome::Outcome;
pub use summary::{MotionOfRun, MotionSummary};
pub use verdict::{long_enough, verdict};

/// Does one scan. `on_frame` gets the number of frames read, and stops the scan by returning false.
///
/// # Errors
/// [`ScanError`], whose words name file, place and the next step.
pub fn process(
    scan: &Scan,
    child: Option<&Child>,
    study: &Study,
    atlases: &Atlases,
    store: &dyn DigestStore,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<Outcome, ScanError> {
    let prepared = prepare::prepare(scan, child, study).map_err(|problems| ScanError::Problems { problems })?;
    let reading = match store.find(&prepared) {
        Some(reading) => reading,
        None => {
            let how = store.opening(&prepared)?;
            let reading = read::read(scan, study, atlases, &prepared, how, on_frame)?;
            store.keep(&prepared, &reading)?;
            reading
        }
    };
    require_tissues(&prepared, &reading)?;
    decide::decide(scan, study, atlases, prepared, reading)
}

/// Every tissue that cleaning needs must have a voxel that changes.
fn require_tissues(prepared: &Prepared, reading: &ScanReading) -> Result<(), ScanError> {
    for (tissue, path) in prepared.tissues_needed() {
        if reading.digest.tissues.iter().all(|t| t.tissue != tissue || t.voxels == 0) {
            return Err(ScanError::NoTissue { path: path.to_owned(), tissue: tissue.key() });
        }
    }
    Ok(())
}
