//! How much memory a scan will take while it is worked on, estimated before its image is opened.
//!
//! The bytes are counted from what the code holds at the same time in each of three steps:
//!
//! - *Masks*: one mask as bytes and as numbers on its own grid, which may be far finer, and as numbers on the scan's
//!   grid (8 bytes per voxel); also one flag per voxel and mask.
//! - *Reading*: a raw volume, one flag per voxel and mask, five numbers per brain voxel, 16 bytes per brain voxel and
//!   atlas, and the parcels' sums. With components, also the tissues' voxels three times over while their table is
//!   made.
//! - *Deciding*: the parcels' series five times over, and the confounds five times.
//!
//! The largest of the three is the peak. The program and the atlases are the same for all scans, so they are counted
//! once per run, in [`process_bytes`]. Measured: docs/measurements.md, "Memory".

use std::path::Path;

use super::atlases::Atlases;
use super::prepared::{Prepared, tissues_needed};
use crate::motion::realign::Reference;
use crate::nifti::{self, Header, VolumeStream};
use crate::study::Study;
use crate::study::settings::MotionSource;

/// The program itself with its libraries, settings and threads: resident bytes when it runs tiny scans, measured.
const PROGRAM_BYTES: u64 = 11_500_000;
/// Buffers that each scan has, whatever its size: compressed input, window, tables as text.
const SCAN_BYTES: u64 = 700_000;
/// Voxels of a mask that are counted together.
const PIECE: usize = 4096;
/// Bytes that one frame takes in tables: motion, flags, displacement, texts.
const FRAME_BYTES: u64 = 900;

/// Resident bytes that belong to no scan: the program, and the atlases on their own grid and on the scans'.
#[must_use]
pub fn process_bytes(atlases: &Atlases) -> u64 {
    PROGRAM_BYTES + atlases.list.iter().map(|atlas| atlas.memory_bytes() as u64).sum::<u64>()
}

/// Peak bytes of one scan, beside [`process_bytes`]. With `from_digest`, its image need not be read. With `ahead`, the
/// image may be unpacked ahead of the sums, in a thread of its own.
#[must_use]
pub fn scan_bytes(prepared: &Prepared, atlases: &Atlases, study: &Study, from_digest: bool, ahead: bool) -> u64 {
    let header = &prepared.header;
    let (grid, frames) = (header.voxels() as u64, header.frames as u64);
    let parcels: u64 = atlases.list.iter().map(|a| a.parcels.len() as u64).sum();
    let largest = atlases.list.iter().map(|a| a.parcels.len() as u64).max().unwrap_or(0);
    let components = study.clean.tissue_components > 0;
    let tissue_voxels: u64 = match components {
        true => prepared.tissues.iter().map(|t| mask_voxels(&t.path, header)).sum(),
        false => 0,
    };
    let needed: u64 = match components {
        true => prepared.tissues_needed().map(|(_, path)| mask_voxels(path, header)).max().unwrap_or(0),
        false => 0,
    };
    let series = 8 * frames * parcels;
    let confounds = (study.clean.motion_terms
        + prepared.confounds.ncols()
        + tissues_needed(study).len() * (1 + study.clean.tissue_components)
        + 1) as u64;
    let tables = FRAME_BYTES * frames;

    let voxels_held = 8 * frames * tissue_voxels;
    // The components: the largest tissue three times more, and the products of frames with frames.
    let product = if components { 24 * frames * frames } else { 0 };
    let deciding = 2 * series + 24 * frames * largest + 40 * frames * confounds + voxels_held;
    let components_made = series + voxels_held + 16 * frames * needed + product;
    let kept = 2 * (series + voxels_held);
    let after = deciding.max(components_made).max(kept);
    if from_digest {
        return SCAN_BYTES + tables + after;
    }
    // Without a mask the number is not known yet; the mask will hold some of the voxels.
    let brain = prepared.brain_mask.as_ref().map_or(grid, |path| mask_voxels(path, header));
    let masks = 1 + prepared.tissues.len() as u64;
    let volumes = if ahead { 3 } else { 1 };
    let reading = volumes * header.volume_bytes() as u64
        + masks * grid
        + brain * (41 + 16 * atlases.list.len() as u64)
        + 2 * series
        + 2 * voxels_held;
    let registering = match study.motion.from {
        MotionSource::Table => 0,
        // A volume as doubles and as floats, the voxels' list, and the reference with its levels.
        MotionSource::Images => {
            12 * grid + 8 * brain + Reference::most_bytes(header.shape, header.affine.voxel_sizes()) as u64
        }
    };
    let reading = reading + registering;
    let mask_paths = prepared.tissues.iter().map(|t| t.path.as_path()).chain(prepared.brain_mask.as_deref());
    let largest_mask = mask_paths.map(|path| mask_bytes(path, grid)).max().unwrap_or(0);
    let opening = largest_mask + (masks + 8) * grid;
    SCAN_BYTES + tables + reading.max(opening).max(after)
}

/// Bytes of a mask on its own grid, as it is read and as numbers. A mask that cannot be read counts as if it were on
/// the scan's grid.
fn mask_bytes(path: &Path, grid: u64) -> u64 {
    nifti::read_header(path).map_or(9 * grid, |header| header.volume_bytes() as u64 + 8 * header.voxels() as u64)
}

/// Voxels of a mask, counted on its own grid and converted to voxels of the scan's. A mask that cannot be read counts
/// as all voxels of the scan.
fn mask_voxels(path: &Path, scan: &Header) -> u64 {
    let count = || -> Result<u64, nifti::NiftiError> {
        let mut stream = VolumeStream::open_any(path)?;
        let share = stream.header().affine.determinant().abs() / scan.affine.determinant().abs();
        let mut inside = 0;
        if let Some(volume) = stream.next_volume()? {
            // One piece at a time: this is done before the scan may take much memory.
            let mut piece = [0.0; PIECE];
            for start in (0..volume.voxels()).step_by(PIECE) {
                let length = PIECE.min(volume.voxels() - start);
                volume.decode_runs(&[(start, length)], &mut piece[..length]);
                inside += piece[..length].iter().filter(|v| **v > 0.0).count();
            }
        }
        Ok((inside as f64 * share) as u64)
    };
    let all = scan.voxels() as u64;
    count().map_or(all, |voxels| voxels.min(all))
}
