//! `.npy`, format 1.0 (numpy enhancement proposal 1): a text header padded to 64 bytes, then the numbers.

use std::path::Path;

use rayon::prelude::*;

use crate::record::files::WriteError;
use crate::stack::arrays::array_file::{ArrayFile, FileDescription, bytes, in_parts, matrix, npy_header};
use crate::stack::arrays::plan::ArrayPlan;
use crate::stack::arrays::whole::{Unfinished, Whole};
use crate::stack::gather::block::Block;
use crate::stack::gather::request::Format;

/// Matrices that are laid out at once (own choice).
const AT_ONCE: usize = 64;

/// Children × edges.
pub(super) struct Edges<'a> {
    file: Unfinished,
    plan: &'a ArrayPlan<'a>,
}

/// Children × parcels × parcels.
pub(super) struct Matrices<'a> {
    file: Unfinished,
    plan: &'a ArrayPlan<'a>,
}

impl<'a> Edges<'a> {
    pub(super) fn create(folder: &Path, plan: &'a ArrayPlan<'a>) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(&folder.join(plan.file(Format::Npy)))?;
        file.append(&npy_header(&[plan.children.len(), plan.edges]))?;
        Ok(Self { file, plan })
    }
}

impl ArrayFile for Edges<'_> {
    fn take(&mut self, block: &Block) -> Result<(), WriteError> {
        in_parts(&block.edges, |part| self.file.append(part))
    }

    fn finish(self: Box<Self>) -> Result<Whole, WriteError> {
        self.file.finish()
    }

    fn description(&self) -> FileDescription {
        FileDescription {
            file: self.plan.file(Format::Npy),
            format: Format::Npy,
            holds: "float32, children × edges",
            shape: vec![self.plan.children.len(), self.plan.edges],
        }
    }
}

impl<'a> Matrices<'a> {
    pub(super) fn create(folder: &Path, plan: &'a ArrayPlan<'a>) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(&folder.join(format!("{}_matrices.npy", plan.name)))?;
        let parcels = plan.parcels.len();
        file.append(&npy_header(&[plan.children.len(), parcels, parcels]))?;
        Ok(Self { file, plan })
    }
}

impl ArrayFile for Matrices<'_> {
    fn take(&mut self, block: &Block) -> Result<(), WriteError> {
        let children: Vec<usize> = (0..block.children).collect();
        for children in children.chunks(AT_ONCE) {
            let laid_out: Vec<Vec<u8>> = children
                .par_iter()
                .map_init(Vec::new, |values, &child| {
                    matrix(self.plan, block, child, values);
                    bytes(values)
                })
                .collect();
            laid_out.iter().try_for_each(|matrix| self.file.append(matrix))?;
        }
        Ok(())
    }

    fn finish(self: Box<Self>) -> Result<Whole, WriteError> {
        self.file.finish()
    }

    fn description(&self) -> FileDescription {
        let parcels = self.plan.parcels.len();
        FileDescription {
            file: format!("{}_matrices.npy", self.plan.name),
            format: Format::Npy,
            holds: "float32, children × parcels × parcels",
            shape: vec![self.plan.children.len(), parcels, parcels],
        }
    }
}
