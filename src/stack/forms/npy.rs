//! `.npy`, format 1.0 (numpy enhancement proposal 1): a text header padded to 64 bytes, then the numbers.

use std::path::Path;

use rayon::prelude::*;

use super::{About, Format, Plan, Sink, bytes, in_parts, matrix};
use crate::record::files::WriteError;
use crate::stack::stream::Block;
use crate::stack::whole::{Unfinished, Whole};

/// Matrices that are laid out at once (own choice).
const AT_ONCE: usize = 64;

/// Children × edges.
pub(super) struct Edges<'a> {
    file: Unfinished,
    plan: &'a Plan<'a>,
}

/// Children × parcels × parcels.
pub(super) struct Matrices<'a> {
    file: Unfinished,
    plan: &'a Plan<'a>,
}

pub(in crate::stack) fn header(shape: &[usize]) -> Vec<u8> {
    let shape: String = shape.iter().map(|n| format!("{n}, ")).collect();
    let mut text = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({}), }}", shape.trim_end());
    // Magic, version and length take 10 bytes; a line end closes the header.
    let padded = (10 + text.len() + 1).next_multiple_of(64);
    text.push_str(&" ".repeat(padded - 10 - text.len() - 1));
    text.push('\n');
    let length = u16::try_from(text.len()).unwrap_or(u16::MAX);
    [b"\x93NUMPY\x01\x00".as_slice(), &length.to_le_bytes(), text.as_bytes()].concat()
}

impl<'a> Edges<'a> {
    pub(super) fn create(folder: &Path, plan: &'a Plan<'a>) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(&folder.join(plan.file(Format::Npy)))?;
        file.append(&header(&[plan.children.len(), plan.edges]))?;
        Ok(Self { file, plan })
    }
}

impl Sink for Edges<'_> {
    fn take(&mut self, block: &Block) -> Result<(), WriteError> {
        in_parts(&block.edges, |part| self.file.append(part))
    }

    fn finish(self: Box<Self>) -> Result<Whole, WriteError> {
        self.file.finish()
    }

    fn about(&self) -> About {
        About {
            file: self.plan.file(Format::Npy),
            format: Format::Npy,
            holds: "float32, children × edges",
            shape: vec![self.plan.children.len(), self.plan.edges],
        }
    }
}

impl<'a> Matrices<'a> {
    pub(super) fn create(folder: &Path, plan: &'a Plan<'a>) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(&folder.join(format!("{}_matrices.npy", plan.name)))?;
        let parcels = plan.parcels.len();
        file.append(&header(&[plan.children.len(), parcels, parcels]))?;
        Ok(Self { file, plan })
    }
}

impl Sink for Matrices<'_> {
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

    fn about(&self) -> About {
        let parcels = self.plan.parcels.len();
        About {
            file: format!("{}_matrices.npy", self.plan.name),
            format: Format::Npy,
            holds: "float32, children × parcels × parcels",
            shape: vec![self.plan.children.len(), parcels, parcels],
        }
    }
}
