//! A [`ScanRecord`] on disk, as `.npz`.

use std::io::Cursor;
use std::path::Path;

use ndarray::{Array1, Array2};
use ndarray_npy::{NpzWriter, WriteNpzError};
use serde::{Deserialize, Serialize};

use super::archive::{Archive, Checksum};
use super::error::RecordError;
use super::files::write_whole;
use super::inputs::InputState;
use super::picture::{SliceMeta, read_picture, sum_picture, write_picture};
use super::{AtlasRecord, ReportRow, ScanRecord};
use crate::discover::ScanId;
use crate::motion::watch_log::Interval;

/// The version of this layout. A record of another version is done again.
const FORMAT: u32 = 8;

/// What a record was made from, and which files belong to it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Provenance {
    /// Hash of everything but the inputs' contents that the result depends on.
    pub fingerprint: String,
    pub inputs: Vec<InputState>,
    /// Files written for the scan, relative to the results folder, with their sizes.
    pub outputs: Vec<(String, u64)>,
}

#[derive(Serialize, Deserialize)]
struct Meta {
    format: u32,
    provenance: Provenance,
    id: ScanId,
    row: ReportRow,
    motion_from: usize,
    has_fd_span: bool,
    atlases: Vec<AtlasMeta>,
    log: Vec<Interval>,
    kept_at_limits: Vec<usize>,
    slices: Vec<SliceMeta>,
    /// Of all arrays, in the order they are stored.
    checksum: String,
}

#[derive(Serialize, Deserialize)]
struct AtlasMeta {
    name: String,
    has_series: bool,
}

/// Writes a record.
///
/// # Errors
/// [`RecordError`].
pub fn write(path: &Path, record: &ScanRecord, provenance: &Provenance) -> Result<(), RecordError> {
    let unwritable = |e: WriteNpzError| RecordError::Unwritable { path: path.to_owned(), message: e.to_string() };
    let meta = Meta {
        format: FORMAT,
        provenance: provenance.clone(),
        id: record.id.clone(),
        row: record.row.clone(),
        motion_from: record.motion_from,
        has_fd_span: record.fd_span_mm.is_some(),
        atlases: record
            .atlases
            .iter()
            .map(|a| AtlasMeta { name: a.name.clone(), has_series: a.residuals.is_some() })
            .collect(),
        log: record.log.clone(),
        kept_at_limits: record.kept_at_limits.clone(),
        slices: record.picture.iter().map(SliceMeta::of).collect(),
        checksum: checksum(record),
    };
    let meta = serde_json::to_vec(&meta)
        .map_err(|e| RecordError::Unwritable { path: path.to_owned(), message: e.to_string() })?;
    let numbers: usize = record.atlases.iter().filter_map(|a| a.residuals.as_ref()).map(Array2::len).sum();
    let mut npz = NpzWriter::new(Cursor::new(Vec::with_capacity(8 * (numbers + 2 * record.kept.len()) + 8192)));
    npz.add_array("meta", &Array1::from_vec(meta)).map_err(unwritable)?;
    npz.add_array("fd_mm", &record.fd_mm).map_err(unwritable)?;
    if let Some(fd_span_mm) = &record.fd_span_mm {
        npz.add_array("fd_span_mm", fd_span_mm).map_err(unwritable)?;
    }
    npz.add_array("dvars_percent", &record.dvars_percent).map_err(unwritable)?;
    npz.add_array("motion_spectrum", &record.motion_spectrum).map_err(unwritable)?;
    npz.add_array("global_signal", &record.global_signal).map_err(unwritable)?;
    npz.add_array("kept", &Array1::from_vec(record.kept.clone())).map_err(unwritable)?;
    npz.add_array("first_reason", &Array1::from_vec(record.first_reason.clone())).map_err(unwritable)?;
    for atlas in &record.atlases {
        npz.add_array(format!("used_{}", atlas.name), &Array1::from_vec(atlas.used.clone())).map_err(unwritable)?;
        npz.add_array(format!("coverage_{}", atlas.name), &Array1::from_vec(atlas.coverage.clone()))
            .map_err(unwritable)?;
        let voxels: Array1<u64> = atlas.voxels.iter().map(|&v| v as u64).collect();
        npz.add_array(format!("voxels_{}", atlas.name), &voxels).map_err(unwritable)?;
        npz.add_array(format!("raw_{}", atlas.name), &atlas.raw_shades).map_err(unwritable)?;
        npz.add_array(format!("mean_signal_{}", atlas.name), &Array1::from_vec(atlas.mean_signal.clone()))
            .map_err(unwritable)?;
        if let Some(residuals) = &atlas.residuals {
            npz.add_array(format!("series_{}", atlas.name), residuals).map_err(unwritable)?;
        }
    }
    write_picture(&mut npz, &record.picture).map_err(unwritable)?;
    let bytes = npz.finish().map_err(unwritable)?.into_inner();
    Ok(write_whole(path, &bytes)?)
}

