//! Digests on disk: what one reading of a scan gave. With it, other thresholds, confounds or bands read no image again.
//!
//! A digest lies in `.keepstill/digests/KEY.npz`, where KEY is the hash of the contents and settings that affect it:
//! image, masks, atlases, and whether tissue voxels are held. Beside it, `.keepstill/inputs/R.json` notes the size,
//! modification time and content hash of the scan's files, so that the key is known without reading them. Arrays are
//! plain `.npy` members, which numpy can read (docs/outputs.md); `meta` is JSON as bytes.

use std::fs;
use std::io::Cursor;
use std::path::{Path, PathBuf};

use ndarray::{Array1, Array2};
use ndarray_npy::{NpzWriter, WriteNpzError};
use serde::{Deserialize, Serialize};

use super::archive::{Archive, Checksum, unreadable};
use super::error::RecordError;
use super::files::write_whole;
use super::inputs::{InputState, content_hash};
use super::picture::{SliceMeta, read_picture, sum_picture, write_picture};
use crate::digest::{AtlasDigest, Digest, TissueDigest};
use crate::motion::{ImageMotion, MotionTrace};
use crate::picture::Slice;
use crate::study::settings::Tissue;

/// The version of this layout and of the arithmetic of the reading. It is part of every key, so that a digest of
/// another version is never found. Raise it with every change of either.
pub const FORMAT: u32 = 3;

/// All that one reading of a scan gave.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanReading {
    pub digest: Digest,
    /// Head motion measured from the images, when that was asked for.
    pub motion: Option<ImageMotion>,
    /// Mean distance from the brain mask's centroid to its surface, mm.
    pub mask_radius_mm: f64,
    /// How the brain mask was made, in words, when none was given.
    pub mask_made: Option<String>,
    /// Three slices of the mean image.
    pub picture: Vec<Slice>,
}

#[derive(Serialize, Deserialize)]
struct Meta {
    format: u32,
    key: String,
    frames: usize,
    #[serde(with = "super::number")]
    median_of_mean_image: f64,
    #[serde(with = "super::number")]
    tsnr_median: f64,
    brain_voxels: usize,
    alive_voxels: usize,
    read_twice: bool,
    content: String,
    tissues: Vec<TissueMeta>,
    atlases: usize,
    #[serde(with = "super::number")]
    mask_radius_mm: f64,
    mask_made: Option<String>,
    motion: Option<MotionMeta>,
    slices: Vec<SliceMeta>,
    checksum: String,
}

#[derive(Serialize, Deserialize)]
struct MotionMeta {
    reference_frame: usize,
    pivot_mm: [f64; 3],
}

#[derive(Serialize, Deserialize)]
struct TissueMeta {
    tissue: Tissue,
    voxels: usize,
    held: bool,
}

/// Writes a reading under its key.
///
/// # Errors
/// [`RecordError`].
pub fn write(path: &Path, key: &str, reading: &ScanReading) -> Result<(), RecordError> {
    let digest = &reading.digest;
    let unwritable = |message: String| RecordError::Unwritable { path: path.to_owned(), message };
    let npz_error = |e: WriteNpzError| unwritable(e.to_string());
    let tissue_meta = |t: &TissueDigest| TissueMeta { tissue: t.tissue, voxels: t.voxels, held: t.series.is_some() };
    let meta = Meta {
        format: FORMAT,
        key: key.to_owned(),
        frames: digest.frames,
        median_of_mean_image: digest.median_of_mean_image,
        tsnr_median: digest.tsnr_median,
        brain_voxels: digest.brain_voxels,
        alive_voxels: digest.alive_voxels,
        read_twice: digest.read_twice,
        content: digest.content.clone(),
        tissues: digest.tissues.iter().map(tissue_meta).collect(),
        atlases: digest.atlases.len(),
        mask_radius_mm: reading.mask_radius_mm,
        mask_made: reading.mask_made.clone(),
        motion: reading
            .motion
            .as_ref()
            .map(|m| MotionMeta { reference_frame: m.reference_frame, pivot_mm: m.pivot_mm }),
        slices: reading.picture.iter().map(SliceMeta::of).collect(),
        checksum: checksum(reading),
    };
    let meta = serde_json::to_vec(&meta).map_err(|e| unwritable(e.to_string()))?;
    let mut npz = NpzWriter::new(Cursor::new(Vec::with_capacity(8 * numbers(digest) + 4096)));
    npz.add_array("meta", &Array1::from_vec(meta)).map_err(npz_error)?;
    npz.add_array("global_signal", &digest.global_signal).map_err(npz_error)?;
    npz.add_array("dvars_percent", &digest.dvars_percent).map_err(npz_error)?;
    for tissue in &digest.tissues {
        let name = tissue.tissue.key();
        npz.add_array(format!("{name}_mean"), &tissue.mean).map_err(npz_error)?;
        if let Some(series) = &tissue.series {
            npz.add_array(format!("{name}_voxels"), series).map_err(npz_error)?;
        }
    }
    for (i, atlas) in digest.atlases.iter().enumerate() {
        npz.add_array(format!("parcels_{i}_means"), &atlas.means).map_err(npz_error)?;
        npz.add_array(format!("parcels_{i}_coverage"), &Array1::from_vec(atlas.coverage.clone())).map_err(npz_error)?;
        let voxels: Array1<u64> = atlas.voxels.iter().map(|&v| v as u64).collect();
        npz.add_array(format!("parcels_{i}_voxel_count"), &voxels).map_err(npz_error)?;
        let centroids = Array2::from_shape_fn((atlas.centroid_mm.len(), 3), |(p, k)| atlas.centroid_mm[p][k]);
        npz.add_array(format!("parcels_{i}_centroid_mm"), &centroids).map_err(npz_error)?;
    }
    if let Some(motion) = &reading.motion {
        npz.add_array("translations_mm", &motion.trace.translations_mm).map_err(npz_error)?;
        npz.add_array("rotations_rad", &motion.trace.rotations_rad).map_err(npz_error)?;
        npz.add_array("gains", &motion.gains).map_err(npz_error)?;
        npz.add_array("outside_share", &motion.outside_share).map_err(npz_error)?;
    }
    write_picture(&mut npz, &reading.picture).map_err(npz_error)?;
    let bytes = npz.finish().map_err(npz_error)?.into_inner();
    Ok(write_whole(path, &bytes)?)
}

