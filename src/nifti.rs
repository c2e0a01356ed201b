//! The NIfTI image format, ignorant of studies: NIfTI-1 and NIfTI-2, one file or a pair, plain or gzipped, either byte
//! order, ten number types; read a volume at a time and held to its own checksums.
//!
//! Files come from strangers, so nothing in a header is believed before it is checked, and no memory is taken on its
//! word: a plain file's length is compared first, a compressed volume's buffer grows as bytes arrive. Each way in which
//! a file can be wrong is its own [`NiftiError`].
//!
//! Source of every field, offset and rule: `nifti1.h` and `nifti2.h` of the NIfTI Data Format Working Group.

pub use error::NiftiError;
mod affine;
mod decode;
mod dtype;
mod error;
mod files;
mod gzip;
mod header;
mod stream;
mod time_unit;
mod write;

#[cfg(test)]
mod tests;

pub use affine::{Affine, AffineSource};
pub use decode::RawVolume;
pub use dtype::Dtype;
pub use header::Header;
pub use stream::{Image3, VolumeStream, content_hash, files_of, read_3d, read_header};
pub use time_unit::TimeUnit;
pub use write::{ImageWriter, RunShape, Voxel, write_image};
