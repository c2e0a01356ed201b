//! The settings of a synthetic cohort, and what is allowed.

use serde::Serialize;

use super::error::SynthError;
use super::head::{AgeGroup, VoxelGrid};

/// The images' grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Grid {
    /// 32×38×30 voxels of 4.5 mm: small files, for trying things.
    Small,
    /// 64×64×36 voxels of 3×3×4 mm: the size of a whole-brain scan.
    Whole,
}

impl Grid {
    /// The grid of voxels.
    #[must_use]
    pub fn voxels(self) -> VoxelGrid {
        match self {
            Self::Small => VoxelGrid { shape: [32, 38, 30], voxel_mm: [4.5; 3] },
            Self::Whole => VoxelGrid { shape: [64, 64, 36], voxel_mm: [3.0, 3.0, 4.0] },
        }
    }
}

/// The settings of a synthetic cohort.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SynthSettings {
    /// Name of the invented study.
    pub name: String,
    pub children: usize,
    /// Frames per run.
    pub frames: usize,
    /// Repetition time, s.
    pub tr_s: f64,
    /// Runs per child.
    pub runs: usize,
    pub seed: u64,
    pub grid: Grid,
    /// Parcels, an even number.
    pub parcels: usize,
    /// The age group whose head is the template.
    pub head: AgeGroup,
    /// Baseline of a voxel over the SD of its white noise.
    pub tsnr: f64,
    /// How much the children move: 1 is usual, with 0 they lie still.
    pub motion: f64,
    /// Level of gzip, 0 to 9; 2 gives much smaller files than 1 for little time, and 6 takes far longer for little gain
    /// (by trial).
    pub compression: u32,
    /// Whether the head moves through the images' voxels; otherwise they are as after realignment.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub move_images: bool,
}

impl SynthSettings {
    /// The demonstration's cohort: a dozen children, ten minutes each, small images.
    #[must_use]
    pub fn demo(seed: u64) -> Self {
        Self {
            name: "Invented children of Lantern Island".to_owned(),
            children: 12,
            frames: 300,
            tr_s: 2.0,
            runs: 1,
            seed,
            grid: Grid::Small,
            parcels: 84,
            head: AgeGroup::Toddler,
            tsnr: 70.0,
            motion: 1.0,
            compression: 2,
            move_images: false,
        }
    }

    pub(super) fn atlas_name(&self) -> String {
        format!("invented{}", self.parcels)
    }

    pub(super) fn check(&self) -> Result<(), SynthError> {
        let refuse = |name, given: String, expected: &str| {
            Err(SynthError::Setting { name, given, expected: expected.to_owned() })
        };
        if !(1..=9999).contains(&self.children) {
            return refuse("children", self.children.to_string(), "1 to 9999");
        }
        if !(20..=32767).contains(&self.frames) {
            return refuse("frames", self.frames.to_string(), "20 to 32767");
        }
        if !(0.1..=20.0).contains(&self.tr_s) {
            return refuse("tr_s", self.tr_s.to_string(), "0.1 to 20 seconds");
        }
        if !(1..=99).contains(&self.runs) {
            return refuse("runs", self.runs.to_string(), "1 to 99");
        }
        if !(1.0..=1e6).contains(&self.tsnr) {
            return refuse("tsnr", self.tsnr.to_string(), "1 to 1000000");
        }
        if !(0.0..=10.0).contains(&self.motion) {
            return refuse("motion", self.motion.to_string(), "0 to 10");
        }
        if self.compression > 9 {
            return refuse("compression", self.compression.to_string(), "0 to 9");
        }
        Ok(())
    }
}
