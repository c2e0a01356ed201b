//! The edges of all children, a block of children at a time.
//!
//! One loop serves everything that needs them: a [`Source`] reads matrices of one atlas and measure, and each block
//! goes through several [`BlockSink`]s side by side (missing parcels, the sums of quality, the arrays, the data of a
//! test). While the sinks work on one block, the next is read by all cores, so memory holds two, each with Fisher's z
//! of its correlations if a sink wants it. Each child's values go to a place of their own, so that the result is the
//! same to the bit whatever the number of threads.

use rayon::prelude::*;

use super::children::GatheredChildren;
use super::equal;
use super::error::StackError;
use super::folders::Folders;
use super::parcels::StackedAtlas;
use super::values;
use crate::connectivity::fisher_z;
use crate::group::edge_count;
use crate::group::site_effects::SiteEffects;

/// Bytes of a block's values: some hundred children of 200 parcels, and enough for a disk to be busy with (own
/// convention).
pub(crate) const BLOCK_BYTES: usize = 32 << 20;

/// Values of some children who follow each other.
#[derive(Debug)]
pub(crate) struct Block {
    /// Position of the first child.
    pub first: usize,
    pub children: usize,
    /// Children × edges.
    pub edges: Vec<f32>,
    /// Children × parcels.
    pub diagonals: Vec<f32>,
    /// Fisher's z of the edges; empty unless a sink wants it.
    z: Vec<f32>,
}

impl Block {
    /// Without values yet.
    pub(crate) fn empty(first: usize, children: usize) -> Self {
        Self { first, children, edges: Vec::new(), diagonals: Vec::new(), z: Vec::new() }
    }

    /// Fisher's z of the edges, for a sink that [wants it](BlockSink::wants_z).
    pub(crate) fn z(&self) -> &[f32] {
        &self.z
    }

    /// The block with Fisher's z in place of correlations. The diagonal is empty: a series' correlation with itself
    /// says nothing (docs/methods.md: diagonal n/a).
    pub(crate) fn in_z(&self) -> Self {
        let diagonals = vec![f32::NAN; self.diagonals.len()];
        Self { edges: self.z.clone(), diagonals, ..Self::empty(self.first, self.children) }
    }

    /// Passes the children on, some at a time: the place of the first, then a row of so many edges each; correlations
    /// as Fisher's z if asked.
    pub(crate) fn each<E>(
        &self,
        edges: usize,
        z: bool,
        mut take: impl FnMut(usize, &[&[f32]]) -> Result<(), E>,
    ) -> Result<(), E> {
        let values = if z { &self.z } else { &self.edges };
        for first in (0..self.children).step_by(AT_ONCE) {
            let count = AT_ONCE.min(self.children - first);
            // Of an atlas of one parcel a row is empty.
            let rows = (first..first + count).map(|child| &values[child * edges..(child + 1) * edges]);
            take(self.first + first, &rows.collect::<Vec<_>>())?;
        }
        Ok(())
    }
}

/// Children who are passed on at once (own choice).
const AT_ONCE: usize = 256;

/// Takes blocks, one after the other.
pub(crate) trait BlockSink: Send {
    fn take(&mut self, block: &Block) -> Result<(), StackError>;

    /// Whether it uses Fisher's z of correlations.
    fn wants_z(&self) -> bool {
        false
    }
}

/// Matrices of one atlas and measure, of all children.
#[derive(Clone, Copy)]
pub(crate) struct Source<'a> {
    /// Where the children's folders are: the results folders, or those of tries with the same children.
    pub results: &'a Folders,
    pub found: &'a GatheredChildren,
    /// Position among the kinds of matrices.
    pub kind: usize,
    pub atlas: &'a StackedAtlas,
    /// Effects of sites to take out of every block.
    pub adjust: Option<&'a SiteEffects>,
}

