//! Sums over children that QC-FC and the mean matrix are read off: a sink of the blocks of edges.

use std::path::Path;

use ndarray::Array2;
use rayon::prelude::*;

use super::context::{QualityContext, atlas_of};
use super::facts::{ChildFacts, ChildrenFacts};
use crate::connectivity::fisher_z;
use crate::group::edge_count;
use crate::group::quality::{Accumulator, QualityError, Shuffled};
use crate::linalg::LinalgError;
use crate::stack::gather::block::{Block, BlockSink};
use crate::stack::gather::error::StackError;

/// Children whose values are turned into z at once: enough work for all cores, without a copy of a whole block (own
/// convention).
const AT_ONCE: usize = 32;

/// Sums over children of one atlas and measure.
#[derive(Debug)]
pub(super) struct Sums {
    edges: usize,
    /// All children of the stack, for the mean matrix.
    pub(super) all: Accumulator,
    /// Those with mean FD.
    pub(super) motion: WithMotion,
    /// Those with mean FD and all covariates that are taken out; none where nothing is.
    pub(super) adjusted: Option<WithMotion>,
    /// Sum of each parcel's values on the diagonal, and how many children have one.
    pub(super) diagonal: Vec<(f64, usize)>,
}

/// What edges have to do with motion, and with motion shuffled among the children.
#[derive(Debug)]
pub(super) struct WithMotion {
    pub(super) sums: Accumulator,
    pub(super) shuffled: Shuffled,
}

impl WithMotion {
    /// Of the children who have the numbers: mean FD, then what is taken out.
    fn new(
        edges: usize,
        children: &ChildrenFacts,
        numbers: fn(&ChildrenFacts, &ChildFacts) -> Option<Vec<f64>>,
    ) -> Result<Self, LinalgError> {
        // Who is shuffled: all with motion.
        let moved: Vec<&ChildFacts> = children.facts.iter().filter(|facts| children.plain(facts).is_some()).collect();
        let own: Vec<(usize, Vec<f64>)> =
            moved.iter().enumerate().filter_map(|(place, facts)| Some((place, numbers(children, facts)?))).collect();
        let covariates = own.first().map_or(1, |(_, numbers)| numbers.len());
        let motion: Vec<f64> = own.iter().map(|(_, numbers)| numbers[0]).collect();
        let controls = Array2::from_shape_fn((own.len(), covariates - 1), |(child, k)| own[child].1[k + 1]);
        let places: Vec<usize> = own.iter().map(|(place, _)| *place).collect();
        Ok(Self {
            sums: Accumulator::new(edges, covariates),
            shuffled: Shuffled::new(edges, &motion, controls.view(), &places, moved.len())?,
        })
    }

    /// Adds children in their order: a row of edges, and the same numbers as above.
    fn add(&mut self, children: &[(usize, &[f32], Vec<f64>)]) -> Result<(), (usize, QualityError)> {
        let rows: Vec<&[f32]> = children.iter().map(|(_, row, _)| *row).collect();
        let Self { sums, shuffled } = self;
        let (added, ()) = rayon::join(
            || {
                children
                    .iter()
                    .try_for_each(|(child, row, numbers)| sums.add_child(row, numbers).map_err(|error| (*child, error)))
            },
            || shuffled.take(&rows),
        );
        added
    }
}

impl Sums {
    fn new(parcels: usize, children: &ChildrenFacts) -> Result<Self, LinalgError> {
        let edges = edge_count(parcels);
        let adjusted = (!children.adjusted_for().is_empty())
            .then(|| WithMotion::new(edges, children, ChildrenFacts::adjusted))
            .transpose()?;
        Ok(Self {
            edges,
            all: Accumulator::new(edges, 0),
            motion: WithMotion::new(edges, children, ChildrenFacts::plain)?,
            adjusted,
            diagonal: vec![(0.0, 0); parcels],
        })
    }

    /// Adds a block; the position of the child who cannot be added, where one cannot.
    fn take(&mut self, children: &ChildrenFacts, z: bool, block: &Block) -> Result<(), (usize, QualityError)> {
        for first in (0..block.children).step_by(AT_ONCE) {
            let count = AT_ONCE.min(block.children - first);
            let values = &block.edges[first * self.edges..(first + count) * self.edges];
            let converted: Vec<f32>;
            let values = if z {
                converted = values.par_iter().map(|r| fisher_z(f64::from(*r)) as f32).collect();
                &converted
            } else {
                values
            };
            let place = block.first + first;
            self.add(children, &children.facts[place..place + count], values)
                .map_err(|(child, source)| (place + child, source))?;
        }
        for child in block.diagonals.chunks_exact(self.diagonal.len().max(1)) {
            for ((sum, count), value) in self.diagonal.iter_mut().zip(child).filter(|(_, value)| !value.is_nan()) {
                (*sum, *count) = (*sum + f64::from(*value), *count + 1);
            }
        }
        Ok(())
    }

    /// Adds children with their values, a row each; each sum takes them in their order.
    fn add(
        &mut self,
        children: &ChildrenFacts,
        facts: &[ChildFacts],
        values: &[f32],
    ) -> Result<(), (usize, QualityError)> {
        let Self { edges, all, motion, adjusted, .. } = self;
        // Of an atlas of one parcel a row is empty.
        let row = |child: usize| &values[child * *edges..(child + 1) * *edges];
        let with = |numbers: fn(&ChildrenFacts, &ChildFacts) -> Option<Vec<f64>>| -> Vec<(usize, &[f32], Vec<f64>)> {
            let of = |(child, facts)| Some((child, row(child), numbers(children, facts)?));
            facts.iter().enumerate().filter_map(of).collect()
        };
        let with_motion = || {
            motion.add(&with(ChildrenFacts::plain))?;
            adjusted.as_mut().map_or(Ok(()), |adjusted| adjusted.add(&with(ChildrenFacts::adjusted)))
        };
        let without =
            || (0..facts.len()).try_for_each(|child| all.add_child(row(child), &[]).map_err(|error| (child, error)));
        let (first, second) = rayon::join(without, with_motion);
        first.and(second)
    }
}

/// The sums of one atlas and measure while blocks come in, of the results folder or of a try.
pub(crate) struct KindSums<'q> {
    context: &'q QualityContext<'q>,
    results: &'q Path,
    pub kind: usize,
    pub(super) sums: Sums,
}

impl<'q> KindSums<'q> {
    pub(crate) fn new(context: &'q QualityContext<'q>, results: &'q Path, kind: usize) -> Result<Self, StackError> {
        let parcels = atlas_of(context.atlases, &context.found.kinds[kind]).map_or(0, |atlas| atlas.stacked().len());
        let fail = |source| StackError::Motion { path: context.results.join("cohort.tsv"), source };
        let sums = Sums::new(parcels, &context.children).map_err(fail)?;
        Ok(Self { context, results, kind, sums })
    }
}

impl BlockSink for KindSums<'_> {
    /// Adds a block, with values as in the children's matrices.
    fn take(&mut self, block: &mut Block) -> Result<(), StackError> {
        let Self { context, results, kind, sums } = self;
        let z = context.found.kinds[*kind].measure.is_correlation();
        sums.take(&context.children, z, block).map_err(|(child, source)| context.error(results, *kind, child, source))
    }
}