/// Reads it back.
///
/// # Errors
/// [`RecordError`]: unreadable, of another version or key, or damaged.
pub fn read(path: &Path, key: &str) -> Result<ScanReading, RecordError> {
    let (mut archive, meta): (Archive<'_>, Meta) = Archive::open(path, FORMAT)?;
    let mut tissues = Vec::new();
    for TissueMeta { tissue, voxels, held } in meta.tissues {
        let name = tissue.key();
        let mean = archive.array(&format!("{name}_mean"))?;
        let series = if held { Some(archive.array(&format!("{name}_voxels"))?) } else { None };
        tissues.push(TissueDigest { tissue, voxels, mean, series });
    }
    let mut atlases = Vec::new();
    for i in 0..meta.atlases {
        let means = archive.array(&format!("parcels_{i}_means"))?;
        let coverage: Array1<f64> = archive.array(&format!("parcels_{i}_coverage"))?;
        let voxels: Array1<u64> = archive.array(&format!("parcels_{i}_voxel_count"))?;
        let centroids: Array2<f64> = archive.array(&format!("parcels_{i}_centroid_mm"))?;
        if centroids.ncols() != 3 {
            return Err(unreadable(path, &"centroids need three columns"));
        }
        atlases.push(AtlasDigest {
            means,
            coverage: coverage.to_vec(),
            voxels: voxels.iter().map(|&v| v as usize).collect(),
            centroid_mm: centroids.rows().into_iter().map(|r| [r[0], r[1], r[2]]).collect(),
        });
    }
    let digest = Digest {
        frames: meta.frames,
        global_signal: archive.array("global_signal")?,
        dvars_percent: archive.array("dvars_percent")?,
        median_of_mean_image: meta.median_of_mean_image,
        tsnr_median: meta.tsnr_median,
        tissues,
        atlases,
        brain_voxels: meta.brain_voxels,
        alive_voxels: meta.alive_voxels,
        pictured: Vec::new(),
        read_twice: meta.read_twice,
        content: meta.content,
    };
    let motion = match meta.motion {
        Some(MotionMeta { reference_frame, pivot_mm }) => Some(ImageMotion {
            trace: MotionTrace {
                translations_mm: archive.array("translations_mm")?,
                rotations_rad: archive.array("rotations_rad")?,
            },
            gains: archive.array("gains")?,
            reference_frame,
            pivot_mm,
            outside_share: archive.array("outside_share")?,
        }),
        None => None,
    };
    let picture = read_picture(&mut archive, meta.slices, meta.atlases)?;
    let (mask_radius_mm, mask_made) = (meta.mask_radius_mm, meta.mask_made);
    let reading = ScanReading { digest, motion, mask_radius_mm, mask_made, picture };
    if meta.key != key || meta.checksum != checksum(&reading) {
        return Err(RecordError::Checksum { path: path.to_owned() });
    }
    Ok(reading)
}

/// About how many numbers a digest holds.
fn numbers(digest: &Digest) -> usize {
    let tissues = digest.tissues.iter().map(|t| t.mean.len() + t.series.as_ref().map_or(0, Array2::len));
    let atlases = digest.atlases.iter().map(|a| a.means.len() + 5 * a.coverage.len());
    2 * digest.frames + tissues.sum::<usize>() + atlases.sum::<usize>()
}

/// BLAKE3 over every number of a digest and the shapes of its arrays.
fn checksum(reading: &ScanReading) -> String {
    let digest = &reading.digest;
    let mut sum = Checksum::new();
    let shape = |sum: &mut Checksum, shape: &[usize]| {
        shape.iter().for_each(|&n| sum.bytes(&(n as u64).to_le_bytes()));
    };
    shape(&mut sum, &[digest.frames, digest.brain_voxels, digest.alive_voxels, usize::from(digest.read_twice)]);
    sum.numbers(&[digest.median_of_mean_image, digest.tsnr_median].map(one_nan));
    for series in [&digest.global_signal, &digest.dvars_percent] {
        shape(&mut sum, &[series.len()]);
        sum.numbers(series);
    }
    for tissue in &digest.tissues {
        shape(&mut sum, &[tissue.tissue as usize, tissue.voxels]);
        sum.numbers(&tissue.mean);
        if let Some(series) = &tissue.series {
            shape(&mut sum, series.shape());
            sum.numbers(series);
        }
    }
    for atlas in &digest.atlases {
        shape(&mut sum, atlas.means.shape());
        sum.numbers(&atlas.means);
        shape(&mut sum, &atlas.voxels);
        sum.numbers(&atlas.coverage);
        sum.numbers(atlas.centroid_mm.iter().flatten());
    }
    if let Some(motion) = &reading.motion {
        shape(&mut sum, &[motion.reference_frame]);
        sum.numbers(&motion.pivot_mm);
        for values in [&motion.trace.translations_mm, &motion.trace.rotations_rad] {
            shape(&mut sum, values.shape());
            sum.numbers(values);
        }
        sum.numbers(&motion.gains);
        sum.numbers(&motion.outside_share);
    }
    sum_picture(&mut sum, &reading.picture);
    sum.numbers(&[one_nan(reading.mask_radius_mm)]);
    sum.bytes(reading.mask_made.as_deref().unwrap_or_default().as_bytes());
    sum.bytes(digest.content.as_bytes());
    sum.finish()
}

/// JSON has no NaN, so the bit pattern that is read back may differ from the one that was written.
fn one_nan(value: f64) -> f64 {
    if value.is_nan() { f64::NAN } else { value }
}

/// What an earlier run noted about a scan's files.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KnownInputs {
    pub inputs: Vec<InputState>,
    /// The key of the digest that was made from them.
    pub key: String,
}