impl Source<'_> {
    /// Reads all blocks in order and passes each through all sinks, which work side by side; `at` hears the first child
    /// of a block before it is read.
    pub(crate) fn pass(&self, at: &dyn Fn(usize), sinks: &mut [&mut dyn BlockSink]) -> Result<(), StackError> {
        let parcels = self.atlas.stacked().len();
        let (children, edges) = (self.found.children.len(), edge_count(parcels));
        let z = self.found.kinds[self.kind].measure.is_correlation() && sinks.iter().any(|sink| sink.wants_z());
        // If there are several errors, the first sink's is returned, whichever was faster.
        let mut take = |block: Block| {
            let taken: Vec<Result<(), StackError>> = sinks.par_iter_mut().map(|sink| sink.take(&block)).collect();
            taken.into_iter().collect::<Result<(), StackError>>()
        };
        let mut before: Option<Block> = None;
        let at_once = (BLOCK_BYTES / (4 * (edges + parcels)).max(1)).max(1);
        for first in (0..children).step_by(at_once) {
            at(first);
            let (taken, next) = rayon::join(
                || before.take().map_or(Ok(()), &mut take),
                || self.read(first, at_once.min(children - first), [edges, parcels], z),
            );
            taken?;
            before = Some(next?);
        }
        before.map_or(Ok(()), &mut take)
    }

    /// Reads a block of so many edges and parcels with all cores.
    fn read(&self, first: usize, children: usize, [edges, parcels]: [usize; 2], z: bool) -> Result<Block, StackError> {
        let Source { results, found, kind, atlas, adjust } = *self;
        let mut block = Block::empty(first, children);
        block.edges.resize(children * edges, 0.0);
        block.diagonals.resize(children * parcels, 0.0);
        let of_z = if z { edges } else { 0 };
        block.z.resize(children * of_z, 0.0);
        let places = split(&mut block.edges, edges, children);
        let places: Vec<([&mut [f32]; 2], &mut [f32])> = places
            .into_iter()
            .zip(split(&mut block.diagonals, parcels, children))
            .zip(split(&mut block.z, of_z, children))
            .map(|((edges, diagonal), z)| ([edges, diagonal], z))
            .collect();
        let kind_of = &found.kinds[kind];
        let read: Vec<Result<(), StackError>> = found.children[first..first + children]
            .par_iter()
            .zip(places)
            .enumerate()
            .map(|(place, (child, ([edges, diagonal], z)))| {
                let correlation = kind_of.measure.is_correlation();
                if found.equal.is_some() || found.common_shrinkage(kind_of).is_some() {
                    equal::read(results, found, child, kind_of, atlas, edges, diagonal)?;
                } else {
                    let (path, form) = child.matrix(results, &found.kinds, kind);
                    values::read(&path, form, atlas, edges, diagonal)?;
                    if correlation {
                        values::require_correlations(&path, atlas, edges)?;
                    }
                }
                if let Some(effects) = adjust {
                    take_out(effects, first + place, edges, correlation);
                }
                z.iter_mut().zip(&*edges).for_each(|(z, r)| *z = fisher_z(f64::from(*r)) as f32);
                Ok(())
            })
            .collect();
        // If there are several errors, the first child's is returned, whichever thread was faster.
        read.into_iter().collect::<Result<(), StackError>>()?;
        Ok(block)
    }
}

/// Takes the effects of a child's site out of its edges; correlations as Fisher's z, and back.
fn take_out(effects: &SiteEffects, child: usize, edges: &mut [f32], correlation: bool) {
    if correlation {
        edges.iter_mut().for_each(|r| *r = fisher_z(f64::from(*r)) as f32);
    }
    effects.apply(child, edges);
    if correlation {
        edges.iter_mut().for_each(|z| *z = f64::from(*z).tanh() as f32);
    }
}

/// So many parts of the same length; the length may be 0, as for the edges of one parcel.
fn split(mut values: &mut [f32], length: usize, parts: usize) -> Vec<&mut [f32]> {
    let mut out = Vec::with_capacity(parts);
    for _ in 0..parts {
        let (part, rest) = values.split_at_mut(length);
        out.push(part);
        values = rest;
    }
    out
}
