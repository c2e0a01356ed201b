//! Sums over children, in two passes over the matrices of an atlas and measure.
//!
//! The first pass gives plain means, and how much edges vary under two weightings: from that follow the weights
//! ([`crate::group::weights`]). The second pass gives what needs weights: QC-FC and its shuffles, weighted means, and
//! how far each child lies from the mean.

use ndarray::{Array1, Array2};
use rayon::prelude::*;

use super::context::{QualityContext, atlas_of};
use super::facts::{ChildFacts, ChildrenFacts};
use crate::group::edge_count;
use crate::group::exchange::Exchange;
use crate::group::quality::{Accumulator, MotionSums, MovingChildren, QualityError};
use crate::group::site_effects::SiteEffects;
use crate::group::weights::{Scale, Scatter, VarianceModel, WeightedEdges};
use crate::linalg::LinalgError;
use crate::stack::gather::block::{Block, BlockSink};
use crate::stack::gather::error::StackError;
use crate::stack::gather::folders::Folders;
use crate::stack::gather::request::Weights;

/// Which matrices are summed.
#[derive(Clone, Copy)]
pub(crate) struct Summed<'q> {
    pub context: &'q QualityContext<'q>,
    /// The results folders, or those of tries.
    pub results: &'q Folders,
    pub kind: usize,
    /// 1/(dof − 2) of each child there.
    pub sampling: &'q [f64],
    /// Effects of sites to take out.
    pub adjust: Option<&'q SiteEffects>,
}

impl Summed<'_> {
    fn edges(&self) -> usize {
        edge_count(self.parcels())
    }

    fn parcels(&self) -> usize {
        let atlas = atlas_of(self.context.atlases, &self.context.found.kinds[self.kind]);
        atlas.map_or(0, |atlas| atlas.stacked().len())
    }

    fn is_correlation(&self) -> bool {
        self.context.found.kinds[self.kind].measure.is_correlation()
    }

    fn fail(&self, source: LinalgError) -> StackError {
        StackError::Motion { tables: self.context.results.cohort_tables(), source }
    }

    /// Passes a block's children on, some at a time, with correlations as Fisher's z: the place of the first, then a
    /// row of edges each.
    fn each(
        &self,
        block: &Block,
        mut take: impl FnMut(usize, &[&[f32]]) -> Result<(), (usize, QualityError)>,
    ) -> Result<(), StackError> {
        block.each(self.edges(), self.is_correlation(), |first, rows| {
            take(first, rows)
                .map_err(|(child, source)| self.context.error(self.results, self.kind, first + child, source))
        })
    }
}

/// The first pass: means, and what the weights are worked out from.
pub(crate) struct MeanSums<'q> {
    pub summed: Summed<'q>,
    /// All children of the stack, for the mean matrix.
    pub(super) all: Accumulator,
    /// Those with mean FD, all alike and each by dof − 2; none where all are to count alike.
    scatter: Option<[Accumulator; 2]>,
    /// Sum of each parcel's values on the diagonal, and how many children have one.
    pub(super) diagonal: Vec<(f64, usize)>,
}

impl<'q> MeanSums<'q> {
    pub(crate) fn new(summed: Summed<'q>) -> Self {
        let edges = summed.edges();
        let both = || [Accumulator::new(edges, 1), Accumulator::new(edges, 1)];
        Self {
            summed,
            all: Accumulator::new(edges, 0),
            scatter: (summed.context.request.weights == Weights::Variance).then(both),
            diagonal: vec![(0.0, 0); summed.parcels()],
        }
    }

    /// How much edges vary between children, and how much by sampling.
    pub(super) fn variance(&self) -> Result<VarianceModel, StackError> {
        let Summed { context, sampling, .. } = self.summed;
        let Some([equal, by_dof]) = &self.scatter else { return Ok(VarianceModel::equal(self.summed.edges())) };
        let own: Vec<(f64, f64)> = context.children.facts.iter().zip(sampling).filter_map(with_motion).collect();
        let design = Array2::from_shape_fn((own.len(), 2), |(child, k)| if k == 0 { 1.0 } else { own[child].0 });
        let sampling: Vec<f64> = own.iter().map(|(_, s)| *s).collect();
        let scatter = Scatter {
            equal: equal.scatter_about_motion(),
            by_dof: by_dof.scatter_about_motion(),
            children: equal.children_of_edges(),
        };
        let scale = if self.summed.is_correlation() { Scale::FisherZ } else { Scale::OfEachEdge };
        VarianceModel::estimate(&scatter, design.view(), &sampling, scale).map_err(|source| self.summed.fail(source))
    }
}

