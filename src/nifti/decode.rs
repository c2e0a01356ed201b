//! From the bytes of a volume to scaled numbers.
//!
//! The stored value v stands for v · slope + inter (`nifti1.h`, "DATA SCALING"), computed in double precision for every
//! type. Type and byte order are looked at once per volume, so the loops inside are plain and fast.

use super::dtype::Dtype;

/// One volume as it is in the file. Voxels are counted with x fastest, then y, then z.
#[derive(Debug, Clone, Copy)]
pub struct RawVolume<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) dtype: Dtype,
    pub(super) big_endian: bool,
    pub(super) slope: f64,
    pub(super) inter: f64,
}

/// Runs `$body` with `$read` bound to a function from exactly `$size` bytes to `f64`.
macro_rules! with_reader {
    ($volume:expr, $size:ident, $read:ident, $body:expr) => {
        match ($volume.dtype, $volume.big_endian) {
            (Dtype::U8, _) => with_reader!(@one u8, from_le_bytes, $size, $read, $body),
            (Dtype::I8, _) => with_reader!(@one i8, from_le_bytes, $size, $read, $body),
            (Dtype::U16, false) => with_reader!(@one u16, from_le_bytes, $size, $read, $body),
            (Dtype::U16, true) => with_reader!(@one u16, from_be_bytes, $size, $read, $body),
            (Dtype::I16, false) => with_reader!(@one i16, from_le_bytes, $size, $read, $body),
            (Dtype::I16, true) => with_reader!(@one i16, from_be_bytes, $size, $read, $body),
            (Dtype::U32, false) => with_reader!(@one u32, from_le_bytes, $size, $read, $body),
            (Dtype::U32, true) => with_reader!(@one u32, from_be_bytes, $size, $read, $body),
            (Dtype::I32, false) => with_reader!(@one i32, from_le_bytes, $size, $read, $body),
            (Dtype::I32, true) => with_reader!(@one i32, from_be_bytes, $size, $read, $body),
            (Dtype::U64, false) => with_reader!(@one u64, from_le_bytes, $size, $read, $body),
            (Dtype::U64, true) => with_reader!(@one u64, from_be_bytes, $size, $read, $body),
            (Dtype::I64, false) => with_reader!(@one i64, from_le_bytes, $size, $read, $body),
            (Dtype::I64, true) => with_reader!(@one i64, from_be_bytes, $size, $read, $body),
            (Dtype::F32, false) => with_reader!(@one f32, from_le_bytes, $size, $read, $body),
            (Dtype::F32, true) => with_reader!(@one f32, from_be_bytes, $size, $read, $body),
            (Dtype::F64, false) => with_reader!(@one f64, from_le_bytes, $size, $read, $body),
            (Dtype::F64, true) => with_reader!(@one f64, from_be_bytes, $size, $read, $body),
        }
    };
    (@one $type:ty, $from:ident, $size:ident, $read:ident, $body:expr) => {{
        const $size: usize = size_of::<$type>();
        let $read = |bytes: &[u8; $size]| <$type>::$from(*bytes) as f64;
        $body
    }};
}

impl RawVolume<'_> {
    /// Type of the stored values.
    #[must_use]
    pub fn dtype(&self) -> Dtype {
        self.dtype
    }

    /// Voxels in the volume.
    #[must_use]
    pub fn voxels(&self) -> usize {
        self.bytes.len() / self.dtype.size()
    }

    /// Writes the scaled values of the voxels in `runs` (start and length, in voxels, ascending) one after another into
    /// `out`, which has as many places as the runs have voxels.
    ///
    /// # Panics
    /// When a run lies outside the volume or `out` has another length: both come from the caller's own grid, never from
    /// a file.
    pub fn decode_runs(&self, runs: &[(usize, usize)], out: &mut [f64]) {
        let asked: usize = runs.iter().map(|run| run.1).sum();
        assert_eq!(asked, out.len(), "decode_runs: places in `out` against voxels in the runs");
        let (slope, inter) = (self.slope, self.inter);
        with_reader!(self, SIZE, read, {
            let mut out = out;
            for &(start, length) in runs {
                let (head, rest) = std::mem::take(&mut out).split_at_mut(length);
                let (values, _) = self.bytes[start * SIZE..(start + length) * SIZE].as_chunks::<SIZE>();
                for (place, value) in head.iter_mut().zip(values) {
                    *place = read(value) * slope + inter;
                }
                out = rest;
            }
        });
    }

    /// Writes the scaled values of all voxels into `out`, which is cleared first.
    pub fn decode_all(&self, out: &mut Vec<f64>) {
        let (slope, inter) = (self.slope, self.inter);
        out.clear();
        with_reader!(self, SIZE, read, {
            let (values, _) = self.bytes.as_chunks::<SIZE>();
            out.extend(values.iter().map(|value| read(value) * slope + inter));
        });
    }

    /// As [`RawVolume::decode_all`], rounded to single precision at the end; beyond its range a value is infinite.
    pub fn decode_all_f32(&self, out: &mut Vec<f32>) {
        let (slope, inter) = (self.slope, self.inter);
        out.clear();
        with_reader!(self, SIZE, read, {
            let (values, _) = self.bytes.as_chunks::<SIZE>();
            out.extend(values.iter().map(|value| (read(value) * slope + inter) as f32));
        });
    }
}
