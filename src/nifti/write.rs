//! Writing images: labels, masks and mean images whole, synthetic runs one volume at a time.
//!
//! Whole images go through the `nifti` crate's writer. It always writes slope 1 and takes a whole array, so runs have
//! their own [`ImageWriter`]: the same header structure, its 348 bytes laid out here, and volumes behind it. Files are
//! NIfTI-1 with the affine as sform, millimetres and seconds, and no free text. They are written under another name in
//! the same folder, and renamed when they are complete.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use flate2::Compression;
use flate2::write::GzEncoder;
use ndarray::ArrayViewD;
use nifti::NiftiHeader;
use nifti::writer::WriterOptions;

use super::affine::Affine;
use super::error::{NiftiError, shape_text};
use super::files::named_gz;
use super::gzip::BUFFER_BYTES;
use super::header::NIFTI1_BYTES;

/// Voxels start behind the header and four zero bytes that say "no extensions" (`nifti1.h`).
const VOX_OFFSET: usize = NIFTI1_BYTES + 4;
/// `xyzt_units`: millimetres (2) and seconds (8).
const MILLIMETRES_AND_SECONDS: u8 = 2 | 8;
/// Scanner or other aligned space; the standard's code for "aligned to something", since we know no more.
const ALIGNED: i16 = 2;

mod sealed {
    use ndarray::ArrayViewD;
    use nifti::writer::WriterOptions;

    /// Number types the crate's writer takes; sealed since its own bounds come from a crate that is not ours to name.
    pub trait Sealed: Sized {
        fn write(options: &WriterOptions<'_>, data: &ArrayViewD<'_, Self>) -> nifti::Result<()>;
    }
}

/// A number type that [`write_image`] can write.
pub trait Voxel: sealed::Sealed {}

macro_rules! voxel {
    ($($type:ty),*) => {$(
        impl sealed::Sealed for $type {
            fn write(options: &WriterOptions<'_>, data: &ArrayViewD<'_, Self>) -> nifti::Result<()> {
                options.write_nifti(data)
            }
        }
        impl Voxel for $type {}
    )*};
}
voxel!(u8, i8, u16, i16, u32, i32, u64, i64, f32, f64);

/// Everything of a header but the voxels' type: position and time.
fn header_for(path: &Path, lengths: &[usize], affine: &Affine, tr_s: Option<f64>) -> Result<NiftiHeader, NiftiError> {
    let shape_error = || NiftiError::WriteShape { path: path.to_path_buf(), shape: shape_text(lengths.to_vec()) };
    if lengths.is_empty() || lengths.len() > 7 {
        return Err(shape_error());
    }
    if !affine.is_finite() || affine.is_singular() {
        return Err(NiftiError::WriteAffine { path: path.to_path_buf() });
    }
    let mut dim = [1_u16; 8];
    dim[0] = lengths.len() as u16;
    for (place, &length) in dim[1..].iter_mut().zip(lengths) {
        // The field is a signed 16-bit number.
        *place = match i16::try_from(length) {
            Ok(length) if length > 0 => length.unsigned_abs(),
            _ => return Err(shape_error()),
        };
    }
    let mut pixdim = [1.0_f32; 8];
    for (place, size) in pixdim[1..].iter_mut().zip(affine.voxel_sizes()) {
        *place = size as f32;
    }
    if let Some(tr_s) = tr_s {
        pixdim[4] = tr_s as f32;
    }
    let rows = affine.0.map(|row| row.map(|value| value as f32));
    Ok(NiftiHeader {
        dim,
        pixdim,
        xyzt_units: MILLIMETRES_AND_SECONDS,
        qform_code: 0,
        sform_code: ALIGNED,
        srow_x: rows[0],
        srow_y: rows[1],
        srow_z: rows[2],
        ..NiftiHeader::default()
    })
}

/// A file under a name of its own beside the one wanted; removed again unless [`Draft::publish`] was called.
struct Draft {
    wanted: PathBuf,
    path: PathBuf,
}

