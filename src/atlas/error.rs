//! What can be wrong with an atlas or a mask.

use std::path::PathBuf;

use crate::nifti::NiftiError;
use crate::tables::TableError;

/// What can be wrong with an atlas or a mask.
#[derive(Debug, thiserror::Error)]
pub enum AtlasError {
    #[error(transparent)]
    Nifti(#[from] NiftiError),
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(
        "{}: voxel ({x}, {y}, {z}) holds {value}, but a 3-D atlas holds whole labels of 0 or more; for weights give a \
        4-D image with one parcel a volume",
        path.display()
    )]
    NotALabel { path: PathBuf, x: usize, y: usize, z: usize, value: f64 },
    #[error(
        "{}: volume {volume} holds the weight {value} at voxel ({x}, {y}, {z}), but weights must be finite and not \
        negative; mend the image",
        path.display()
    )]
    BadWeight { path: PathBuf, volume: usize, x: usize, y: usize, z: usize, value: f64 },
    #[error("{}: the atlas has the shape {shape}; give 3-D labels or 4-D weights", path.display())]
    TooManyAxes { path: PathBuf, shape: String },
    #[error("{}: the atlas holds no parcel: every voxel is background; check that this is the atlas", path.display())]
    Empty { path: PathBuf },
    #[error("{}: the labels table needs the columns index and name; \"{column}\" is not there", path.display())]
    NoColumn { path: PathBuf, column: &'static str },
    #[error("{} line {line}: the index is \"{found}\", but it must be a whole number above 0", path.display())]
    BadIndex { path: PathBuf, line: usize, found: String },
    #[error("{} line {line}: {what} \"{value}\" is there twice; each parcel needs its own", path.display())]
    Twice { path: PathBuf, line: usize, what: &'static str, value: String },
    #[error("{} line {line}: the parcel has no name; name it, or take the row out", path.display())]
    NoName { path: PathBuf, line: usize },
    #[error(
        "{}: the atlas {} holds labels that this table does not name: {labels}; add a row for each, or leave `labels` \
        out of the study file",
        path.display(), image.display()
    )]
    Unnamed { path: PathBuf, image: PathBuf, labels: String },
    #[error(
        "{}: the table names parcel {index}, but the atlas {} has {volumes} volumes; for 4-D weights the index is the \
        volume, counted from 1",
        path.display(), image.display()
    )]
    NoVolume { path: PathBuf, image: PathBuf, index: i64, volumes: usize },
    #[error(
        "the atlas {name} and the brain mask share {share:.1} % of the atlas's volume, and at least 10 % is needed; \
        they are probably in different spaces: check that scan, mask and atlas are in the same one"
    )]
    WrongSpace { name: String, share: f64 },
    #[error(
        "{}: no voxel of the mask is above 0 on the scan's grid; check that mask and scan are in the same space",
        path.display()
    )]
    EmptyMask { path: PathBuf },
}
