//! The one costly step: masks and atlases on the scan's grid, then the image, read once into a digest.

use std::cell::RefCell;
use std::path::Path;

use super::ahead::Ahead;
use super::atlases::Atlases;
use super::digest_store::Reading;
use super::error::ScanError;
use super::moved;
use super::prepared::Prepared;
use crate::atlas::{self, AtlasError, Grid};
use crate::brain_mask;
use crate::digest::{self, Digest, DigestError, Open, Volumes, Wanted};
use crate::discover::Scan;
use crate::motion::ImageMotion;
use crate::motion::realign::Reference;
use crate::motion::sphere;
use crate::nifti::{self, NiftiError, VolumeStream};
use crate::picture;
use crate::record::digests::ScanReading;
use crate::study::Study;
use crate::study::settings::{MotionSource, Tissue};

/// The one costly step: masks and atlases on the scan's grid, then the image.
pub(super) fn read(
    scan: &Scan,
    study: &Study,
    atlases: &Atlases,
    prepared: &Prepared,
    how: Reading,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<ScanReading, ScanError> {
    let open = |path: &Path| -> Result<Box<dyn Volumes>, NiftiError> {
        Ok(match how {
            Reading::InTurn => Box::new(VolumeStream::open(path)?),
            // Without a thread the same volumes come one after another.
            Reading::Ahead => match Ahead::open(path)? {
                Some(volumes) => Box::new(volumes),
                None => Box::new(VolumeStream::open(path)?),
            },
        })
    };
    let grid = Grid { shape: prepared.header.shape, affine: prepared.header.affine };
    let gridded = atlases.on(&grid);
    let (brain, mask_made) = match &prepared.brain_mask {
        Some(path) => (read_mask(path, &grid)?, None),
        None => {
            // One after another: only the first few volumes are wanted.
            let mut volumes = VolumeStream::open(&scan.bold).map_err(DigestError::from)?;
            let mean = moved::mean_of_first(&mut volumes, moved::FIRST_FRAMES).map_err(DigestError::from)?;
            let made = brain_mask::from_mean(&mean, grid.shape)
                .map_err(|source| ScanError::BrainMask { path: scan.bold.clone(), source })?;
            let sentence = made.sentence();
            (made.inside, Some(sentence))
        }
    };
    let size = sphere::of_mask(&brain, grid.shape, &grid.affine)
        .map_err(|source| ScanError::Sphere { path: scan.bold.clone(), source })?;
    for (atlas, source) in gridded.iter().zip(&atlases.list) {
        atlas.require_overlap(&source.name, &brain)?;
    }
    let tissue_masks: Vec<(Tissue, Vec<bool>)> = prepared
        .tissues
        .iter()
        .map(|mask| Ok((mask.tissue, read_mask(&mask.path, &grid)?)))
        .collect::<Result<_, AtlasError>>()?;
    let planes = picture::planes(&grid, &brain);
    let pictured = picture::voxels_of(&planes);
    let wanted = Wanted {
        brain: &brain,
        tissues: tissue_masks.iter().map(|(tissue, mask)| (*tissue, mask.as_slice())).collect(),
        keep_tissue_voxels: study.clean.tissue_components > 0,
        atlases: gridded.iter().collect(),
        pictured: &pictured,
    };
    let (mut digest, motion) = match study.motion.from {
        MotionSource::Table => (digest::read_from(&open, &scan.bold, &wanted, on_frame)?, None),
        MotionSource::Images => {
            let (digest, motion) = read_moved(scan, &wanted, &grid, study.motion.realign, &open, on_frame)?;
            (digest, Some(motion))
        }
    };
    let picture = picture::slices(&planes, &std::mem::take(&mut digest.pictured), &brain, &gridded);
    Ok(ScanReading { digest, motion, mask_radius_mm: size.radius.0, mask_made, picture })
}

/// Reads a run whose head motion is measured from its own images.
fn read_moved(
    scan: &Scan,
    wanted: &Wanted<'_>,
    grid: &Grid,
    realign: bool,
    open: Open<'_>,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<(Digest, ImageMotion), ScanError> {
    let path = scan.bold.as_path();
    // Frames that are only looked at are not reported, but a stop takes effect.
    let look = |_: usize| on_frame(0);
    let first = digest::read_from(open, path, &moved::brain_only(wanted.brain), &look)?;
    let reference_frame = moved::choose(&first).ok_or_else(|| ScanError::NoReference { path: path.to_owned() })?;
    let mut volumes = VolumeStream::open(path).map_err(DigestError::from)?;
    let volume = moved::one_frame(&mut volumes, reference_frame).map_err(DigestError::from)?;
    let reference = Reference::new(&volume, grid.shape, grid.affine, wanted.brain)
        .map_err(|source| ScanError::Realign { path: path.to_owned(), source })?;
    drop(volume);
    let found = RefCell::new(moved::Found::default());
    let open_moved = |path: &Path| -> Result<Box<dyn Volumes + '_>, NiftiError> {
        Ok(Box::new(moved::Moved::new(open(path)?, &reference, wanted.brain, realign, &found)))
    };
    let digest = digest::read_from(&open_moved, path, wanted, on_frame)?;
    let motion = found.take().motion(reference_frame, reference.pivot_mm());
    Ok((digest, motion))
}

/// Which voxels of a scan's grid are inside a mask.
fn read_mask(path: &Path, grid: &Grid) -> Result<Vec<bool>, AtlasError> {
    let image = nifti::read_3d(path)?;
    let inside: Vec<bool> = atlas::nearest_on(grid, &image).into_iter().map(|v| v > 0.0).collect();
    if inside.contains(&true) { Ok(inside) } else { Err(AtlasError::EmptyMask { path: path.to_owned() }) }
}
