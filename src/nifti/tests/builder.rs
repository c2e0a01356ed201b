//! An image as its bytes: every field the reader looks at, at the offset that `nifti1.h` or `nifti2.h` gives.

use std::io::Write;
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::GzEncoder;

use crate::nifti::Dtype;

pub const ALL_TYPES: [Dtype; 10] = [
    Dtype::U8,
    Dtype::I8,
    Dtype::U16,
    Dtype::I16,
    Dtype::U32,
    Dtype::I32,
    Dtype::U64,
    Dtype::I64,
    Dtype::F32,
    Dtype::F64,
];

/// NIfTI's datatype code.
pub fn code(dtype: Dtype) -> i16 {
    match dtype {
        Dtype::U8 => 2,
        Dtype::I8 => 256,
        Dtype::U16 => 512,
        Dtype::I16 => 4,
        Dtype::U32 => 768,
        Dtype::I32 => 8,
        Dtype::U64 => 1280,
        Dtype::I64 => 1024,
        Dtype::F32 => 16,
        Dtype::F64 => 64,
    }
}

/// Values that use the whole width of a type, and what each is as `f64`; bytes little-endian.
pub fn values(dtype: Dtype, count: usize) -> (Vec<f64>, Vec<u8>) {
    macro_rules! fill {
        ($type:ty) => {{
            let edge = [<$type>::MIN, <$type>::MAX, 0 as $type, 1 as $type];
            let all: Vec<$type> = (0..count).map(|i| edge.get(i).copied().unwrap_or((i * 37 % 101) as $type)).collect();
            (all.iter().map(|v| *v as f64).collect(), all.iter().flat_map(|v| v.to_le_bytes()).collect())
        }};
    }
    match dtype {
        Dtype::U8 => fill!(u8),
        Dtype::I8 => fill!(i8),
        Dtype::U16 => fill!(u16),
        Dtype::I16 => fill!(i16),
        Dtype::U32 => fill!(u32),
        Dtype::I32 => fill!(i32),
        Dtype::U64 => fill!(u64),
        Dtype::I64 => fill!(i64),
        Dtype::F32 => fill!(f32),
        Dtype::F64 => fill!(f64),
    }
}

#[derive(Clone)]
pub struct Image {
    pub nifti2: bool,
    pub big_endian: bool,
    pub pair: bool,
    pub dim: [i64; 8],
    pub datatype: i16,
    pub bitpix: i16,
    pub pixdim: [f64; 8],
    pub vox_offset: f64,
    pub slope: f64,
    pub inter: f64,
    pub units: u8,
    pub qform_code: i16,
    pub sform_code: i16,
    pub quaternion: [f64; 3],
    pub offset: [f64; 3],
    pub rows: [[f64; 4]; 3],
    pub magic: Option<&'static [u8]>,
    /// Bytes between header and voxels, extensions included.
    pub between: Vec<u8>,
    /// Voxels, little-endian.
    pub data: Vec<u8>,
    pub value_bytes: usize,
}

impl Image {
    /// A sound 4-D image of 4×3×2×3 voxels.
    pub fn new(dtype: Dtype) -> Self {
        let dim = [4, 4, 3, 2, 3, 1, 1, 1];
        Self {
            nifti2: false,
            big_endian: false,
            pair: false,
            dim,
            datatype: code(dtype),
            bitpix: 8 * dtype.size() as i16,
            pixdim: [1.0, 2.0, 2.5, 3.0, 2.0, 1.0, 1.0, 1.0],
            vox_offset: 352.0,
            slope: 0.0,
            inter: 0.0,
            units: 10,
            qform_code: 0,
            sform_code: 1,
            quaternion: [0.0; 3],
            offset: [0.0; 3],
            rows: [[2.0, 0.0, 0.0, -10.0], [0.0, 2.5, 0.0, -20.0], [0.0, 0.0, 3.0, 30.0]],
            magic: None,
            between: vec![0; 4],
            data: values(dtype, 72).1,
            value_bytes: dtype.size(),
        }
    }

    pub fn version2(mut self) -> Self {
        self.nifti2 = true;
        self.vox_offset = 544.0;
        self
    }

    pub fn paired(mut self) -> Self {
        self.pair = true;
        self.vox_offset = 0.0;
        self
    }

    pub fn big(mut self) -> Self {
        self.big_endian = true;
        self
    }

