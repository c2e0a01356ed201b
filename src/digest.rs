//! The one pass over a scan. It keeps everything that a later decision could need, so that nothing goes back to single
//! voxels.
//!
//! Volumes stream by, and only the voxels inside the brain mask are decoded. Values are kept as differences from the
//! first frame, so a voxel that never changes adds exactly 0 to every sum. It need not be known beforehand whether a
//! voxel is alive (finite in every frame, and not constant). A voxel that stops being finite after the first frame has
//! already been counted. The file is then read a second time without such voxels, and [`Digest::read_twice`] says so.
//!
//! DVARS: √mean((Iᵢ − Iᵢ₋₁)²) × 100 / median of the mean image, over the brain-mask voxels that are finite throughout.
//! Power et al. 2012, NeuroImage 59:2142; in percent as in Nichols 2017, arXiv:1704.01469.
//! tSNR: mean / population SD of a voxel over all frames; the median over alive brain-mask voxels is kept.

mod error;
mod pass;
mod values;
mod volumes;
mod wanted;

pub(crate) use pass::{median, median_and_robust_sd};

pub use error::DigestError;
use std::path::Path;
pub use values::{AtlasDigest, Digest, TissueDigest};
pub use volumes::{Open, Volumes};
pub use wanted::Wanted;

use crate::nifti::VolumeStream;
use pass::Pass;

/// Reads a scan. `on_frame` is called now and then with the number of frames read; when it returns false, reading
/// stops.
///
/// # Errors
/// [`DigestError`]: the file cannot be read, nothing in the mask changes, or reading was stopped.
///
/// # Panics
/// When a mask has another number of voxels than the scan.
pub fn read(path: &Path, wanted: &Wanted<'_>, on_frame: &dyn Fn(usize) -> bool) -> Result<Digest, DigestError> {
    read_from(&|path| Ok(Box::new(VolumeStream::open(path)?)), path, wanted, on_frame)
}

/// As [`read`], with the volumes from elsewhere, such as a thread that unpacks ahead.
///
/// # Errors
/// As [`read`].
///
/// # Panics
/// As [`read`].
pub fn read_from(
    open: Open<'_>,
    path: &Path,
    wanted: &Wanted<'_>,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<Digest, DigestError> {
    let mut pass = Pass::new(wanted);
    let mut content = pass.read(&mut *open(path)?, on_frame)?;
    let read_twice = pass.lost_voxels();
    if read_twice {
        pass.restart();
        content = pass.read(&mut *open(path)?, on_frame)?;
    }
    let mut digest = pass.finish(content).ok_or_else(|| DigestError::NothingAlive { path: path.to_owned() })?;
    digest.read_twice = read_twice;
    Ok(digest)
}
