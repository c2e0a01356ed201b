//! The number types of voxels, and which of NIfTI's codes stand for them.
//!
//! Colours, complex numbers and 128-bit floats are known by name and refused, each in a sentence of its own.

use std::fmt;
use std::path::Path;

use super::NiftiError;

/// Number types that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Dtype {
    U8,
    I8,
    U16,
    I16,
    U32,
    I32,
    U64,
    I64,
    F32,
    F64,
}

impl Dtype {
    /// Bytes per value.
    #[must_use]
    pub const fn size(self) -> usize {
        match self {
            Self::U8 | Self::I8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::U64 | Self::I64 | Self::F64 => 8,
        }
    }

    /// Whether values of this type can be NaN or infinite.
    #[must_use]
    pub const fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }

    /// The name that numpy uses too.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::U8 => "uint8",
            Self::I8 => "int8",
            Self::U16 => "uint16",
            Self::I16 => "int16",
            Self::U32 => "uint32",
            Self::I32 => "int32",
            Self::U64 => "uint64",
            Self::I64 => "int64",
            Self::F32 => "float32",
            Self::F64 => "float64",
        }
    }

    /// From NIfTI's datatype code (`nifti1.h`, NIFTI_TYPE_*).
    pub(super) fn from_code(code: i16, path: &Path) -> Result<Self, NiftiError> {
        let path = || path.to_path_buf();
        Ok(match code {
            2 => Self::U8,
            4 => Self::I16,
            8 => Self::I32,
            16 => Self::F32,
            64 => Self::F64,
            256 => Self::I8,
            512 => Self::U16,
            768 => Self::U32,
            1024 => Self::I64,
            1280 => Self::U64,
            128 => return Err(NiftiError::ColourType { path: path(), name: "RGB24" }),
            2304 => return Err(NiftiError::ColourType { path: path(), name: "RGBA32" }),
            32 => return Err(NiftiError::ComplexType { path: path(), name: "complex64" }),
            1792 => return Err(NiftiError::ComplexType { path: path(), name: "complex128" }),
            2048 => return Err(NiftiError::ComplexType { path: path(), name: "complex256" }),
            1536 => return Err(NiftiError::LongFloatType { path: path() }),
            _ => return Err(NiftiError::UnknownType { path: path(), code }),
        })
    }
}

impl fmt::Display for Dtype {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