    pub fn shape(mut self, lengths: &[i64]) -> Self {
        self.dim = [1; 8];
        self.dim[0] = lengths.len() as i64;
        self.dim[1..=lengths.len()].copy_from_slice(lengths);
        self
    }

    pub fn header(&self) -> Vec<u8> {
        let mut raw = vec![0_u8; if self.nifti2 { 540 } else { 348 }];
        let big = self.big_endian;
        let mut put = |at: usize, little: &[u8]| {
            let mut bytes = little.to_vec();
            if big {
                bytes.reverse();
            }
            raw[at..at + bytes.len()].copy_from_slice(&bytes);
        };
        if self.nifti2 {
            put(0, &540_i32.to_le_bytes());
            put(12, &self.datatype.to_le_bytes());
            put(14, &self.bitpix.to_le_bytes());
            put(168, &(self.vox_offset as i64).to_le_bytes());
            put(176, &self.slope.to_le_bytes());
            put(184, &self.inter.to_le_bytes());
            put(344, &i32::from(self.qform_code).to_le_bytes());
            put(348, &i32::from(self.sform_code).to_le_bytes());
            put(500, &i32::from(self.units).to_le_bytes());
            for i in 0..8 {
                put(16 + 8 * i, &self.dim[i].to_le_bytes());
                put(104 + 8 * i, &self.pixdim[i].to_le_bytes());
            }
            for i in 0..3 {
                put(352 + 8 * i, &self.quaternion[i].to_le_bytes());
                put(376 + 8 * i, &self.offset[i].to_le_bytes());
                for j in 0..4 {
                    put(400 + 32 * i + 8 * j, &self.rows[i][j].to_le_bytes());
                }
            }
        } else {
            put(0, &348_i32.to_le_bytes());
            put(70, &self.datatype.to_le_bytes());
            put(72, &self.bitpix.to_le_bytes());
            put(108, &(self.vox_offset as f32).to_le_bytes());
            put(112, &(self.slope as f32).to_le_bytes());
            put(116, &(self.inter as f32).to_le_bytes());
            put(123, &[self.units]);
            put(252, &self.qform_code.to_le_bytes());
            put(254, &self.sform_code.to_le_bytes());
            for i in 0..8 {
                put(40 + 2 * i, &(self.dim[i] as i16).to_le_bytes());
                put(76 + 4 * i, &(self.pixdim[i] as f32).to_le_bytes());
            }
            for i in 0..3 {
                put(256 + 4 * i, &(self.quaternion[i] as f32).to_le_bytes());
                put(268 + 4 * i, &(self.offset[i] as f32).to_le_bytes());
                for j in 0..4 {
                    put(280 + 16 * i + 4 * j, &(self.rows[i][j] as f32).to_le_bytes());
                }
            }
        }
        let (at, magic): (usize, &[u8]) = match (self.nifti2, self.pair) {
            (false, false) => (344, b"n+1\0"),
            (false, true) => (344, b"ni1\0"),
            (true, false) => (4, b"n+2\0\r\n\x1a\n"),
            (true, true) => (4, b"ni2\0\r\n\x1a\n"),
        };
        let magic = self.magic.unwrap_or(magic);
        raw[at..at + magic.len()].copy_from_slice(magic);
        raw
    }

    /// The voxels in the image's byte order.
    pub fn voxels(&self) -> Vec<u8> {
        let mut data = self.data.clone();
        if self.big_endian {
            data.chunks_exact_mut(self.value_bytes).for_each(<[u8]>::reverse);
        }
        data
    }

    /// The bytes of a single file.
    pub fn single(&self) -> Vec<u8> {
        [self.header(), self.between.clone(), self.voxels()].concat()
    }

    /// Writes one file, gzipped if its name says so.
    pub fn write(&self, folder: &Path, name: &str) -> PathBuf {
        save(folder, name, &self.single())
    }

    /// Writes a pair; `between` goes in front of the voxels in the data file.
    pub fn write_pair(&self, folder: &Path, header: &str, data: &str) -> (PathBuf, PathBuf) {
        let body = [self.between.clone(), self.voxels()].concat();
        (save(folder, header, &self.header()), save(folder, data, &body))
    }
}

pub fn gz(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::new(6));
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

pub fn save(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    let packed = if name.to_ascii_lowercase().ends_with(".gz") { gz(bytes) } else { bytes.to_vec() };
    std::fs::write(&path, packed).unwrap();
    path
}
