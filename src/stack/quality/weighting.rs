//! How much each child counts, and whether the matrices of those who moved are noisier.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::rows::Censoring;
use super::sums::KindSums;
use crate::group::quality::rank_correlation;
use crate::group::ranks::p_of_rank_correlation;
use crate::group::weights::VarianceModel;
use crate::stack::gather::request::Weights;
use crate::tables::{figures, p_words};

/// The weights of one atlas and measure.
#[derive(Debug)]
pub(super) struct Weighting {
    pub atlas: String,
    /// The measure's word.
    pub measure: &'static str,
    pub censoring: Censoring,
    /// `main`, or the try's folder.
    pub results: String,
    pub how: Weights,
    pub model: VarianceModel,
    /// Of each child in the stack.
    pub children: Vec<ChildWeight>,
    /// Rank correlation of mean FD with scatter; none with fewer than five children.
    pub noisier: Option<Noisier>,
}

/// What one child counts.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ChildWeight {
    /// Root of the sampling variance of an edge; NaN where all children count alike, and where φ of a measure without a
    /// fixed scale is 0, since all have the same degrees of freedom.
    pub sampling_sd: f64,
    /// On an edge with the mean variance between children; its mean over children is 1.
    pub weight: f64,
    /// Root mean square of its edges' distances from their means over children.
    pub scatter: f64,
}

impl ChildWeight {
    /// Under [`crate::stack::gather::children::WEIGHT_COLUMNS`].
    pub(crate) fn values(&self) -> [f64; 3] {
        [self.sampling_sd, self.weight, self.scatter]
    }
}

/// Whether those who moved more lie farther from the mean.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noisier {
    /// Blocks of related rows; each child is one by itself where nothing else is said.
    pub blocks: usize,
    pub rho: f64,
    /// Two-sided.
    pub p: f64,
}

/// Fewer children have no rank correlation worth a word (own convention: with four, no p is below 0.05).
const FEWEST: usize = 5;

impl Weighting {
    pub(super) fn of(sums: &KindSums<'_>, results: &str, censoring: Censoring) -> Self {
        let context = sums.summed.context;
        let kind = &context.found.kinds[sums.summed.kind];
        let how = context.request.weights;
        let weights = sums.model.mean_weights(sums.summed.sampling);
        let children = sums.summed.sampling.iter().zip(weights).zip(&sums.scatter).map(|((s, weight), &scatter)| {
            let known = how == Weights::Variance && (kind.measure.is_correlation() || sums.model.factor > 0.0);
            let sampling_sd = if known { (sums.model.factor * s).sqrt() } else { f64::NAN };
            ChildWeight { sampling_sd, weight, scatter }
        });
        let children: Vec<ChildWeight> = children.collect();
        let both = context.children.facts.iter().zip(&children);
        let mut of_blocks: BTreeMap<usize, Vec<[f64; 2]>> = BTreeMap::new();
        for ((facts, child), &block) in both.zip(context.blocks.of_rows()) {
            if facts.mean_fd_mm.is_finite() && child.scatter.is_finite() {
                of_blocks.entry(block).or_default().push([facts.mean_fd_mm, child.scatter]);
            }
        }
        // Rows of a block are not independent, so each block counts once, with its means.
        let mean = |rows: &Vec<[f64; 2]>, k: usize| rows.iter().map(|row| row[k]).sum::<f64>() / rows.len() as f64;
        let (fd, scatter): (Vec<f64>, Vec<f64>) = of_blocks.values().map(|rows| (mean(rows, 0), mean(rows, 1))).unzip();
        let noisier = (fd.len() >= FEWEST).then(|| {
            let rho = rank_correlation(&fd, &scatter);
            Noisier { blocks: fd.len(), rho, p: p_of_rank_correlation(rho, &fd, &scatter) }
        });
        Self {
            atlas: kind.atlas.clone(),
            measure: kind.measure.key(),
            censoring,
            results: results.to_owned(),
            how,
            model: sums.model.clone(),
            children,
            noisier: noisier.filter(|noisier| noisier.rho.is_finite()),
        }
    }

    pub(super) fn told(&self) -> Value {
        json!({
            "atlas": self.atlas,
            "measure": self.measure,
            "censoring": self.censoring.key(),
            "results": self.results,
            "weights": model_told(self.how, &self.model),
            "noisier": self.noisier.map(|noisier| json!({
                "blocks": noisier.blocks, "rho": noisier.rho, "p": noisier.p,
            })),
        })
    }

    /// Whether the matrices of those who moved are noisier, in a sentence.
    pub(super) fn sentence(&self) -> String {
        let Some(Noisier { rho, p, .. }) = self.noisier else {
            return "Too few children to tell.".to_owned();
        };
        let p = p_words(p);
        let p = if p.starts_with('<') { p } else { format!("= {p}") };
        let rho = figures(rho, 2);
        let numbers = format!("rank correlation of mean FD with a child's scatter {rho}, p {p}");
        match self.noisier {
            Some(noisier) if noisier.p < 0.05 && noisier.rho > 0.0 => format!("Yes: {numbers}."),
            Some(noisier) if noisier.p < 0.05 => {
                format!("No, the other way round: children who moved less have the noisier matrices ({numbers}).")
            }
            _ => format!("No sign of it: {numbers}."),
        }
    }
}

/// What a JSON file says of weights.
pub(crate) fn model_told(how: Weights, model: &VarianceModel) -> Value {
    match how {
        Weights::Equal => json!({ "by": how.key() }),
        Weights::Variance => {
            let classes = model.classes.iter();
            let classes: Vec<Value> =
                classes.map(|class| json!({ "edges": class.edges.len(), "between_variance": class.between })).collect();
            json!({
                "by": how.key(),
                "formula": "1 / (between_variance + factor / (dof - 2))",
                "factor": model.factor,
                "between_variance": model.between,
                "classes": classes,
            })
        }
    }
}
