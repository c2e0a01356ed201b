//! The arrays of one atlas and measure, in every format that was asked for: the last sink of the blocks of edges.

use std::path::Path;

use super::array_file::{ArrayFile, FileDescription, in_parts};
use super::formats;
use super::plan::{ArrayPlan, Holds};
use super::whole::Whole;
use crate::group::edge_count;
use crate::stack::gather::block::{Block, BlockSink};
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::error::StackError;
use crate::stack::gather::parcels::StackedAtlas;
use crate::stack::gather::request::{Format, StackRequest};
use crate::study::settings::Measure;

/// One atlas and measure as written.
#[derive(Debug)]
pub(crate) struct Stacking {
    pub atlas: String,
    pub measure: Measure,
    pub fisher_z: bool,
    pub parcels: usize,
    pub edges: usize,
    /// BLAKE3 (hex) of the children × edges values as little-endian 32-bit floats, row by row: whatever the file
    /// format.
    pub digest: String,
    pub files: Vec<FileDescription>,
}

/// What is written of each kind of matrices.
pub(crate) fn plans<'a>(
    request: &StackRequest,
    found: &'a GatheredChildren,
    atlases: &'a [StackedAtlas],
) -> Vec<ArrayPlan<'a>> {
    found
        .kinds
        .iter()
        .filter_map(|kind| {
            let at = atlases.iter().position(|atlas| atlas.name == kind.atlas)?;
            let parcels = atlases[at].stacked();
            let z = request.fisher_z && kind.measure.is_correlation();
            let name = format!("{}{}", found.name(kind), if z { "Z" } else { "" });
            let edges = edge_count(parcels.len());
            let (children, holds) = (&found.children, Holds::Values);
            let header = &found.header;
            Some(ArrayPlan { name, kind, atlas: at, parcels, edges, children, header, fisher_z: z, holds })
        })
        .collect()
}

/// Before anything is written: is every file possible?
pub(crate) fn refuse_what_cannot_be(plans: &[ArrayPlan<'_>], formats: &[Format]) -> Result<(), StackError> {
    plans.iter().try_for_each(|plan| formats.iter().try_for_each(|format| formats::refuse(*format, plan)))
}

/// The open files of one plan.
pub(crate) struct Arrays<'a> {
    plan: &'a ArrayPlan<'a>,
    files: Vec<Box<dyn ArrayFile + 'a>>,
    digest: blake3::Hasher,
}

impl<'a> Arrays<'a> {
    /// Begins the files.
    pub(crate) fn open(folder: &Path, plan: &'a ArrayPlan<'a>, formats: &[Format]) -> Result<Self, StackError> {
        let mut files = Vec::new();
        for &format in formats {
            files.extend(formats::open(format, folder, plan)?);
        }
        Ok(Self { plan, files, digest: blake3::Hasher::new() })
    }

    /// Makes the files whole and synced; they do not have their names yet.
    pub(crate) fn finish(self, whole: &mut Vec<Whole>) -> Result<Stacking, StackError> {
        let Self { plan, files, digest } = self;
        let mut described = Vec::new();
        for file in files {
            described.push(file.description());
            whole.push(file.finish()?);
        }
        Ok(Stacking {
            atlas: plan.kind.atlas.clone(),
            measure: plan.kind.measure,
            fisher_z: plan.fisher_z,
            parcels: plan.parcels.len(),
            edges: plan.edges,
            digest: digest.finalize().to_hex().to_string(),
            files: described,
        })
    }
}

impl BlockSink for Arrays<'_> {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let in_z: Block;
        let block = if self.plan.fisher_z {
            in_z = block.in_z();
            &in_z
        } else {
            block
        };
        in_parts(&block.edges, |part| {
            self.digest.update(part);
            Ok::<(), StackError>(())
        })?;
        self.files.iter_mut().try_for_each(|file| file.take(block))?;
        Ok(())
    }

    fn wants_z(&self) -> bool {
        self.plan.fisher_z
    }
}
