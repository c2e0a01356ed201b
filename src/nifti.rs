//! The NIfTI image format; nothing here knows of studies. It reads NIfTI-1 and NIfTI-2, one file or a pair, plain or
//! gzipped, in either byte order and ten number types, one volume at a time, and checks every checksum.
//!
//! Files come from strangers, so nothing in a header is believed before it is checked, and no memory is allocated on
//! its word. A plain file's length is compared first, and the buffer of a compressed volume grows as bytes arrive. Each
//! way in which a file can be wrong is an [`NiftiError`] of its own.
//!
//! Source of every field, offset and rule: `nifti1.h` and `nifti2.h` of the NIfTI Data Format Working Group.

pub use error::NiftiError;
mod affine;
mod decode;
mod dtype;
mod error;
mod files;
mod gzip;
mod gzip_size;
mod header;
mod stream;
mod time_unit;
mod write;

#[cfg(test)]
mod tests;

pub use affine::{Affine, AffineSource};
pub use decode::RawVolume;
pub use dtype::Dtype;
pub use gzip_size::check_gzip_size;
pub use header::Header;
pub use stream::{Image3, VolumeStream, content_hash, files_of, read_3d, read_header};
pub use time_unit::TimeUnit;
pub use write::{ImageWriter, RunShape, Voxel, write_image};
