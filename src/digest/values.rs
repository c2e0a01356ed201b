//! What one reading of a scan keeps.

use ndarray::{Array1, Array2};

use crate::study::settings::Tissue;

/// A scan, read.
#[derive(Debug, Clone, PartialEq)]
pub struct Digest {
    pub frames: usize,
    /// Mean over alive brain-mask voxels, one value per frame.
    pub global_signal: Array1<f64>,
    /// Percent; NaN in the first frame, and throughout when the mean image's median is not above 0.
    pub dvars_percent: Array1<f64>,
    /// The median over the mask of the mean image.
    pub median_of_mean_image: f64,
    /// Median over alive brain-mask voxels of mean ÷ SD over time (column `tsnr_median`; computed in `pass.rs`).
    pub tsnr_median: f64,
    /// One entry per wanted tissue.
    pub tissues: Vec<TissueDigest>,
    /// One entry per wanted atlas.
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
    /// Their mean, one value per frame; NaN when there is no such voxel.
    pub mean: Array1<f64>,
    /// Their series, frames × voxels, when asked for; as differences from the first frame.
    pub series: Option<Array2<f64>>,
}

/// An atlas's raw parcel series.
#[derive(Debug, Clone, PartialEq)]
pub struct AtlasDigest {
    /// Weighted mean over the parcel's alive voxels inside the brain mask, frames × parcels; NaN for a parcel without
    /// any.
    pub means: Array2<f64>,
    /// Share of each parcel's weight that is inside the brain mask and alive; 0 for a parcel that is not on the grid.
    pub coverage: Vec<f64>,
    /// Voxels of each parcel on the scan's grid.
    pub voxels: Vec<usize>,
    /// Weighted mean position of each parcel, world mm; NaN for a parcel that is not on the grid.
    pub centroid_mm: Vec<[f64; 3]>,
}
