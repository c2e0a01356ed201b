//! What a reading must give.

use crate::atlas::GriddedAtlas;
use crate::study::settings::Tissue;

/// Which voxels are wanted of a scan; masks have one flag per voxel of the scan's grid.
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