impl Draft {
    fn new(wanted: &Path) -> Result<Self, NiftiError> {
        let gz = named_gz(wanted);
        let inner = if gz { wanted.with_extension("") } else { wanted.to_path_buf() };
        if !inner.extension().is_some_and(|end| end.eq_ignore_ascii_case("nii")) {
            return Err(NiftiError::WriteName { path: wanted.to_path_buf() });
        }
        static COUNT: AtomicU64 = AtomicU64::new(0);
        // No dot inside the stem: the crate's writer would take what follows it for an ending and drop it.
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let name = format!("writing-{}-{count}.nii{}", std::process::id(), if gz { ".gz" } else { "" });
        Ok(Self { wanted: wanted.to_path_buf(), path: wanted.with_file_name(name) })
    }

    fn error(&self, source: io::Error) -> NiftiError {
        NiftiError::Write { path: self.wanted.clone(), source }
    }

    fn publish(self) -> Result<(), NiftiError> {
        let publish = || {
            File::open(&self.path)?.sync_all()?;
            fs::rename(&self.path, &self.wanted)?;
            // The new name itself is safe only when the folder is.
            let folder = self.wanted.parent().filter(|folder| !folder.as_os_str().is_empty());
            File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
        };
        publish().map_err(|source| self.error(source))
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        // After publishing there is nothing of that name; a failure here has no one to tell.
        let _ = fs::remove_file(&self.path);
    }
}

/// Writes a whole image, `.nii` or `.nii.gz`, axes x, y, z and on, without scaling. `level` is gzip's, 0 to 9; `tr_s`,
/// s, goes into the header of a 4-D image.
///
/// # Errors
/// A name that is not NIfTI's, a size that NIfTI-1 cannot hold, a singular affine, or a failed write.
pub fn write_image<T: Voxel>(
    path: &Path,
    data: &ArrayViewD<'_, T>,
    affine: &Affine,
    tr_s: Option<f64>,
    level: u32,
) -> Result<(), NiftiError> {
    let header = header_for(path, data.shape(), affine, tr_s)?;
    let draft = Draft::new(path)?;
    let mut options = WriterOptions::new(&draft.path).reference_header(&header);
    if named_gz(path) {
        options = options.compression_level(Compression::new(level.min(9)));
    }
    T::write(&options, data).map_err(|error| match error {
        nifti::NiftiError::Io(source) => draft.error(source),
        other => draft.error(io::Error::other(other)),
    })?;
    draft.publish()
}

/// The grid, time and scaling of a run to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct RunShape {
    /// Voxels along x, y, z.
    pub shape: [usize; 3],
    pub frames: usize,
    /// A stored value v stands for v · slope + inter.
    pub slope: f64,
    pub inter: f64,
    /// Voxel to world, mm.
    pub affine: Affine,
    /// Repetition time, s; none leaves 1 in the header.
    pub tr_s: Option<f64>,
}

enum Sink {
    Plain(BufWriter<File>),
    Gzip(Box<GzEncoder<BufWriter<File>>>),
}

/// Writes a 4-D int16 run, one volume at a time.
pub struct ImageWriter {
    draft: Draft,
    sink: Sink,
    voxels: usize,
    frames: usize,
    written: usize,
    bytes: Vec<u8>,
}