impl KnownInputs {
    /// Reads what an earlier run noted. The notes are empty when there are none, when they cannot be read, or when
    /// their key is not a key: a digest is found, and removed, by that name.
    #[must_use]
    pub fn read(path: &Path) -> Self {
        let noted: Option<Self> = fs::read(path).ok().and_then(|bytes| serde_json::from_slice(&bytes).ok());
        let is_key = |key: &str| key.len() == blake3::OUT_LEN * 2 && key.bytes().all(|b| b.is_ascii_hexdigit());
        noted.filter(|noted| is_key(&noted.key)).unwrap_or_default()
    }

    /// The content hash of a file: as noted if size and time are as they were, else from reading the file.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn content(&self, role: &str, path: &Path, verify: bool) -> std::io::Result<String> {
        match self.inputs.iter().find(|state| state.role == role) {
            Some(state) if !verify && state.looks_same(path) => Ok(state.content.clone()),
            _ => content_hash(path),
        }
    }
}

/// What the latest reading of a scan gave, if its image and brain mask are still what they were then. The atlases and
/// other masks may have changed since.
#[must_use]
pub fn latest(state: &Path, scan: &crate::discover::Scan) -> Option<ScanReading> {
    let known = KnownInputs::read(&inputs_path(state, scan));
    let same = |role: &str, path: Option<&PathBuf>| {
        let noted = known.inputs.iter().find(|state| state.role == role);
        match (noted, path) {
            (Some(noted), Some(path)) => noted.is_same(path, false),
            (None, None) => true,
            _ => false,
        }
    };
    let current = same("bold", Some(&scan.bold)) && same("brain_mask", scan.brain_mask.as_ref());
    current.then(|| read(&path(state, &known.key), &known.key).ok()).flatten()
}

/// Where the state of a scan's files is noted, below the state folder.
#[must_use]
pub fn inputs_path(state: &Path, scan: &crate::discover::Scan) -> PathBuf {
    state.join("inputs").join(format!("{}.json", scan.id))
}

/// Where a digest lies below the state folder.
#[must_use]
pub fn path(state: &Path, key: &str) -> PathBuf {
    state.join("digests").join(format!("{key}.npz"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_whose_key_is_a_path_are_not_believed() {
        let folder = tempfile::tempdir().unwrap();
        let notes = folder.path().join("sub-01.json");
        let key = blake3::hash(b"a digest").to_hex().to_string();
        for (written, believed) in [(key.as_str(), true), ("../../precious", false), ("", false), (&key[1..], false)] {
            fs::write(&notes, serde_json::json!({ "inputs": [], "key": written }).to_string()).unwrap();
            let known = KnownInputs::read(&notes);
            assert_eq!(known.key, if believed { written } else { "" });
        }
    }
}
