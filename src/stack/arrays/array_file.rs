//! A file of arrays that takes one block of children after another, and how numbers lie in it.

use serde_json::{Value, json};

use super::plan::ArrayPlan;
use super::whole::Whole;
use crate::record::files::WriteError;
use crate::stack::gather::block::Block;
use crate::stack::gather::request::Format;

/// What `stack.json` says of a file.
#[derive(Debug)]
pub(crate) struct FileDescription {
    pub file: String,
    pub format: Format,
    pub holds: &'static str,
    /// In the order in which the format's readers give it.
    pub shape: Vec<usize>,
}

impl FileDescription {
    /// As `stack.json` has it.
    pub(crate) fn json(&self) -> Value {
        json!({ "file": self.file, "format": self.format.key(), "holds": self.holds, "shape": self.shape })
    }
}

/// A file that takes blocks in order.
pub(crate) trait ArrayFile: Send {
    fn take(&mut self, block: &Block) -> Result<(), WriteError>;
    fn finish(self: Box<Self>) -> Result<Whole, WriteError>;
    fn description(&self) -> FileDescription;
}

/// The values as little-endian 32-bit floats, one part after another, so that no whole block is copied.
pub(crate) fn in_parts<E>(values: &[f32], mut take: impl FnMut(&[u8]) -> Result<(), E>) -> Result<(), E> {
    values.chunks(1 << 18).try_for_each(|part| take(&bytes(part)))
}

/// Little-endian 32-bit floats.
pub(crate) fn bytes(values: &[f32]) -> Vec<u8> {
    let mut out = vec![0; 4 * values.len()];
    for (to, value) in out.chunks_exact_mut(4).zip(values) {
        to.copy_from_slice(&value.to_le_bytes());
    }
    out
}

/// The whole matrix of one child of a block, row by row.
pub(crate) fn matrix(plan: &ArrayPlan<'_>, block: &Block, child: usize, out: &mut Vec<f32>) {
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

/// The text header of a `.npy` file, format 1.0 (numpy enhancement proposal 1), padded to 64 bytes.
pub(crate) fn npy_header(shape: &[usize]) -> Vec<u8> {
    let shape: String = shape.iter().map(|n| format!("{n}, ")).collect();
    let mut text = format!("{{'descr': '<f4', 'fortran_order': False, 'shape': ({}), }}", shape.trim_end());
    // Magic, version and length take 10 bytes; a line end closes the header.
    let padded = (10 + text.len() + 1).next_multiple_of(64);
    text.push_str(&" ".repeat(padded - 10 - text.len() - 1));
    text.push('\n');
    let length = u16::try_from(text.len()).unwrap_or(u16::MAX);
    [b"\x93NUMPY\x01\x00".as_slice(), &length.to_le_bytes(), text.as_bytes()].concat()
}