/// What a record says that it was made from, without its arrays: enough to see that settings have changed.
///
/// # Errors
/// [`RecordError`]: unreadable, or of another version.
pub fn provenance(path: &Path) -> Result<Provenance, RecordError> {
    let (_, meta): (_, Meta) = Archive::open(path, FORMAT)?;
    Ok(meta.provenance)
}

/// Reads a record back.
///
/// # Errors
/// [`RecordError`]: unreadable, of another version, or damaged.
pub fn read(path: &Path) -> Result<(ScanRecord, Provenance), RecordError> {
    let (mut archive, meta): (Archive<'_>, Meta) = Archive::open(path, FORMAT)?;
    let mut atlases = Vec::new();
    for atlas in meta.atlases {
        let used: Array1<bool> = archive.array(&format!("used_{}", atlas.name))?;
        let residuals: Option<Array2<f64>> = match atlas.has_series {
            true => Some(archive.array(&format!("series_{}", atlas.name))?),
            false => None,
        };
        let coverage: Array1<f64> = archive.array(&format!("coverage_{}", atlas.name))?;
        let voxels: Array1<u64> = archive.array(&format!("voxels_{}", atlas.name))?;
        let raw_shades = archive.array(&format!("raw_{}", atlas.name))?;
        let mean_signal: Array1<f64> = archive.array(&format!("mean_signal_{}", atlas.name))?;
        atlases.push(AtlasRecord {
            name: atlas.name,
            used: used.to_vec(),
            coverage: coverage.to_vec(),
            voxels: voxels.iter().map(|&v| v as usize).collect(),
            raw_shades,
            mean_signal: mean_signal.to_vec(),
            residuals,
        });
    }
    let kept: Array1<bool> = archive.array("kept")?;
    let first_reason: Array1<u8> = archive.array("first_reason")?;
    let record = ScanRecord {
        id: meta.id,
        row: meta.row,
        fd_mm: archive.array("fd_mm")?,
        fd_span_mm: if meta.has_fd_span { Some(archive.array("fd_span_mm")?) } else { None },
        dvars_percent: archive.array("dvars_percent")?,
        motion_spectrum: archive.array("motion_spectrum")?,
        global_signal: archive.array("global_signal")?,
        kept: kept.to_vec(),
        first_reason: first_reason.to_vec(),
        motion_from: meta.motion_from,
        picture: read_picture(&mut archive, meta.slices, atlases.len())?,
        atlases,
        log: meta.log,
        kept_at_limits: meta.kept_at_limits,
    };
    if checksum(&record) != meta.checksum {
        return Err(RecordError::Checksum { path: path.to_owned() });
    }
    Ok((record, meta.provenance))
}

/// BLAKE3 over every array, as little-endian bytes.
fn checksum(record: &ScanRecord) -> String {
    let mut sum = Checksum::new();
    sum.numbers(&record.fd_mm);
    record.fd_span_mm.iter().for_each(|fd| sum.numbers(fd));
    sum.numbers(&record.dvars_percent);
    sum.numbers(&record.motion_spectrum);
    sum.numbers(&record.global_signal);
    for atlas in &record.atlases {
        sum.numbers(&atlas.coverage);
        sum.bytes(&atlas.voxels.iter().flat_map(|&v| (v as u64).to_le_bytes()).collect::<Vec<u8>>());
        sum.bytes(&atlas.raw_shades.iter().copied().collect::<Vec<u8>>());
        sum.numbers(&atlas.mean_signal);
    }
    sum_picture(&mut sum, &record.picture);
    for residuals in record.atlases.iter().filter_map(|a| a.residuals.as_ref()) {
        sum.numbers(residuals);
    }
    let flags = record.kept.iter().chain(record.atlases.iter().flat_map(|a| &a.used));
    sum.bytes(&flags.map(|&f| u8::from(f)).collect::<Vec<u8>>());
    sum.bytes(&record.first_reason);
    // Cannot fail: plain fields.
    sum.bytes(&serde_json::to_vec(&(&record.row, &record.log, &record.kept_at_limits)).unwrap_or_default());
    sum.finish()
}
