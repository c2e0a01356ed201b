//! The file formats of a stack: what each holds, and one writer a file that takes a block of children after the other.
//!
//! | format | edges | matrices |
//! |---|---|---|
//! | npy | N×E, float32 | N×P×P, float32 |
//! | tsv | a row a child, a column an edge | |
//! | parquet | a row a child, its edges a list | |
//! | mat | N×E, single | P×P×N, single |
//!
//! Standard errors of the edges have files of the same forms, without matrices.

mod mat;
mod npy;
#[cfg(feature = "parquet")]
mod parquet;
mod tsv;

use std::collections::HashSet;
use std::path::Path;

pub(super) use npy::header as npy_header;
use serde_json::{Value, json};

use super::StackError;
use super::found::{Child, Kind};
use super::parcels::Parcel;
use super::stream::Block;
use super::whole::Whole;
use crate::group::edges;
use crate::record::files::WriteError;

/// A file format of a stack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// numpy arrays.
    Npy,
    /// Tab-separated text.
    Tsv,
    /// Apache Parquet.
    Parquet,
    /// MATLAB 5.
    Mat,
}

impl Format {
    pub const ALL: [Self; 4] = [Self::Npy, Self::Tsv, Self::Parquet, Self::Mat];

    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Npy => "npy",
            Self::Tsv => "tsv",
            Self::Parquet => "parquet",
            Self::Mat => "mat",
        }
    }
}

/// Which numbers of an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Holds {
    Values,
    StandardErrors,
}

/// What the files of one atlas and measure are to hold.
#[derive(Debug)]
pub(super) struct Plan<'a> {
    /// Start of the files' names: `atlas-A_desc-M`, with `Z` where they hold Fisher's z.
    pub name: String,
    pub kind: &'a Kind,
    /// Position among the atlases of the stack.
    pub atlas: usize,
    /// Those in the stack.
    pub parcels: Vec<&'a Parcel>,
    pub edges: usize,
    pub children: &'a [Child],
    pub fisher_z: bool,
    pub holds: Holds,
}

impl Plan<'_> {
    /// The name of a file of edges.
    pub(super) fn file(&self, format: Format) -> String {
        let what = match (self.holds, format) {
            (Holds::Values, Format::Mat) => "stack",
            (Holds::Values, _) => "edges",
            (Holds::StandardErrors, _) => "standard_errors",
        };
        format!("{}_{what}.{}", self.name, format.key())
    }

    /// What its numbers are called where a format has names: a variable, a column.
    pub(super) fn variable(&self) -> &'static str {
        match self.holds {
            Holds::Values => "edges",
            Holds::StandardErrors => "standard_errors",
        }
    }

    /// Positions of each edge's parcels, in the order of the edges.
    pub(super) fn pairs(&self) -> impl Iterator<Item = (usize, usize)> + use<> {
        edges(self.parcels.len())
    }
}

/// A column's name an edge: both parcels' names with two underscores between, as `cove__dune`. Where parcels' names hold
/// underscores so that two edges would be called the same, the later ones get their number behind.
pub(super) fn edge_names(parcels: &[&Parcel]) -> Vec<String> {
    let mut taken = HashSet::new();
    edges(parcels.len())
        .enumerate()
        .map(|(edge, (i, j))| {
            let mut name = format!("{}__{}", parcels[i].name, parcels[j].name);
            while !taken.insert(name.clone()) {
                name = format!("{name}__{edge}");
            }
            name
        })
        .collect()
}

/// What `stack.json` says of a file.
#[derive(Debug)]
pub(super) struct About {
    pub file: String,
    pub format: Format,
    pub holds: &'static str,
    /// In the order in which the format's readers give it.
    pub shape: Vec<usize>,
}

impl About {
    /// As `stack.json` has it.
    pub(super) fn json(&self) -> Value {
        json!({ "file": self.file, "format": self.format.key(), "holds": self.holds, "shape": self.shape })
    }
}

/// A file that takes blocks in order.
pub(super) trait Sink: Send {
    fn take(&mut self, block: &Block) -> Result<(), WriteError>;
    fn finish(self: Box<Self>) -> Result<Whole, WriteError>;
    fn about(&self) -> About;
}

/// Says so if a format cannot hold what is asked.
pub(super) fn refuse(format: Format, plan: &Plan<'_>) -> Result<(), StackError> {
    if format == Format::Mat { mat::refuse(plan) } else { Ok(()) }
}

/// Begins the files of a format.
pub(super) fn open<'a>(
    format: Format,
    folder: &Path,
    plan: &'a Plan<'a>,
) -> Result<Vec<Box<dyn Sink + 'a>>, StackError> {
    Ok(match format {
        Format::Npy => {
            let mut sinks: Vec<Box<dyn Sink + 'a>> = vec![Box::new(npy::Edges::create(folder, plan)?)];
            if plan.holds == Holds::Values {
                sinks.push(Box::new(npy::Matrices::create(folder, plan)?));
            }
            sinks
        }
        Format::Tsv => vec![Box::new(tsv::Edges::create(folder, plan)?)],
        Format::Mat => vec![Box::new(mat::Variables::create(folder, plan)?)],
        #[cfg(feature = "parquet")]
        Format::Parquet => vec![Box::new(parquet::Edges::create(folder, plan)?)],
        #[cfg(not(feature = "parquet"))]
        Format::Parquet => return Err(StackError::NoParquet),
    })
}

/// The values as little-endian 32-bit floats, a part after the other, so that no whole block is copied.
pub(super) fn in_parts<E>(values: &[f32], mut take: impl FnMut(&[u8]) -> Result<(), E>) -> Result<(), E> {
    values.chunks(1 << 18).try_for_each(|part| take(&bytes(part)))
}

/// Little-endian 32-bit floats.
pub(super) fn bytes(values: &[f32]) -> Vec<u8> {
    let mut out = vec![0; 4 * values.len()];
    for (to, value) in out.chunks_exact_mut(4).zip(values) {
        to.copy_from_slice(&value.to_le_bytes());
    }
    out
}

/// The whole matrix of one child of a block, row by row.
pub(super) fn matrix(plan: &Plan<'_>, block: &Block, child: usize, out: &mut Vec<f32>) {
    let parcels = plan.parcels.len();
    let edges = &block.edges[child * plan.edges..(child + 1) * plan.edges];
    let diagonal = &block.diagonals[child * parcels..(child + 1) * parcels];
    out.resize(parcels * parcels, 0.0);
    let mut from = edges.iter();
    for i in 0..parcels {
        out[i * parcels + i] = diagonal[i];
        for j in i + 1..parcels {
            let value = from.next().copied().unwrap_or(f32::NAN);
            out[i * parcels + j] = value;
            out[j * parcels + i] = value;
        }
    }
}
