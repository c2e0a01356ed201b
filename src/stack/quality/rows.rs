//! QC-FC in numbers: one row per atlas and measure, after censoring and before, with and without age and sex taken out.

use serde_json::{Value, json};

use super::context::atlas_of;
use super::sums::KindSums;
use crate::group::least_children::least_children;
use crate::group::quality::{
    Beyond, Chance, DistanceDependence, MotionSums, QcFc, QcFcSummary, QualityError, abs_r_of_p, distance_dependence,
    summarise,
};
use crate::group::{edges, quantile};
use crate::stack::arrays::tables::distance_mm;
use crate::stack::gather::error::StackError;
use crate::stack::gather::parcels::StackedAtlas;

/// Widths that a bar of the histogram may have: round ones (own convention).
const WIDTHS: [f64; 4] = [0.1, 0.05, 0.02, 0.01];
/// The distance picture's parts hold as many edges each: at most so many parts, at least so many edges (own
/// convention).
const MOST_PARTS: usize = 10;
const LEAST_EDGES: usize = 10;

/// Whether frames were dropped for motion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Censoring {
    After,
    Before,
}

impl Censoring {
    pub(super) fn key(self) -> &'static str {
        match self {
            Self::After => "after",
            Self::Before => "before",
        }
    }
}

/// How many edges have a correlation in each bar, from −1 to 1.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Histogram {
    pub width: f64,
    pub counts: Vec<usize>,
    /// Share of edges in each bar by chance alone.
    pub chance: Vec<f64>,
}

/// Correlations of a tenth of the edges, by distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub edges: usize,
    /// Least, median and largest distance, mm.
    pub distance_mm: [f64; 3],
    /// Lower quartile, median, upper quartile of r.
    pub r: [f64; 3],
}

/// One row.
#[derive(Debug, Clone)]
pub(super) struct QcFcRow {
    pub atlas: String,
    /// The measure's word.
    pub measure: &'static str,
    pub fisher_z: bool,
    pub censoring: Censoring,
    /// `main`, or the try's folder.
    pub results: String,
    /// Columns of the cohort table; none for the plain correlation.
    pub adjusted_for: Vec<String>,
    /// Children who have all that is needed.
    pub children: usize,
    /// Their rows.
    pub rows: usize,
    /// How many different orders the rows have, as far as they may be exchanged.
    pub orders: f64,
    /// Least and largest number of rows over the edges that have a correlation.
    pub children_of_edges: Option<[usize; 2]>,
    /// Degrees of freedom: the median over the edges that have a correlation; 0 where none has.
    pub dof: usize,
    /// Edges of the stack; those with a correlation are in the summary.
    pub all_edges: usize,
    /// For each edge.
    pub found: QcFc,
    pub summary: QcFcSummary,
    pub distance: DistanceDependence,
    /// What chance alone gives, were the edges independent.
    pub chance: Chance,
    /// Where the data stand among the shuffles of motion.
    pub beyond: Beyond,
    pub histogram: Histogram,
    pub parts: Vec<Part>,
}

impl QcFcRow {
    /// How many edges are left out because too few children have them.
    pub(super) fn left_out(&self) -> usize {
        self.found.children.iter().filter(|&&children| children < least_children(self.rows)).count()
    }

    /// The median |r| of chance alone.
    pub(super) fn chance_median(&self) -> f64 {
        self.chance.median_abs_r()
    }

    /// The least |r| with p < 0.05, of an edge with the median degrees of freedom.
    pub(super) fn critical(&self) -> f64 {
        abs_r_of_p(0.05, self.dof as f64)
    }

