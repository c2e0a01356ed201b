//! What can be wrong with an image file.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

use super::affine::AffineSource;
use super::time_unit::TimeUnit;

/// What can be wrong with an image file.
#[derive(Debug, Error)]
pub enum NiftiError {
    #[error("{path}: cannot be opened ({source}); check the path and who may read it")]
    Open { path: PathBuf, source: io::Error },
    #[error("{path}: reading failed ({source}); check the disk or copy the file again")]
    Read { path: PathBuf, source: io::Error },
    #[error("{path}: the name ends neither in .nii nor in .hdr or .img, with or without .gz; name a NIfTI file")]
    UnknownName { path: PathBuf },
    #[error("{path}: is one half of a pair, and {missing} (or the same with .gz) is not there; put both in one folder")]
    MissingPair { path: PathBuf, missing: PathBuf },
    #[error("{path}: holds {found} bytes, fewer than the {expected} of a NIfTI header; copy the file again")]
    HeaderCut { path: PathBuf, found: u64, expected: u64 },
    #[error(
        "{path}: is not a NIfTI file: the header size in its first four bytes is {found}, not 348 (NIfTI-1) or 540 \
         (NIfTI-2); convert it to NIfTI"
    )]
    NotNifti { path: PathBuf, found: i32 },
    #[error("{path}: the magic word of the header is \"{found}\", expected \"{expected}\" {reason}; convert it again")]
    Magic { path: PathBuf, found: String, expected: &'static str, reason: &'static str },
    #[error("{path}: dim[0], the number of axes, is {found}, expected 1 to 7; the header is damaged, convert it again")]
    AxisCount { path: PathBuf, found: i64 },
    #[error("{path}: has {found} axes, expected at least 3; give an image of a volume")]
    FewAxes { path: PathBuf, found: usize },
    #[error("{path}: dim[{axis}], the length of an axis, is {found}, expected at least 1; convert the file again")]
    AxisLength { path: PathBuf, axis: usize, found: i64 },
    #[error("{path}: the size {shape} is more than a computer can address; the header is damaged, convert it again")]
    SizeOverflow { path: PathBuf, shape: String },
    #[error("{path}: is a 3-D image ({shape}), expected 4-D, a run of volumes; name the run's own file")]
    NotFourD { path: PathBuf, shape: String },
    #[error("{path}: has more than four axes that are longer than 1 ({shape}), expected x, y, z and time; split it")]
    ExtraAxes { path: PathBuf, shape: String },
    #[error("{path}: holds {frames} volumes ({shape}), expected a single one; take one volume out of it")]
    NotThreeD { path: PathBuf, frames: usize, shape: String },
    #[error("{path}: holds colours ({name}), expected one number per voxel; convert it to a grey or label image")]
    ColourType { path: PathBuf, name: &'static str },
    #[error("{path}: holds complex numbers ({name}), expected real ones; convert it to magnitude")]
    ComplexType { path: PathBuf, name: &'static str },
    #[error("{path}: holds 128-bit floating-point numbers, expected 64 bits at most; convert it to float32 or float64")]
    LongFloatType { path: PathBuf },
    #[error("{path}: datatype {code} is no number type of NIfTI; the header is damaged or the file is not finished")]
    UnknownType { path: PathBuf, code: i16 },
    #[error("{path}: bitpix is {found}, but datatype {dtype} has {expected} bits; the header contradicts itself")]
    BitsMismatch { path: PathBuf, found: i16, dtype: &'static str, expected: usize },
    #[error("{path}: vox_offset is {found}, expected a whole number that is not negative; the header is damaged")]
    OffsetNotNumber { path: PathBuf, found: f64 },
    #[error("{path}: vox_offset is {found}, inside the header, expected {least} or more; the header is damaged")]
    OffsetInHeader { path: PathBuf, found: u64, least: u64 },
    #[error("{path}: the {which} affine holds a value that is not finite; write the orientation again")]
    AffineNotFinite { path: PathBuf, which: AffineSource },
    #[error("{path}: the {which} affine is singular, it flattens the volume; write the orientation again")]
    AffineSingular { path: PathBuf, which: AffineSource },
    #[error(
        "{path}: holds {found} bytes, but its header promises {expected} ({shape} of {dtype} from byte {offset}); the \
         file is cut short, copy it again"
    )]
    Truncated { path: PathBuf, found: u64, expected: u64, shape: String, dtype: &'static str, offset: u64 },
    #[error(
        "{path}: the data end in volume {frame} of {frames} (counted from 1); the header promises more than the file \
         holds, make or copy it again"
    )]
    DataEnd { path: PathBuf, frame: usize, frames: usize },
    #[error("{path}: is named .gz but is not gzip data; take .gz off the name or compress it")]
    NotGzip { path: PathBuf },
    #[error("{path}: the gzip data end in the middle; the file is cut short, copy it again")]
    GzipTruncated { path: PathBuf },
    #[error("{path}: the gzip data are damaged; copy the file again")]
    GzipDamaged { path: PathBuf },
    #[error("{path}: the gzip checksum does not match the data; the file is damaged, copy it again")]
    GzipChecksum { path: PathBuf },
    #[error(
        "{path}: says at its end that it holds {found} bytes, but its header promises {expected} ({shape}); the file \
         is cut short, damaged or joined, copy or make it again"
    )]
    GzipSize { path: PathBuf, found: u32, expected: u64, shape: String },
    #[error("{path}: something that is not gzip follows the gzip data; the file is damaged or joined, copy it again")]
    GzipTrailing { path: PathBuf },
    #[error("{path}: no memory for a volume of {bytes} bytes; free memory or use fewer jobs")]
    Memory { path: PathBuf, bytes: usize },
    #[error(
        "{path}: the header's repetition time is {found}, expected a number above 0; give `tr_s` in the scan table or \
        in [scans], or RepetitionTime in the sidecar"
    )]
    TimeStepMissing { path: PathBuf, found: f64 },
    #[error(
        "{path}: the header's repetition time is {found} in {unit}, expected 100 s at most; if these are milliseconds, \
        divide by 1000, and give that as `tr_s` in the scan table or in [scans], or as RepetitionTime in the sidecar"
    )]
    TimeStepLong { path: PathBuf, found: f64, unit: TimeUnit },
    #[error(
        "{path}: the header's fourth axis is in {unit}, expected a unit of time; give `tr_s` in the scan table or \
        in [scans], or RepetitionTime in the sidecar"
    )]
    NotTime { path: PathBuf, unit: TimeUnit },
    #[error("{path}: writing failed ({source}); check the folder and the space on the disk")]
    Write { path: PathBuf, source: io::Error },
    #[error("{path}: the name to write ends neither in .nii nor in .nii.gz; give it one of these endings")]
    WriteName { path: PathBuf },
    #[error("{path}: an image of size {shape} cannot be written as NIfTI-1, expected 1 to 7 axes of 1 to 32767 voxels")]
    WriteShape { path: PathBuf, shape: String },
    #[error("{path}: was given {found} {what}, expected {expected}; give all of them and no more")]
    WriteCount { path: PathBuf, what: &'static str, found: usize, expected: usize },
    #[error("{path}: the affine to write is singular or not finite; give one that keeps three dimensions")]
    WriteAffine { path: PathBuf },
}

/// Axis lengths as people write them: `64×64×36×300`.
pub(super) fn shape_text(lengths: impl IntoIterator<Item = usize>) -> String {
    lengths.into_iter().map(|length| length.to_string()).collect::<Vec<_>>().join("×")
}
