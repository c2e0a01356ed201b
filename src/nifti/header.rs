//! The header, with every field checked before it is believed.
//!
//! NIfTI-1: 348 bytes, 16-bit dimensions, 32-bit floats. NIfTI-2: 540 bytes, 64-bit both. The first four bytes are the
//! header's size, and so give the version and the byte order. Only the fields that a computation needs are read; free
//! text never leaves the file.

use std::path::{Path, PathBuf};

use super::decode::RawVolume;
use super::dtype::Dtype;
use super::error::{NiftiError, shape_text};
use super::files::Files;
use super::time_unit::TimeUnit;
use super::{Affine, AffineSource};
use crate::units::usable_tr;

/// Bytes of a NIfTI-1 header.
pub(super) const NIFTI1_BYTES: usize = 348;
/// Bytes of a NIfTI-2 header.
pub(super) const NIFTI2_BYTES: usize = 540;

/// What a header says, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct Header {
    /// The path as given.
    pub path: PathBuf,
    /// The file that holds the voxels: the same, or the `.img` of a pair.
    pub data_path: PathBuf,
    /// Voxels along x, y, z.
    pub shape: [usize; 3],
    /// Volumes: 1 for a 3-D image, the product of all further axes otherwise.
    pub frames: usize,
    /// `dim[0]`: the axes that the header counts, trailing ones of length 1 included.
    pub axes: usize,
    /// Lengths of the fifth and later axes, trailing ones of length 1 left out; empty for all ordinary images.
    pub extra_dims: Vec<usize>,
    pub dtype: Dtype,
    pub big_endian: bool,
    /// 1 when there is no scaling.
    pub slope: f64,
    /// 0 when there is no scaling.
    pub inter: f64,
    /// Voxel to world, mm.
    pub affine: Affine,
    pub affine_source: AffineSource,
    /// Sizes of a voxel as the header has them, mm; unused where an sform is in force.
    pub pixdim: [f64; 3],
    /// `pixdim[4]` as the header has it; [`Header::tr_s`] makes seconds of it.
    pub frame_step: f64,
    pub time_unit: TimeUnit,
    /// First byte of the voxels in the (decompressed) data file.
    pub vox_offset: u64,
    pub nifti2: bool,
    /// Size of the data file on disk, bytes.
    pub file_bytes: u64,
}

impl Header {
    /// Repetition time, s, from `pixdim[4]` and its unit. A unit that the header does not name is taken as seconds.
    ///
    /// NIfTI-1 holds it as a 32-bit float, and NIfTI-2 often holds one that was converted from there. The shortest
    /// decimal that reads back as that float is taken: 0.8, and not 0.800000012. Otherwise whatever ends on a frame's
    /// edge, such as an entry of a watch log, would reach into the next frame.
    ///
    /// # Errors
    /// When the value is not above 0, is over 100 s in its unit, or the unit is none of time: it is never guessed.
    pub fn tr_s(&self) -> Result<f64, NiftiError> {
        let path = || self.path.clone();
        let found = shortest_decimal(self.frame_step);
        let per_second = match self.time_unit {
            TimeUnit::Seconds | TimeUnit::Unknown => 1.0,
            TimeUnit::Milliseconds => 1e3,
            TimeUnit::Microseconds => 1e6,
            TimeUnit::Other(_) => return Err(NiftiError::NotTime { path: path(), unit: self.time_unit }),
        };
        if !(found > 0.0 && found.is_finite()) {
            return Err(NiftiError::TimeStepMissing { path: path(), found });
        }
        usable_tr(found / per_second).ok_or(NiftiError::TimeStepLong { path: path(), found, unit: self.time_unit })
    }

    /// Voxels in a volume.
    #[must_use]
    pub fn voxels(&self) -> usize {
        self.shape.iter().product()
    }

    /// Bytes of a volume.
    #[must_use]
    pub fn volume_bytes(&self) -> usize {
        self.voxels() * self.dtype.size()
    }

