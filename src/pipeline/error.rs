//! Why a scan has no result. Each reason is a sentence with file, place and the next step.

use std::path::PathBuf;

use crate::atlas::AtlasError;
use crate::brain_mask::BrainMaskError;
use crate::clean::CleanError;
use crate::digest::DigestError;
use crate::linalg::LinalgError;
use crate::motion::realign::RealignError;
use crate::motion::respiration::RespirationError;
use crate::motion::sphere::SphereError;
use crate::record::RecordError;
use crate::remark::{self, Remark};

/// Why a scan has no result.
#[derive(Debug, thiserror::Error)]
pub enum ScanError {
    /// Everything that headers and tables showed to be wrong.
    #[error("{}", remark::texts(problems).join("; "))]
    Problems { problems: Vec<Remark> },
    #[error(transparent)]
    Atlas(#[from] AtlasError),
    #[error(transparent)]
    Digest(#[from] DigestError),
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error(transparent)]
    Clean(#[from] CleanError),
    #[error(transparent)]
    Linalg(#[from] LinalgError),
    #[error(
        "{}: no voxel of the {tissue} mask is inside the brain mask and changes over time; give another mask, or take \
        \"{tissue}\" out of [clean]",
        path.display()
    )]
    NoTissue { path: PathBuf, tissue: &'static str },
    #[error(
        "{}: the run ({shape}) needs about {needs_mib} MiB of memory beside the {program_mib} MiB of the program with \
        its atlases, but {allowed_mib} MiB are allowed in all; give a larger --memory-gib, or run it on a machine with \
        more memory free{more}",
        path.display()
    )]
    TooBig {
        path: PathBuf,
        shape: String,
        needs_mib: u64,
        program_mib: u64,
        allowed_mib: u64,
        /// What else helps.
        more: &'static str,
    },
    #[error("{}: {source}", path.display())]
    BrainMask { path: PathBuf, source: BrainMaskError },
    #[error("{}: {source}", path.display())]
    Sphere { path: PathBuf, source: SphereError },
    #[error("{}: head motion cannot be measured from the images: {source}", path.display())]
    Realign { path: PathBuf, source: RealignError },
    #[error(
        "{}: head motion cannot be measured from the images: the mean image's median inside the brain mask is not \
        above 0, so the image shows no head to follow (is the mean already removed?); use motion.from = \"table\", or \
        the run before its mean was removed",
        path.display()
    )]
    NoReference { path: PathBuf },
    #[error("{}: {source}", path.display())]
    Respiration { path: PathBuf, source: RespirationError },
    #[error(
        "{}: the mean image's median inside the brain mask is {median}, so DVARS in percent has no meaning (is the \
        mean already removed?); set censor.dvars_percent = 0",
        path.display()
    )]
    NoDvars { path: PathBuf, median: f64 },
}

impl ScanError {
    /// Whether the scan was stopped rather than found wanting.
    #[must_use]
    pub fn is_stop(&self) -> bool {
        matches!(self, Self::Digest(DigestError::Stopped))
    }

    /// Whether its words tell the child's age, or what the participants table says of the child. There is no other arm,
    /// so that a new reason must be sorted too.
    fn tells_child(&self) -> bool {
        match self {
            Self::Problems { problems } => problems.iter().any(|problem| problem.tells_child),
            Self::Respiration { source, .. } => source.tells_child(),
            Self::Atlas(_)
            | Self::Digest(_)
            | Self::Record(_)
            | Self::Clean(_)
            | Self::Linalg(_)
            | Self::NoTissue { .. }
            | Self::TooBig { .. }
            | Self::BrainMask { .. }
            | Self::Sphere { .. }
            | Self::Realign { .. }
            | Self::NoReference { .. }
            | Self::NoDvars { .. } => false,
        }
    }
}

impl From<ScanError> for Remark {
    fn from(error: ScanError) -> Self {
        Self { tells_child: error.tells_child(), ..Self::about_data(error) }
    }
}
