//! What records and digests have in common: an `.npz` whose member `meta` is JSON as bytes and states its `format`.

use std::fs::File;
use std::path::Path;

use ndarray::{Array, Array1, Dimension};
use ndarray_npy::{NpzReader, ReadableElement};
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::error::RecordError;

/// An archive being read; every error names its file.
pub(super) struct Archive<'a> {
    path: &'a Path,
    npz: NpzReader<File>,
}

impl<'a> Archive<'a> {
    /// Opens an archive and reads its `meta`, which must be of this format.
    pub(super) fn open<M: DeserializeOwned>(path: &'a Path, format: u32) -> Result<(Self, M), RecordError> {
        let file = File::open(path).map_err(|e| unreadable(path, &e))?;
        let npz = NpzReader::new(file).map_err(|e| unreadable(path, &e))?;
        let mut archive = Self { path, npz };
        let meta: Array1<u8> = archive.array("meta")?;
        let meta: Value = serde_json::from_slice(&meta.to_vec()).map_err(|e| unreadable(path, &e))?;
        let found = meta["format"].as_u64().and_then(|n| u32::try_from(n).ok()).unwrap_or(0);
        if found != format {
            return Err(RecordError::Format { path: path.to_owned(), found, expected: format });
        }
        let meta = serde_json::from_value(meta).map_err(|e| unreadable(path, &e))?;
        Ok((archive, meta))
    }

    /// The archive is not what it should be.
    pub(super) fn damaged(&self, what: &dyn std::fmt::Display) -> RecordError {
        unreadable(self.path, what)
    }

    /// Reads one member.
    pub(super) fn array<T: ReadableElement, D: Dimension>(&mut self, name: &str) -> Result<Array<T, D>, RecordError> {
        self.npz.by_name(name).map_err(|e| unreadable(self.path, &e))
    }
}

/// BLAKE3 over numbers, as little-endian bytes.
pub(super) struct Checksum(blake3::Hasher);

impl Checksum {
    pub(super) fn new() -> Self {
        Self(blake3::Hasher::new())
    }

    /// Adds numbers, eight bytes each.
    pub(super) fn numbers<'a>(&mut self, values: impl IntoIterator<Item = &'a f64>) {
        self.each(values, f64::to_le_bytes);
    }

    /// Adds numbers in single precision, four bytes each; every NaN is the same.
    pub(super) fn numbers_f32<'a>(&mut self, values: impl IntoIterator<Item = &'a f64>) {
        self.each(values, |v| if v.is_nan() { f32::NAN } else { v as f32 }.to_le_bytes());
    }

    fn each<'a, const N: usize>(
        &mut self,
        values: impl IntoIterator<Item = &'a f64>,
        bytes_of: impl Fn(f64) -> [u8; N],
    ) {
        /// Numbers converted at a time: enough for the hash to take many blocks at once.
        const TOGETHER: usize = 2048;
        let mut bytes = [[0; N]; TOGETHER];
        let mut values = values.into_iter();
        loop {
            let filled = bytes.iter_mut().zip(&mut values).map(|(place, &value)| *place = bytes_of(value)).count();
            self.0.update(bytes[..filled].as_flattened());
            if filled < TOGETHER {
                return;
            }
        }
    }

    /// Adds bytes as they are.
    pub(super) fn bytes(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// The sum, hex.
    pub(super) fn finish(self) -> String {
        self.0.finalize().to_hex().to_string()
    }
}

pub(super) fn unreadable(path: &Path, error: &dyn std::fmt::Display) -> RecordError {
    RecordError::Unreadable { path: path.to_owned(), message: error.to_string() }
}