    /// The meaning of a volume's bytes.
    pub(crate) fn volume<'a>(&self, bytes: &'a [u8]) -> RawVolume<'a> {
        let (dtype, big_endian) = (self.dtype, self.big_endian);
        RawVolume { bytes, dtype, big_endian, slope: self.slope, inter: self.inter }
    }

    /// Bytes from the start of the data file to the end of the last volume.
    #[must_use]
    pub fn promised_bytes(&self) -> u64 {
        self.vox_offset + self.volume_bytes() as u64 * self.frames as u64
    }

    /// All axis lengths, as in `64×64×36×300`.
    #[must_use]
    pub fn shape_text(&self) -> String {
        let extra: usize = self.extra_dims.iter().product();
        let mut lengths = self.shape.to_vec();
        if self.axes > 3 {
            lengths.push(self.frames / extra);
        }
        lengths.extend(&self.extra_dims);
        shape_text(lengths)
    }
}

/// The shortest decimal of a value that is a 32-bit float; any other value as it is.
fn shortest_decimal(value: f64) -> f64 {
    let narrow = value as f32;
    if f64::from(narrow) == value { narrow.to_string().parse().unwrap_or(value) } else { value }
}

/// Numbers at given offsets in one byte order.
struct Fields<'a> {
    raw: &'a [u8],
    big_endian: bool,
}

impl Fields<'_> {
    fn bytes<const N: usize>(&self, at: usize) -> [u8; N] {
        let mut bytes = [0; N];
        // The callers' offsets are constants inside the header, whose length was checked; past it there are only zeros.
        if let Some(found) = self.raw.get(at..at + N) {
            bytes.copy_from_slice(found);
        }
        if self.big_endian {
            bytes.reverse();
        }
        bytes
    }

    fn i16(&self, at: usize) -> i16 {
        i16::from_le_bytes(self.bytes(at))
    }

    fn i32(&self, at: usize) -> i32 {
        i32::from_le_bytes(self.bytes(at))
    }

    fn i64(&self, at: usize) -> i64 {
        i64::from_le_bytes(self.bytes(at))
    }

    fn f32(&self, at: usize) -> f64 {
        f64::from(f32::from_le_bytes(self.bytes(at)))
    }

    fn f64(&self, at: usize) -> f64 {
        f64::from_le_bytes(self.bytes(at))
    }
}

/// The fields of either version at one width.
struct Written {
    dim: [i64; 8],
    datatype: i16,
    bitpix: i16,
    pixdim: [f64; 8],
    /// Exact as `f64` for NIfTI-1; NIfTI-2 has a 64-bit integer.
    vox_offset: Result<i64, f64>,
    slope: f64,
    inter: f64,
    time_code: u8,
    qform_code: i32,
    sform_code: i32,
    quaternion: [f64; 3],
    quaternion_offset: [f64; 3],
    rows: [[f64; 4]; 3],
}

/// From the first four bytes: the header's size and whether it is big-endian.
pub(super) fn version(raw: &[u8; 4], path: &Path) -> Result<(usize, bool), NiftiError> {
    let little = i32::from_le_bytes(*raw);
    for size in [NIFTI1_BYTES, NIFTI2_BYTES] {
        if little == size as i32 {
            return Ok((size, false));
        }
        if i32::from_be_bytes(*raw) == size as i32 {
            return Ok((size, true));
        }
    }
    Err(NiftiError::NotNifti { path: path.to_path_buf(), found: little })
}

/// Offsets from `nifti1.h`.
fn read_nifti1(fields: &Fields<'_>) -> Written {
    let offset = fields.f32(108);
    Written {
        dim: std::array::from_fn(|axis| i64::from(fields.i16(40 + 2 * axis))),
        datatype: fields.i16(70),
        bitpix: fields.i16(72),
        pixdim: std::array::from_fn(|axis| fields.f32(76 + 4 * axis)),
        // Under 2^62 so that the cast is exact.
        vox_offset: if offset.fract() == 0.0 && offset.abs() < 4.6e18 { Ok(offset as i64) } else { Err(offset) },
        slope: fields.f32(112),
        inter: fields.f32(116),
        time_code: fields.bytes::<1>(123)[0] & 0x38,
        qform_code: i32::from(fields.i16(252)),
        sform_code: i32::from(fields.i16(254)),
        quaternion: std::array::from_fn(|part| fields.f32(256 + 4 * part)),
        quaternion_offset: std::array::from_fn(|axis| fields.f32(268 + 4 * axis)),
        rows: std::array::from_fn(|row| std::array::from_fn(|column| fields.f32(280 + 16 * row + 4 * column))),
    }
}