impl ImageWriter {
    /// Starts a file, `.nii` or `.nii.gz`; it appears under its name at [`ImageWriter::finish`]. `level` is gzip's, 0
    /// to 9.
    ///
    /// # Errors
    /// As [`write_image`].
    pub fn create(path: &Path, run: &RunShape, level: u32) -> Result<Self, NiftiError> {
        let [x, y, z] = run.shape;
        let mut header = header_for(path, &[x, y, z, run.frames], &run.affine, run.tr_s)?;
        // 4 and 16: NIfTI's code for int16 and its bits.
        header.datatype = 4;
        header.bitpix = 16;
        header.vox_offset = VOX_OFFSET as f32;
        header.scl_slope = run.slope as f32;
        header.scl_inter = run.inter as f32;
        header.magic = *b"n+1\0";
        let draft = Draft::new(path)?;
        let file = File::create(&draft.path).map_err(|source| draft.error(source))?;
        let file = BufWriter::with_capacity(BUFFER_BYTES, file);
        let sink = if named_gz(path) {
            Sink::Gzip(Box::new(GzEncoder::new(file, Compression::new(level.min(9)))))
        } else {
            Sink::Plain(file)
        };
        let mut writer = Self { draft, sink, voxels: x * y * z, frames: run.frames, written: 0, bytes: Vec::new() };
        writer.bytes = header_bytes(&header);
        writer.write_bytes()?;
        Ok(writer)
    }

    fn write_bytes(&mut self) -> Result<(), NiftiError> {
        match &mut self.sink {
            Sink::Plain(sink) => sink.write_all(&self.bytes),
            Sink::Gzip(sink) => sink.write_all(&self.bytes),
        }
        .map_err(|source| self.draft.error(source))
    }

    /// Writes the next volume, stored values with x fastest.
    ///
    /// # Errors
    /// Another number of voxels than the shape has, one volume too many, or a failed write.
    pub fn write_volume(&mut self, volume: &[i16]) -> Result<(), NiftiError> {
        let count =
            |what, found, expected| NiftiError::WriteCount { path: self.draft.wanted.clone(), what, found, expected };
        if volume.len() != self.voxels {
            return Err(count("voxels in a volume", volume.len(), self.voxels));
        }
        if self.written == self.frames {
            return Err(count("volumes", self.written + 1, self.frames));
        }
        self.bytes.clear();
        self.bytes.extend(volume.iter().flat_map(|value| value.to_le_bytes()));
        self.written += 1;
        self.write_bytes()
    }

    /// Ends the file and gives it its name.
    ///
    /// # Errors
    /// Volumes missing, or a failed write.
    pub fn finish(self) -> Result<(), NiftiError> {
        if self.written != self.frames {
            return Err(NiftiError::WriteCount {
                path: self.draft.wanted.clone(),
                what: "volumes",
                found: self.written,
                expected: self.frames,
            });
        }
        let Self { draft, sink, .. } = self;
        match sink {
            Sink::Plain(mut sink) => sink.flush(),
            Sink::Gzip(sink) => sink.finish().and_then(|mut file| file.flush()),
        }
        .map_err(|source| draft.error(source))?;
        draft.publish()
    }
}

/// A header in `nifti1.h`'s order, little-endian, with the four bytes that say "no extensions".
fn header_bytes(header: &NiftiHeader) -> Vec<u8> {
    let mut bytes = vec![0; VOX_OFFSET];
    let mut put = |at: usize, value: &[u8]| bytes[at..at + value.len()].copy_from_slice(value);
    put(0, &header.sizeof_hdr.to_le_bytes());
    for (axis, length) in header.dim.iter().enumerate() {
        put(40 + 2 * axis, &length.to_le_bytes());
    }
    put(70, &header.datatype.to_le_bytes());
    put(72, &header.bitpix.to_le_bytes());
    for (axis, size) in header.pixdim.iter().enumerate() {
        put(76 + 4 * axis, &size.to_le_bytes());
    }
    put(108, &header.vox_offset.to_le_bytes());
    put(112, &header.scl_slope.to_le_bytes());
    put(116, &header.scl_inter.to_le_bytes());
    put(123, &[header.xyzt_units]);
    put(252, &header.qform_code.to_le_bytes());
    put(254, &header.sform_code.to_le_bytes());
    for (row, values) in [header.srow_x, header.srow_y, header.srow_z].iter().enumerate() {
        for (column, value) in values.iter().enumerate() {
            put(280 + 16 * row + 4 * column, &value.to_le_bytes());
        }
    }
    put(344, &header.magic);
    bytes
}
