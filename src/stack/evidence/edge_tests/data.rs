//! The edges of the children in a test, all in memory: a sink of the blocks of edges.

use ndarray::Array2;
use rayon::prelude::*;

use crate::connectivity::fisher_z;
use crate::group::edge_count;
use crate::stack::gather::block::{Block, BlockSink, Source};
use crate::stack::gather::error::StackError;

/// The edges of some children (rising places), children × edges; Fisher's z of them if asked.
pub(crate) fn edges(source: &Source<'_>, children: &[usize], z: bool) -> Result<Array2<f32>, StackError> {
    let edges = edge_count(source.atlas.stacked().len());
    let mut chosen = ChosenRows { children, edges, values: Vec::with_capacity(children.len() * edges) };
    source.pass(&|_| {}, &mut [&mut chosen])?;
    let mut values = chosen.values;
    if z {
        values.par_iter_mut().for_each(|r| *r = fisher_z(f64::from(*r)) as f32);
    }
    // As many values as the shape has.
    Ok(Array2::from_shape_vec((children.len(), edges), values).unwrap_or_default())
}

/// Keeps the rows of some children.
struct ChosenRows<'a> {
    children: &'a [usize],
    edges: usize,
    values: Vec<f32>,
}

impl BlockSink for ChosenRows<'_> {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let inside = block.first..block.first + block.children;
        for child in self.children.iter().filter(|&child| inside.contains(child)) {
            let at = (child - block.first) * self.edges;
            self.values.extend_from_slice(&block.edges[at..at + self.edges]);
        }
        Ok(())
    }
}
