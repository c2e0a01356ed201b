//! The one pass over a scan: everything that a later decision could need, and nothing a voxel at a time after that.
//!
//! Volumes stream by; of each, only the voxels inside the brain mask are decoded. Values are held as differences from the
//! first frame: a voxel that never changes then adds exactly nothing to any sum, so that whether a voxel is alive (finite
//! in every frame, not constant) need not be known beforehand. A voxel that stops being finite after the first frame has
//! already been counted; then the file is read a second time without such voxels, and [`Digest::read_twice`] says so.
//!
//! DVARS: √mean((Iᵢ − Iᵢ₋₁)²) × 100 / median of the mean image, over the brain-mask voxels that are finite throughout.
//! Power et al. 2012, NeuroImage 59:2142; in percent as in Nichols 2017, arXiv:1704.01469.
//! tSNR: mean / population SD of a voxel over all frames; the median over alive brain-mask voxels is kept.

mod pass;

pub(crate) use pass::median;

use std::path::{Path, PathBuf};

use ndarray::{Array1, Array2};

use crate::atlas::GriddedAtlas;
use crate::nifti::{Header, NiftiError, VolumeStream};
use crate::study::settings::Tissue;
use pass::Pass;

/// What can go wrong while a scan is read.
#[derive(Debug, thiserror::Error)]
pub enum DigestError {
    #[error(transparent)]
    Nifti(#[from] NiftiError),
    #[error(
        "{}: no voxel inside the brain mask changes over time; check that this is the right image and that mask and scan match",
        path.display()
    )]
    NothingAlive { path: PathBuf },
    #[error("stopped while reading")]
    Stopped,
}

/// Which voxels are wanted of a scan; masks have one flag a voxel of the scan's grid.
#[derive(Debug, Clone)]
pub struct Wanted<'a> {
    pub brain: &'a [bool],
    /// Tissue masks, and whether their voxels' series are to be kept (for tissue components).
    pub tissues: Vec<(Tissue, &'a [bool])>,
    pub keep_tissue_voxels: bool,
    pub atlases: Vec<&'a GriddedAtlas>,
    /// Voxels whose mean over all frames is wanted whether they are in the brain mask or not, rising.
    pub pictured: &'a [usize],
}

/// A scan, read.
#[derive(Debug, Clone, PartialEq)]
pub struct Digest {
    pub frames: usize,
    /// Mean over alive brain-mask voxels, one value a frame.
    pub global_signal: Array1<f64>,
    /// Percent; NaN in the first frame, and throughout when the mean image's median is not above 0.
    pub dvars_percent: Array1<f64>,
    /// The median over the mask of the mean image.
    pub median_of_mean_image: f64,
    /// Median over alive brain-mask voxels of mean ÷ SD over time (column `tsnr_median`; computed in `pass.rs`).
    pub tsnr_median: f64,
    /// One entry a wanted tissue.
    pub tissues: Vec<TissueDigest>,
    /// One entry a wanted atlas.
    pub atlases: Vec<AtlasDigest>,
    pub brain_voxels: usize,
    pub alive_voxels: usize,
    /// Mean of each pictured voxel over all frames; NaN where a value is not finite.
    pub pictured: Vec<f64>,
    /// Whether voxels that turned non-finite made a second reading necessary.
    pub read_twice: bool,
    /// Content hash of the image file, hex.
    pub content: String,
}

/// A tissue's signal.
#[derive(Debug, Clone, PartialEq)]
pub struct TissueDigest {
    pub tissue: Tissue,
    /// Alive voxels of the tissue inside the brain mask.
    pub voxels: usize,
    /// Their mean, one value a frame; NaN when there is no such voxel.
    pub mean: Array1<f64>,
    /// Their series, frames × voxels, when asked for; as differences from the first frame.
    pub series: Option<Array2<f64>>,
}

/// An atlas's raw parcel series.
#[derive(Debug, Clone, PartialEq)]
pub struct AtlasDigest {
    /// Weighted mean over the parcel's alive voxels inside the brain mask, frames × parcels; NaN for a parcel without any.
    pub means: Array2<f64>,
    /// Share of each parcel's weight that is inside the brain mask and alive; 0 for a parcel that is not on the grid.
    pub coverage: Vec<f64>,
    /// Voxels of each parcel on the scan's grid.
    pub voxels: Vec<usize>,
    /// Weighted mean position of each parcel, world mm; NaN for a parcel that is not on the grid.
    pub centroid_mm: Vec<[f64; 3]>,
}

/// Where a run's volumes come from, one after another.
pub trait Volumes {
    /// The run's header.
    fn header(&self) -> &Header;
    /// Writes the next volume's values in `runs` (start and length, in voxels, in any order) one after another into `out`;
    /// says whether there was one.
    ///
    /// # Errors
    /// When the file is damaged or cannot be read.
    fn next_values(&mut self, runs: &[(usize, usize)], out: &mut [f64]) -> Result<bool, NiftiError>;
    /// Content hash of the file, hex; asked for after the last volume.
    ///
    /// # Errors
    /// When the file is damaged or cannot be read.
    fn content_hash(&mut self) -> Result<String, NiftiError>;
}

impl Volumes for VolumeStream {
    fn header(&self) -> &Header {
        self.header()
    }

    fn next_values(&mut self, runs: &[(usize, usize)], out: &mut [f64]) -> Result<bool, NiftiError> {
        let volume = self.next_volume()?;
        if let Some(volume) = &volume {
            volume.decode_runs(runs, out);
        }
        Ok(volume.is_some())
    }

    fn content_hash(&mut self) -> Result<String, NiftiError> {
        Ok(self.content_hash()?.to_hex().to_string())
    }
}

/// Begins a reading of a run.
pub type Open<'a> = &'a dyn Fn(&Path) -> Result<Box<dyn Volumes + 'a>, NiftiError>;

/// Reads a scan. `on_frame` is called with the number of frames read, now and then; when it says false, reading stops.
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
