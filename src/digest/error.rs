//! Why a scan gives no digest.

use std::path::PathBuf;

use crate::nifti::NiftiError;

/// What can go wrong while a scan is read.
#[derive(Debug, thiserror::Error)]
pub enum DigestError {
    #[error(transparent)]
    Nifti(#[from] NiftiError),
    #[error(
        "{}: no voxel inside the brain mask changes over time; check that this is the right image and that mask and \
        scan match",
        path.display()
    )]
    NothingAlive { path: PathBuf },
    #[error("stopped while reading")]
    Stopped,
}