    pub(super) fn told(&self) -> Value {
        let parts: Vec<Value> = self
            .parts
            .iter()
            .map(|part| json!({ "edges": part.edges, "distance_mm": part.distance_mm, "r_quartiles": part.r }))
            .collect();
        let of_edges = if self.children == self.rows { "children_of_edges" } else { "rows_of_edges" };
        json!({
            of_edges: self.children_of_edges,
            "atlas": self.atlas,
            "measure": self.measure,
            "values": if self.fisher_z { "fisher_z" } else { "as_in_matrix" },
            "censoring": self.censoring.key(),
            "results": self.results,
            "adjusted_for": self.adjusted_for,
            "children": self.children,
            "rows": self.rows,
            "orders": if self.orders.is_finite() { json!(self.orders) } else { Value::Null },
            "dof": self.dof,
            "edges": self.all_edges,
            "edges_with_r": self.summary.edges,
            "median_abs_r": self.summary.median_abs_r,
            "chance_median_abs_r": self.chance_median(),
            "critical_abs_r": self.critical(),
            "share_p": self.summary.share_p,
            "share_q": self.summary.share_q,
            "distance": { "edges": self.distance.edges, "rho": self.distance.rho },
            "shuffled": {
                "shuffles": self.beyond.shuffles,
                "share_p": {
                    "centile_5": self.beyond.range_share_p[0],
                    "median": self.beyond.range_share_p[1],
                    "centile_95": self.beyond.range_share_p[2],
                },
                "share_q": { "centile_95": self.beyond.high_share_q },
                "p": {
                    "median_abs_r": self.beyond.median_abs_r,
                    "share_p": self.beyond.share_p,
                    "share_q": self.beyond.share_q,
                    "distance_rho": self.beyond.distance_rho,
                },
            },
            "histogram": {
                "from": -1.0, "width": self.histogram.width, "counts": self.histogram.counts,
                "chance": self.histogram.chance,
            },
            "distance_parts": parts,
        })
    }
}

/// The rows of one atlas and measure: plain, and with covariates taken out.
pub(super) fn of_kind(sums: &KindSums<'_>, results: &str, censoring: Censoring) -> Result<Vec<QcFcRow>, StackError> {
    let (quality, kind) = (sums.summed.context, sums.summed.kind);
    let of = &quality.found.kinds[kind];
    let Some(atlas) = atlas_of(quality.atlases, of) else { return Ok(Vec::new()) };
    let distances = distances(atlas);
    let both = [(Some(&sums.motion), Vec::new()), (sums.adjusted.as_ref(), quality.children.adjusted_for())];
    both.into_iter()
        .filter_map(|(sums, adjusted_for)| Some((sums?, adjusted_for)))
        .map(|(sums, adjusted_for)| {
            let row = row(sums, &distances, adjusted_for)
                .map_err(|source| quality.error(quality.results, kind, 0, source))?;
            Ok(QcFcRow {
                atlas: of.atlas.clone(),
                measure: of.measure.key(),
                fisher_z: of.measure.is_correlation(),
                censoring,
                results: results.to_owned(),
                ..row
            })
        })
        .collect()
}

/// Distance of each edge, mm.
fn distances(atlas: &StackedAtlas) -> Vec<f64> {
    let parcels = atlas.stacked();
    edges(parcels.len()).map(|(i, j)| distance_mm(parcels[i], parcels[j])).collect()
}

/// The numbers of one row, its names left open.
fn row(sums: &MotionSums, distances: &[f64], adjusted_for: Vec<String>) -> Result<QcFcRow, QualityError> {
    let found = sums.in_blocks(sums.correlation(adjusted_for.len())?);
    let with_r = || found.r.iter().zip(&found.children).filter(|(r, _)| !r.is_nan()).map(|(_, &children)| children);
    let r = found.r.to_vec();
    let mut dof: Vec<usize> = found.dof.iter().copied().filter(|&dof| dof > 0).collect();
    dof.sort_unstable();
    let dof = dof.get(dof.len() / 2).copied().unwrap_or(0);
    let chance = Chance::new(&found.dof);
    Ok(QcFcRow {
        atlas: String::new(),
        measure: "",
        fisher_z: false,
        censoring: Censoring::After,
        results: String::new(),
        adjusted_for,
        children: sums.people(),
        rows: sums.rows(),
        orders: sums.orders(),
        children_of_edges: with_r().min().zip(with_r().max()).map(|(least, most)| [least, most]),
        dof,
        all_edges: r.len(),
        summary: summarise(&found),
        distance: distance_dependence(&r, distances),
        beyond: sums.beyond(&found, distances),
        histogram: histogram(&r, abs_r_of_p(0.05, dof as f64), &chance),
        parts: parts(&r, distances),
        chance,
        found,
    })
}

