//! What a scan will cost, roughly: seconds, memory and disk, from its headers and masks.

use std::fs;

use super::atlases::Atlases;
use super::memory;
use super::prepared::Prepared;
use crate::study::Study;
use crate::study::settings::MotionSource;

/// What a scan will cost, roughly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// On one core.
    pub seconds: f64,
    /// Of this scan in work; the program and the atlases come once per run.
    pub memory_bytes: u64,
    pub disk_bytes: u64,
}

/// Bytes of image per second and core, compressed and plain; a little under what docs/measurements.md has.
const COMPRESSED_BYTES_PER_SECOND: f64 = 160e6;
const PLAIN_BYTES_PER_SECOND: f64 = 900e6;
/// Voxels of image registered per second and core: 60 frames of 64×64×36.
const VOXELS_REGISTERED_PER_SECOND: f64 = 60.0 * 64.0 * 64.0 * 36.0;

/// Estimates time, memory and disk of a scan from its headers and masks.
#[must_use]
pub fn estimate(prepared: &Prepared, atlases: &Atlases, study: &Study) -> Estimate {
    let header = &prepared.header;
    let parcels: u64 = atlases.list.iter().map(|a| a.parcels.len() as u64).sum();
    let frames = header.frames as u64;
    let compressed = header.data_path.extension().is_some_and(|e| e.eq_ignore_ascii_case("gz"));
    let rate = if compressed { COMPRESSED_BYTES_PER_SECOND } else { PLAIN_BYTES_PER_SECOND };
    let series = 8 * frames * parcels;
    let memory_bytes = memory::scan_bytes(prepared, atlases, study, false, true);
    let [x, y, z] = header.shape.map(|n| n as u64);
    // The slices in digest and record; the page, with series as text of bytes and its own script.
    let slices = 12 * (x * y + y * z + x * z);
    let page = if study.output.pages { 110_000 + 14 * (2 * frames + parcels) * parcels / 10 } else { 0 };
    // Tables, digest, record with its shades.
    let disk_bytes = 11 * frames * parcels
        + 2 * series
        + frames * parcels
        + 120 * frames
        + 11 * parcels * parcels
        + 60_000
        + slices
        + page;
    let size = fs::metadata(&header.data_path).map_or(header.file_bytes, |m| m.len());
    let mut seconds = size as f64 / rate;
    if study.motion.from == MotionSource::Images {
        // The file is read up to three times, and each frame is registered.
        seconds = 3.0 * seconds + frames as f64 * header.voxels() as f64 / VOXELS_REGISTERED_PER_SECOND;
    }
    Estimate { seconds, memory_bytes, disk_bytes }
}
