//! Cohort quality: does motion drive the edges?
//!
//! QC-FC is, for each edge, the correlation over children of its Fisher z with mean framewise displacement (in
//! `…_qcfc.tsv` the columns `before_r`, `after_r` and, with covariates taken out, `after_adjusted_r`; likewise `…_p`,
//! `…_q`): Power et al. 2012, NeuroImage 59:2142; Satterthwaite et al. 2012, NeuroImage 60:623; Ciric et al. 2017,
//! NeuroImage 154:174. The summary has the median |r|, the shares of edges with p < 0.05 and with q < 0.05
//! (Benjamini–Hochberg), and the rank correlation of QC-FC with the distance between the parcels' centroids: motion
//! makes near parcels more alike than far ones.
//!
//! [`Accumulator`] takes one child after the other, so that memory does not grow with children. It keeps means and sums
//! of products about the means (Welford 1962, Technometrics 4:419; for products Chan, Golub & LeVeque 1983, The
//! American Statistician 37:242): stable whatever the offset. From the first child who lacks it, an edge keeps
//! covariate moments of its own, begun from those of the children before. So each edge's correlation is over exactly
//! the children who have it.
//!
//! Edges share children and parcels and are correlated with one another, so chance alone can bring far more or far
//! fewer than 5 % of them to p < 0.05. Shuffling motion among the children shows what chance does to these edges and
//! these children ([`Shuffled`]), in the same pass.

mod accumulator;
mod beyond;
mod chance;
mod classed;
mod shuffled;
mod summary;
#[cfg(test)]
mod tests;

pub use accumulator::{Accumulator, QcFc};
pub use beyond::{Beyond, p_of_farthest};
pub use chance::{Chance, abs_r_of_p, children_needed, p_of_r};
pub use classed::MotionSums;
pub use shuffled::{MovingChildren, SHUFFLES, Shuffled};
pub use summary::{
    DistanceDependence, Distances, QcFcSummary, distance_dependence, network_means, rank_correlation, summarise,
};

/// What can be wrong with what an accumulator is given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QualityError {
    /// A number of edges other than that of the others.
    #[error("a child has {found} edges, but the children before it have {expected}; stack children of one atlas")]
    Edges { found: usize, expected: usize },
    /// A wrong number of covariates.
    #[error("a child has {found} covariates, but {expected} were announced; give each child all of them")]
    Covariates { found: usize, expected: usize },
    /// A covariate that is missing or infinite.
    #[error("a child's covariate {number} (from 0) is not a finite number; leave the child out and say so")]
    NotFinite { number: usize },
    /// A weight that no child can have.
    #[error("a child's weight is {weight}, and it must be a finite number above 0; recompute the weights")]
    Weight { weight: f64 },
    /// An infinite edge.
    #[error("a child's edge {edge} (from 0) is infinite; recompute that child's matrix")]
    Infinite { edge: usize },
    /// A covariate that was not announced.
    #[error("covariate {number} (from 0) was asked for, but there are {covariates}")]
    NoCovariate { number: usize, covariates: usize },
}