/// Mean FD and 1/(dof − 2) of a child who has both.
fn with_motion((facts, sampling): (&ChildFacts, &f64)) -> Option<(f64, f64)> {
    facts.mean_fd_mm.is_finite().then_some((facts.mean_fd_mm, *sampling))
}

impl BlockSink for MeanSums<'_> {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let Self { summed, all, scatter, diagonal } = self;
        let (facts, sampling) = (&summed.context.children.facts, summed.sampling);
        summed.each(block, |first, rows| {
            let each = || rows.iter().enumerate();
            let plain = || each().try_for_each(|(child, row)| all.add_child(row, &[], 1.0).map_err(|e| (child, e)));
            let add = |sums: &mut Accumulator, weight: &dyn Fn(f64) -> f64| {
                each().try_for_each(|(child, row)| {
                    let place = first + child;
                    let Some((fd, s)) = with_motion((&facts[place], &sampling[place])) else { return Ok(()) };
                    sums.add_child(row, &[fd], weight(s)).map_err(|error| (child, error))
                })
            };
            let both = || match scatter.as_mut() {
                Some([equal, by_dof]) => {
                    let (first, second) = rayon::join(|| add(equal, &|_| 1.0), || add(by_dof, &|s| 1.0 / s));
                    first.and(second)
                }
                None => Ok(()),
            };
            let (first, second) = rayon::join(plain, both);
            first.and(second)
        })?;
        for child in block.diagonals.chunks_exact(diagonal.len().max(1)) {
            for ((sum, count), value) in diagonal.iter_mut().zip(child).filter(|(_, value)| !value.is_nan()) {
                (*sum, *count) = (*sum + f64::from(*value), *count + 1);
            }
        }
        Ok(())
    }

    fn wants_z(&self) -> bool {
        self.summed.is_correlation()
    }
}

/// Weighted sums and weights of each edge over all children of the stack.
struct WeightedMeans {
    classes: Vec<WeightedEdges>,
    sums: Vec<Vec<f64>>,
    weights: Vec<Vec<f64>>,
}

impl WeightedMeans {
    fn new(classes: Vec<WeightedEdges>) -> Self {
        let zeros = || classes.iter().map(|class| vec![0.0; class.edges.len()]).collect();
        let (sums, weights) = (zeros(), zeros());
        Self { classes, sums, weights }
    }

    fn take(&mut self, first: usize, rows: &[&[f32]]) {
        let Self { classes, sums, weights } = self;
        classes.par_iter().zip(sums).zip(weights).for_each(|((class, sums), weights)| {
            for (child, row) in rows.iter().enumerate() {
                let weight = class.weights[first + child];
                for ((&edge, sum), total) in class.edges.iter().zip(&mut *sums).zip(&mut *weights) {
                    let z = f64::from(row[edge]);
                    if !z.is_nan() {
                        *sum += weight * z;
                        *total += weight;
                    }
                }
            }
        });
    }

    /// NaN where no child has the edge.
    fn mean(&self, edges: usize) -> Array1<f64> {
        let mut mean = Array1::from_elem(edges, f64::NAN);
        for ((class, sums), weights) in self.classes.iter().zip(&self.sums).zip(&self.weights) {
            for ((&edge, sum), weight) in class.edges.iter().zip(sums).zip(weights).filter(|(_, weight)| **weight > 0.0)
            {
                mean[edge] = sum / weight;
            }
        }
        mean
    }
}

/// The second pass: what edges have to do with motion, weighted means, and each child's scatter.
pub(crate) struct KindSums<'q> {
    pub summed: Summed<'q>,
    pub(super) model: VarianceModel,
    /// Those with mean FD.
    pub(super) motion: MotionSums,
    /// Those with mean FD and all covariates that are taken out; none where nothing is.
    pub(super) adjusted: Option<MotionSums>,
    means: WeightedMeans,
    /// Plain mean of each edge.
    plain: Array1<f64>,
    /// Root mean square of each child's distances from them, over the edges that it has.
    pub(super) scatter: Vec<f64>,
}

