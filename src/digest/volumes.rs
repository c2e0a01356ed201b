//! A run's volumes, one after another, wherever they come from.

use std::path::Path;

use crate::nifti::{Header, NiftiError, VolumeStream};

/// Where a run's volumes come from, one after another.
pub trait Volumes {
    /// The run's header.
    fn header(&self) -> &Header;
    /// Writes the next volume's values in `runs` (start and length, in voxels, in any order) one after another into
    /// `out`; says whether there was one.
    ///
    /// # Errors
    /// When the file is damaged or cannot be read.
    fn next_values(&mut self, runs: &[(usize, usize)], out: &mut [f64]) -> Result<bool, NiftiError>;
    /// Content hash of the file, hex; asked for after the last volume.
    ///
    /// # Errors
    /// When the file is damaged or cannot be read.
    fn content_hash(&mut self) -> Result<String, NiftiError>;
}

impl Volumes for VolumeStream {
    fn header(&self) -> &Header {
        self.header()
    }

    fn next_values(&mut self, runs: &[(usize, usize)], out: &mut [f64]) -> Result<bool, NiftiError> {
        let volume = self.next_volume()?;
        if let Some(volume) = &volume {
            volume.decode_runs(runs, out);
        }
        Ok(volume.is_some())
    }

    fn content_hash(&mut self) -> Result<String, NiftiError> {
        Ok(self.content_hash()?.to_hex().to_string())
    }
}

/// Begins a reading of a run.
pub type Open<'a> = &'a dyn Fn(&Path) -> Result<Box<dyn Volumes + 'a>, NiftiError>;
