//! Writes the cohort's images: NIfTI-1 in one gzip stream, a volume at a time, the same bytes each time.
//!
//! Layout from the NIfTI-1 header file `nifti1.h` (public domain): 348 bytes of header, 4 of extension flag, data from
//! byte 352. Little-endian; the gzip header has no time and no file name, and free-text header fields stay empty.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use flate2::write::GzEncoder;
use flate2::{Compression, GzBuilder};

use super::SynthError;
use super::head::VoxelGrid;

/// How voxels are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stored {
    Uint8,
    Int16,
}

/// What a header says beside the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImageForm {
    pub stored: Stored,
    /// Frames of a 4-D image; none for a 3-D one.
    pub frames: Option<usize>,
    pub tr_s: f64,
    /// Value = stored × slope + inter.
    pub slope: f32,
    pub inter: f32,
}

/// An image that is being written.
pub struct ImageWriter {
    path: PathBuf,
    out: GzEncoder<BufWriter<File>>,
}

impl ImageWriter {
    /// Opens the file and writes the header. `level` is the gzip level, 0 to 9.
    ///
    /// # Errors
    /// The file cannot be made or written.
    pub fn create(path: &Path, grid: &VoxelGrid, form: &ImageForm, level: u32) -> Result<Self, SynthError> {
        let file = File::create(path).map_err(|e| SynthError::io("make", path, e))?;
        let out = GzBuilder::new().mtime(0).operating_system(255).write(BufWriter::new(file), Compression::new(level));
        let mut writer = Self { path: path.to_owned(), out };
        writer.put(&header(grid, form))?;
        Ok(writer)
    }

    /// Adds voxels, or a whole volume of them, as stored numbers.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn write_i16(&mut self, values: &[i16]) -> Result<(), SynthError> {
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        self.put(&bytes)
    }

    /// The same for one-byte images.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn write_u8(&mut self, values: &[u8]) -> Result<(), SynthError> {
        self.put(values)
    }

    /// Ends the gzip stream; gives the bytes written to disk.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn finish(self) -> Result<u64, SynthError> {
        let end = |out: GzEncoder<BufWriter<File>>| -> io::Result<u64> {
            let file = out.finish()?.into_inner().map_err(io::IntoInnerError::into_error)?;
            Ok(file.metadata()?.len())
        };
        end(self.out).map_err(|e| SynthError::io("write", &self.path, e))
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), SynthError> {
        self.out.write_all(bytes).map_err(|e| SynthError::io("write", &self.path, e))
    }
}

/// Header and extension flag, 352 bytes.
fn header(grid: &VoxelGrid, form: &ImageForm) -> [u8; 352] {
    let mut h = [0u8; 352];
    let mut put = |at: usize, bytes: &[u8]| h[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, &348i32.to_le_bytes());
    let dims = if form.frames.is_some() { 4i16 } else { 3 };
    let [nx, ny, nz] = grid.shape.map(|n| n as i16);
    for (n, d) in [dims, nx, ny, nz, form.frames.map_or(1, |f| f as i16), 1, 1, 1].iter().enumerate() {
        put(40 + 2 * n, &d.to_le_bytes());
    }
    let (datatype, bits) = match form.stored {
        Stored::Uint8 => (2i16, 8i16),
        Stored::Int16 => (4, 16),
    };
    put(70, &datatype.to_le_bytes());
    put(72, &bits.to_le_bytes());
    let tr = if form.frames.is_some() { form.tr_s as f32 } else { 0.0 };
    let [dx, dy, dz] = grid.voxel_mm.map(|m| m as f32);
    for (n, d) in [1.0f32, dx, dy, dz, tr].iter().enumerate() {
        put(76 + 4 * n, &d.to_le_bytes());
    }
    put(108, &352.0f32.to_le_bytes());
    put(112, &form.slope.to_le_bytes());
    put(116, &form.inter.to_le_bytes());
    // Units: millimetres (2) and seconds (8).
    put(123, &[2 | 8]);
    // sform code 2: aligned to other data, here to the invented template; no qform.
    put(254, &2i16.to_le_bytes());
    for (r, row) in grid.affine().iter().enumerate() {
        for (c, v) in row.iter().enumerate() {
            put(280 + 16 * r + 4 * c, &(*v as f32).to_le_bytes());
        }
    }
    put(344, b"n+1\0");
    h
}