/// Offsets from `nifti2.h`.
fn read_nifti2(fields: &Fields<'_>) -> Written {
    Written {
        dim: std::array::from_fn(|axis| fields.i64(16 + 8 * axis)),
        datatype: fields.i16(12),
        bitpix: fields.i16(14),
        pixdim: std::array::from_fn(|axis| fields.f64(104 + 8 * axis)),
        vox_offset: Ok(fields.i64(168)),
        slope: fields.f64(176),
        inter: fields.f64(184),
        time_code: (fields.i32(500) & 0x38) as u8,
        qform_code: fields.i32(344),
        sform_code: fields.i32(348),
        quaternion: std::array::from_fn(|part| fields.f64(352 + 8 * part)),
        quaternion_offset: std::array::from_fn(|axis| fields.f64(376 + 8 * axis)),
        rows: std::array::from_fn(|row| std::array::from_fn(|column| fields.f64(400 + 32 * row + 8 * column))),
    }
}

/// Checks the magic word: it says whether the voxels are in the same file, and NIfTI-2's also shows damage by a
/// transfer in text mode.
fn check_magic(raw: &[u8], nifti2: bool, pair: bool, path: &Path) -> Result<(), NiftiError> {
    let (found, expected): (&[u8], &[u8]) = match (nifti2, pair) {
        (false, false) => (raw.get(344..348).unwrap_or_default(), b"n+1\0"),
        (false, true) => (raw.get(344..348).unwrap_or_default(), b"ni1\0"),
        (true, false) => (raw.get(4..12).unwrap_or_default(), b"n+2\0\r\n\x1a\n"),
        (true, true) => (raw.get(4..12).unwrap_or_default(), b"ni2\0\r\n\x1a\n"),
    };
    if found == expected {
        return Ok(());
    }
    let (expected, reason) = match (nifti2, pair) {
        (false, false) => ("n+1\\0", "for a NIfTI-1 file that holds its own voxels"),
        (false, true) => ("ni1\\0", "for the header of a NIfTI-1 pair"),
        (true, false) => ("n+2\\0\\r\\n\\x1a\\n", "for a NIfTI-2 file that holds its own voxels"),
        (true, true) => ("ni2\\0\\r\\n\\x1a\\n", "for the header of a NIfTI-2 pair"),
    };
    let found = found.escape_ascii().to_string().replace("\\x00", "\\0");
    Err(NiftiError::Magic { path: path.to_path_buf(), found, expected, reason })
}

/// The axes, checked: lengths along x, y, z, volumes, and further axes without trailing ones.
fn check_dim(dim: &[i64; 8], path: &Path) -> Result<([usize; 3], usize, Vec<usize>), NiftiError> {
    let path = || path.to_path_buf();
    if !(1..=7).contains(&dim[0]) {
        return Err(NiftiError::AxisCount { path: path(), found: dim[0] });
    }
    let axes = dim[0] as usize;
    let mut lengths = Vec::with_capacity(7);
    for (axis, &found) in dim.iter().enumerate().take(axes + 1).skip(1) {
        match usize::try_from(found) {
            Ok(length) if length > 0 => lengths.push(length),
            _ => return Err(NiftiError::AxisLength { path: path(), axis, found }),
        }
    }
    if axes < 3 {
        return Err(NiftiError::FewAxes { path: path(), found: axes });
    }
    // Room for 8-byte values and a few hundred bytes of header on top.
    let limit = isize::MAX as usize / 16;
    let product = lengths.iter().try_fold(1_usize, |product, &length| product.checked_mul(length));
    if product.is_none_or(|product| product > limit) {
        return Err(NiftiError::SizeOverflow { path: path(), shape: shape_text(lengths) });
    }
    let frames = lengths[3..].iter().product();
    let mut extra = lengths.get(4..).unwrap_or_default().to_vec();
    while extra.last() == Some(&1) {
        extra.pop();
    }
    Ok(([lengths[0], lengths[1], lengths[2]], frames, extra))
}