/// Bars of a round width of which some six lie between 0 and the least |r| with p < 0.05 (own convention).
fn histogram(r: &[f64], critical: f64, chance: &Chance) -> Histogram {
    let width = WIDTHS.into_iter().find(|width| 6.0 * width <= critical).unwrap_or(WIDTHS[WIDTHS.len() - 1]);
    let width = if critical.is_nan() { WIDTHS[0] } else { width };
    let bars = (2.0 / width).round() as usize;
    let mut counts = vec![0; bars];
    for r in r.iter().filter(|r| !r.is_nan()) {
        counts[(((r + 1.0) / width).floor() as usize).min(bars - 1)] += 1;
    }
    let side = |bar: usize| (2 * bar) as f64 / bars as f64 - 1.0;
    let chance = (0..bars).map(|bar| chance.share_between(side(bar), side(bar + 1))).collect();
    Histogram { width, counts, chance }
}

/// Parts with equal numbers of edges, from near to far.
fn parts(r: &[f64], distances: &[f64]) -> Vec<Part> {
    let mut both: Vec<(f64, f64)> =
        distances.iter().zip(r).filter(|(d, r)| d.is_finite() && r.is_finite()).map(|(d, r)| (*d, *r)).collect();
    // Among edges with the same distance, the order of the edges decides.
    both.sort_by(|a, b| a.0.total_cmp(&b.0));
    let count = (both.len() / LEAST_EDGES).clamp(usize::from(!both.is_empty()), MOST_PARTS);
    (0..count)
        .map(|k| {
            let part = &both[k * both.len() / count..(k + 1) * both.len() / count];
            let mut r: Vec<f64> = part.iter().map(|(_, r)| *r).collect();
            r.sort_by(f64::total_cmp);
            let far: Vec<f64> = part.iter().map(|(distance, _)| *distance).collect();
            Part {
                edges: part.len(),
                distance_mm: [0.0, 0.5, 1.0].map(|share| quantile(&far, share)),
                r: [0.25, 0.5, 0.75].map(|share| quantile(&r, share)),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_correlation_has_a_bar() {
        let r = [-1.0, -0.999, -0.05, 0.0, 0.05, 0.999, 1.0, f64::NAN];
        let histogram = |dof: usize| histogram(&r, abs_r_of_p(0.05, dof as f64), &Chance::new(&[dof]));
        for dof in [0, 1, 14, 100, 5000] {
            let found = histogram(dof);
            assert_eq!(found.counts.iter().sum::<usize>(), 7, "{dof}");
            assert_eq!(found.counts.len(), (2.0 / found.width).round() as usize);
            assert!(dof == 0 || (found.chance.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{dof}");
        }
        assert_eq!(histogram(14).width, 0.05);
        assert_eq!(histogram(5000).width, 0.01);
    }

    #[test]
    fn parts_hold_every_edge_once() {
        for edges in [0, 1, 9, 10, 19, 20, 57, 190] {
            let distances: Vec<f64> = (0..edges).map(|k| f64::from(k * 7 % 31)).collect();
            let r: Vec<f64> = (0..edges).map(|k| f64::from(k) / 200.0).collect();
            let parts = parts(&r, &distances);
            assert_eq!(parts.iter().map(|part| part.edges).sum::<usize>(), edges as usize);
            assert!(parts.len() <= MOST_PARTS && parts.iter().all(|part| part.edges > 0));
            for pair in parts.windows(2) {
                assert!(pair[0].distance_mm[2] <= pair[1].distance_mm[0]);
            }
        }
    }
}