impl<'q> KindSums<'q> {
    pub(super) fn new(first: &MeanSums<'q>) -> Result<Self, StackError> {
        let summed = first.summed;
        let model = first.variance()?;
        let children = &summed.context.children;
        let adjusted = !children.adjusted_for().is_empty();
        let of = |numbers| motion_sums(&summed, &model, numbers).map_err(|source| summed.fail(source));
        Ok(Self {
            summed,
            motion: of(ChildrenFacts::plain)?,
            adjusted: adjusted.then(|| of(ChildrenFacts::adjusted)).transpose()?,
            means: WeightedMeans::new(model.weighted(summed.sampling)),
            plain: first.all.mean(),
            scatter: vec![f64::NAN; children.facts.len()],
            model,
        })
    }

    /// Weighted mean of each edge; NaN where no child has it.
    pub(super) fn weighted_mean(&self) -> Array1<f64> {
        self.means.mean(self.summed.edges())
    }
}

/// Sums of the children who have the numbers: mean FD, then what is taken out.
fn motion_sums(
    summed: &Summed<'_>,
    model: &VarianceModel,
    numbers: fn(&ChildrenFacts, &ChildFacts) -> Option<Vec<f64>>,
) -> Result<MotionSums, LinalgError> {
    let children = &summed.context.children;
    // Who is shuffled: all with motion.
    let moved = children.facts.iter().zip(summed.sampling).filter(|(facts, _)| children.plain(facts).is_some());
    let moved: Vec<(&ChildFacts, f64)> = moved.map(|(facts, s)| (facts, *s)).collect();
    let own = moved.iter().enumerate();
    let own: Vec<(usize, f64, Vec<f64>)> =
        own.filter_map(|(place, (facts, s))| Some((place, *s, numbers(children, facts)?))).collect();
    let rows = children.facts.iter().enumerate().filter(|(_, facts)| numbers(children, facts).is_some());
    let blocks = summed.context.blocks.select(&rows.map(|(row, _)| row).collect::<Vec<_>>());
    let covariates = own.first().map_or(1, |(_, _, numbers)| numbers.len());
    let motion: Vec<f64> = own.iter().map(|(_, _, numbers)| numbers[0]).collect();
    let controls = Array2::from_shape_fn((own.len(), covariates - 1), |(child, k)| own[child].2[k + 1]);
    // Whole blocks cannot keep the orders that they have among others of other sizes.
    let (places, exchange): (Vec<usize>, Exchange) = if summed.context.blocks.are_single() {
        (own.iter().map(|(place, ..)| *place).collect(), Exchange::free(moved.len()))
    } else {
        ((0..own.len()).collect(), blocks.whole())
    };
    let sampling: Vec<f64> = own.iter().map(|(_, s, _)| *s).collect();
    let who = MovingChildren { motion: &motion, covariates: controls.view(), places: &places, exchange: &exchange };
    MotionSums::new(summed.edges(), model.weighted(&sampling), &who, blocks.children())
}

impl BlockSink for KindSums<'_> {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let Self { summed, motion, adjusted, means, plain, scatter, .. } = self;
        let children = &summed.context.children;
        summed.each(block, |first, rows| {
            let facts = &children.facts[first..first + rows.len()];
            let add = |sums: &mut MotionSums, numbers: fn(&ChildrenFacts, &ChildFacts) -> Option<Vec<f64>>| {
                let of = |(child, facts)| Some((child, numbers(children, facts)?));
                let (places, numbers): (Vec<usize>, Vec<Vec<f64>>) = facts.iter().enumerate().filter_map(of).unzip();
                let own: Vec<&[f32]> = places.iter().map(|&child| rows[child]).collect();
                sums.take(&own, &numbers).map_err(|(at, error)| (places[at], error))
            };
            add(motion, ChildrenFacts::plain)?;
            adjusted.as_mut().map_or(Ok(()), |adjusted| add(adjusted, ChildrenFacts::adjusted))?;
            means.take(first, rows);
            rows.par_iter().zip(&mut scatter[first..]).for_each(|(row, scatter)| *scatter = distance(row, plain));
            Ok(())
        })
    }

    fn wants_z(&self) -> bool {
        self.summed.is_correlation()
    }
}

/// Root mean square of a row's distances from the means, over the edges that are there.
fn distance(row: &[f32], means: &Array1<f64>) -> f64 {
    let both = row.iter().zip(means).filter(|(z, _)| !z.is_nan());
    let (sum, count) = both.fold((0.0, 0.0), |(sum, count), (z, m)| (sum + (f64::from(*z) - m).powi(2), count + 1.0));
    (sum / count).sqrt()
}