/// The affine in force, checked.
fn choose_affine(written: &Written, path: &Path) -> Result<(Affine, AffineSource), NiftiError> {
    let sizes = [1, 2, 3].map(|axis| written.pixdim[axis].abs());
    let (affine, which) = if written.sform_code > 0 {
        (Affine(written.rows), AffineSource::Sform)
    } else if written.qform_code > 0 {
        let sign = if written.pixdim[0] < 0.0 { -1.0 } else { 1.0 };
        let affine = Affine::from_quaternion(written.quaternion, sizes, sign, written.quaternion_offset);
        (affine, AffineSource::Qform)
    } else {
        (Affine::scaling(sizes), AffineSource::Pixdim)
    };
    if !affine.is_finite() {
        return Err(NiftiError::AffineNotFinite { path: path.to_path_buf(), which });
    }
    if affine.is_singular() {
        return Err(NiftiError::AffineSingular { path: path.to_path_buf(), which });
    }
    Ok((affine, which))
}

/// Checks a whole header (348 or 540 bytes) and gathers what it says. `named` is the path as the user gave it.
///
/// # Errors
/// One variant for each thing that can be wrong.
pub(super) fn parse(raw: &[u8], named: &Path, files: &Files, file_bytes: u64) -> Result<Header, NiftiError> {
    let path = || files.header.clone();
    let Some(first) = raw.first_chunk::<4>() else {
        return Err(NiftiError::HeaderCut { path: path(), found: raw.len() as u64, expected: NIFTI1_BYTES as u64 });
    };
    let (size, big_endian) = version(first, &files.header)?;
    if raw.len() < size {
        return Err(NiftiError::HeaderCut { path: path(), found: raw.len() as u64, expected: size as u64 });
    }
    let nifti2 = size == NIFTI2_BYTES;
    check_magic(raw, nifti2, files.pair, &files.header)?;
    let fields = Fields { raw, big_endian };
    let written = if nifti2 { read_nifti2(&fields) } else { read_nifti1(&fields) };

    let (shape, frames, extra_dims) = check_dim(&written.dim, &files.header)?;
    let dtype = Dtype::from_code(written.datatype, &files.header)?;
    if i64::from(written.bitpix) != 8 * dtype.size() as i64 {
        return Err(NiftiError::BitsMismatch {
            path: path(),
            found: written.bitpix,
            dtype: dtype.name(),
            expected: 8 * dtype.size(),
        });
    }
    let vox_offset = match written.vox_offset {
        Ok(offset) if offset >= 0 => offset as u64,
        Ok(offset) => return Err(NiftiError::OffsetNotNumber { path: path(), found: offset as f64 }),
        Err(found) => return Err(NiftiError::OffsetNotNumber { path: path(), found }),
    };
    if !files.pair && vox_offset < size as u64 {
        return Err(NiftiError::OffsetInHeader { path: path(), found: vox_offset, least: size as u64 });
    }
    let (affine, affine_source) = choose_affine(&written, &files.header)?;
    let scaled = written.slope != 0.0 && written.slope.is_finite() && written.inter.is_finite();
    let header = Header {
        path: named.to_path_buf(),
        data_path: files.data.clone(),
        shape,
        frames,
        axes: written.dim[0] as usize,
        extra_dims,
        dtype,
        big_endian,
        slope: if scaled { written.slope } else { 1.0 },
        inter: if scaled { written.inter } else { 0.0 },
        affine,
        affine_source,
        pixdim: [written.pixdim[1], written.pixdim[2], written.pixdim[3]],
        frame_step: written.pixdim[4],
        time_unit: match written.time_code {
            0 => TimeUnit::Unknown,
            8 => TimeUnit::Seconds,
            16 => TimeUnit::Milliseconds,
            24 => TimeUnit::Microseconds,
            code => TimeUnit::Other(code),
        },
        vox_offset,
        nifti2,
        file_bytes,
    };
    // dim's own product was held to an eighth of what i64 holds; a wild vox_offset can still break the sum.
    if vox_offset.checked_add(header.volume_bytes() as u64 * frames as u64).is_none_or(|end| end > i64::MAX as u64) {
        return Err(NiftiError::SizeOverflow { path: path(), shape: header.shape_text() });
    }
    Ok(header)
}
