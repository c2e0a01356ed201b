//! Sums of products over children, per edge and site, and what follows from them.
//!
//! For each edge and site: Σ w y², Σ w y and Σ w y x. Sums of products of the covariates alone are the same on all
//! edges of a class of weights, except for children who lack an edge: theirs are kept apart, and taken off.

use std::collections::BTreeMap;

use ndarray::Array2;
use rayon::prelude::*;

use super::bayes::{Prior, SiteOfEdge};
use super::{LEAST_CHILDREN, SiteEffects, Sites};
use crate::group::weights::WeightedEdges;

/// Edges whose sums one core works on (own convention).
const AT_ONCE: usize = 512;
/// Residuals with less than this share of an edge's variance are rounding (own convention; values are 32-bit floats).
const ROUNDING: f64 = 1e-12;

/// Sums over children.
#[derive(Debug)]
pub struct SiteSums {
    sites: Sites,
    /// Of each class: what each child counts.
    weights: Vec<Vec<f64>>,
    /// The class of each edge.
    class_of: Vec<usize>,
    /// Of each class and site: Σ w (1, x)(1, x)′.
    crossed: Vec<Vec<f64>>,
    parts: Vec<Part>,
}

/// Some edges that follow each other.
#[derive(Debug)]
struct Part {
    first: usize,
    /// Of each edge and site: Σ w y², then Σ w y (1, x).
    sums: Vec<f64>,
    /// Of the edges that some children lack.
    lacking: BTreeMap<usize, Lacking>,
}

/// What the children who lack an edge would have added.
#[derive(Debug)]
struct Lacking {
    /// As [`SiteSums::crossed`] of one class.
    crossed: Vec<f64>,
    /// Rows of each site.
    rows: Vec<usize>,
    /// Children of each site all of whose rows lack it.
    children: Vec<usize>,
    /// How many rows of a child lack it, as long as that is not all of them.
    some: BTreeMap<usize, usize>,
}

impl Lacking {
    fn new(sites: usize, crossed: usize) -> Self {
        Self { crossed: vec![0.0; crossed], rows: vec![0; sites], children: vec![0; sites], some: BTreeMap::new() }
    }

    /// Counts a row of a child who has so many rows at a site.
    fn count(&mut self, site: usize, child: usize, of: usize) {
        self.rows[site] += 1;
        let lacks = self.some.remove(&child).unwrap_or(0) + 1;
        if lacks == of {
            self.children[site] += 1;
        } else {
            self.some.insert(child, lacks);
        }
    }
}

/// Least squares on one edge.
struct EdgeFit {
    mean: f64,
    sd: f64,
    kept: Vec<f64>,
    sites: Vec<SiteOfEdge>,
    /// Residual sum of squares.
    squares: f64,
}

impl SiteSums {
    /// Without any child yet; `classes` have every edge once, and a weight per child.
    ///
    /// # Panics
    /// When an edge is in no class, or a class does not have a weight per child.
    #[must_use]
    pub fn new(sites: Sites, edges: usize, classes: &[WeightedEdges]) -> Self {
        let mut class_of = vec![usize::MAX; edges];
        for (at, class) in classes.iter().enumerate() {
            assert_eq!(class.weights.len(), sites.of.len(), "one weight per child");
            class.edges.iter().for_each(|&edge| class_of[edge] = at);
        }
        assert!(class_of.iter().all(|&class| class < classes.len()), "every edge is in a class");
        let (sites_count, columns) = (sites.names.len(), 1 + sites.kept.len());
        let part = |first: usize| {
            let own = AT_ONCE.min(edges - first);
            Part { first, sums: vec![0.0; own * sites_count * (1 + columns)], lacking: BTreeMap::new() }
        };
        Self {
            weights: classes.iter().map(|class| class.weights.clone()).collect(),
            crossed: vec![vec![0.0; sites_count * columns * columns]; classes.len()],
            parts: (0..edges).step_by(AT_ONCE).map(part).collect(),
            class_of,
            sites,
        }
    }

    /// Adds children who follow each other from place `first` on; NaN where a child lacks an edge.
    ///
    /// # Panics
    /// When a row does not have a value per edge.
    pub fn take(&mut self, first: usize, rows: &[&[f32]]) {
        let Self { sites, weights, class_of, crossed, parts } = self;
        assert!(rows.iter().all(|row| row.len() == class_of.len()), "one value per edge");
        let columns = 1 + sites.kept.len();
        let children: Vec<(usize, Vec<f64>)> = (first..first + rows.len())
            .map(|child| {
                (sites.of[child], [1.0].into_iter().chain(sites.covariates.row(child).iter().copied()).collect())
            })
            .collect();
        for (class, crossed) in weights.iter().zip(&mut *crossed) {
            for (place, (site, x)) in children.iter().enumerate() {
                add_crossed(crossed, *site, x, class[first + place]);
            }
        }
        let (weights, class_of, count) = (&*weights, &*class_of, sites.names.len());
        parts.par_iter_mut().for_each(|part| {
            let stride = count * (1 + columns);
            for (place, ((site, x), row)) in children.iter().zip(rows).enumerate() {
                let edges = part.sums.len() / stride.max(1);
                for (own, &y) in row[part.first..part.first + edges].iter().enumerate() {
                    let class = class_of[part.first + own];
                    let weight = weights[class][first + place];
                    if y.is_nan() {
                        let new = || Lacking::new(count, count * columns * columns);
                        let lacking = part.lacking.entry(own).or_insert_with(new);
                        add_crossed(&mut lacking.crossed, *site, x, weight);
                        let child = sites.child[first + place];
                        lacking.count(*site, child, sites.rows[child]);
                        continue;
                    }
                    let y = f64::from(y);
                    let at = own * stride + site * (1 + columns);
                    part.sums[at] += weight * y * y;
                    let products = &mut part.sums[at + 1..at + 1 + columns];
                    products.iter_mut().zip(x).for_each(|(sum, x)| *sum += weight * y * x);
                }
            }
        });
    }

    /// Residual sum of squares of each edge, NaN where it cannot be fitted, and how many rows have it.
    #[must_use]
    pub fn squares(&self) -> (Vec<f64>, Vec<usize>) {
        let fits = self.fits();
        let counts = (0..self.class_of.len()).map(|edge| self.rows(edge).iter().sum()).collect();
        (fits.iter().map(|fit| fit.as_ref().map_or(f64::NAN, |fit| fit.squares)).collect(), counts)
    }

    /// The effects, once all children were added.
    #[must_use]
    pub fn effects(&self) -> SiteEffects {
        let fits = self.fits();
        let (edges, count) = (fits.len(), self.sites.names.len());
        let priors: Vec<Prior> = (0..count)
            .map(|site| Prior::of(&fits.iter().flatten().map(|fit| fit.sites[site]).collect::<Vec<_>>()))
            .collect();
        let nothing = || Array2::from_elem((edges, count), f64::NAN);
        let mut effects = SiteEffects {
            sites: self.sites.clone(),
            mean: vec![f64::NAN; edges],
            sd: vec![f64::NAN; edges],
            kept: Array2::from_elem((edges, self.sites.kept.len()), f64::NAN),
            location: nothing(),
            scale: nothing(),
            children: Array2::zeros((edges, count)),
            priors,
        };
        for (edge, fit) in fits.iter().enumerate() {
            let own = self.children(edge);
            own.iter().enumerate().for_each(|(site, &count)| effects.children[[edge, site]] = count);
            let Some(fit) = fit else { continue };
            (effects.mean[edge], effects.sd[edge]) = (fit.mean, fit.sd);
            fit.kept.iter().enumerate().for_each(|(k, &b)| effects.kept[[edge, k]] = b);
            for (site, own) in fit.sites.iter().enumerate() {
                let [location, variance] = effects.priors[site].shrunk(own);
                effects.location[[edge, site]] = fit.sd * location;
                effects.scale[[edge, site]] = variance.sqrt();
            }
        }
        effects
    }

    /// Children of each site who have an edge in some row.
    fn children(&self, edge: usize) -> Vec<usize> {
        self.less(self.sites.children.clone(), edge, |lacking| &lacking.children)
    }

    /// Rows of each site that have an edge.
    fn rows(&self, edge: usize) -> Vec<usize> {
        self.less(self.sites.counts(), edge, |lacking| &lacking.rows)
    }

    /// Counts of each site without those who lack an edge.
    fn less(&self, mut counts: Vec<usize>, edge: usize, lack: fn(&Lacking) -> &Vec<usize>) -> Vec<usize> {
        if let Some(lacking) = self.parts[edge / AT_ONCE].lacking.get(&(edge % AT_ONCE)) {
            counts.iter_mut().zip(lack(lacking)).for_each(|(count, lacking)| *count -= lacking);
        }
        counts
    }

    fn fits(&self) -> Vec<Option<EdgeFit>> {
        (0..self.class_of.len()).into_par_iter().map(|edge| self.fit(edge)).collect()
    }

    /// None where too few children of a site have the edge, or nothing varies within sites.
    fn fit(&self, edge: usize) -> Option<EdgeFit> {
        let part = &self.parts[edge / AT_ONCE];
        let own = edge - part.first;
        let (count, columns) = (self.sites.names.len(), 1 + self.sites.kept.len());
        if self.children(edge).iter().any(|&count| count < LEAST_CHILDREN) {
            return None;
        }
        let rows = self.rows(edge);
        let mut crossed = self.crossed[self.class_of[edge]].clone();
        if let Some(lacking) = part.lacking.get(&own) {
            crossed.iter_mut().zip(&lacking.crossed).for_each(|(sum, lacking)| *sum -= lacking);
        }
        let stride = count * (1 + columns);
        let sums = &part.sums[own * stride..(own + 1) * stride];
        let sites: Vec<Within> = (0..count)
            .map(|site| {
                let crossed = &crossed[site * columns * columns..(site + 1) * columns * columns];
                Within::of(&sums[site * (1 + columns)..(site + 1) * (1 + columns)], crossed)
            })
            .collect();
        let kept = columns - 1;
        let all = |of: fn(&Within) -> &Vec<f64>, length: usize| -> Vec<f64> {
            (0..length).map(|k| sites.iter().map(|site| of(site)[k]).sum()).collect()
        };
        let factor = Factor::of(&all(|site| &site.xx, kept * kept), kept)?;
        let slopes = factor.solve(&all(|site| &site.xy, kept));
        let squares: Vec<f64> = sites.iter().map(|site| site.squares(&slopes)).collect();
        let residual: f64 = squares.iter().sum();
        let whole: f64 = sites.iter().map(|site| site.yy_raw).sum();
        let left = rows.iter().sum::<usize>().checked_sub(count + kept).filter(|left| *left > 0)?;
        if residual <= ROUNDING * whole {
            return None;
        }
        let intercept = |site: &Within| site.mean - dot(&site.x_means, &slopes);
        let weight: f64 = sites.iter().map(|site| site.weight).sum();
        let mean = sites.iter().map(|site| site.weight * intercept(site)).sum::<f64>() / weight;
        let variance = residual / left as f64;
        let sd = variance.sqrt();
        let of = |((site, &squares), &rows): ((&Within, &f64), &usize)| SiteOfEdge {
            rows: rows as f64,
            weight: site.weight,
            location: (intercept(site) - mean) / sd,
            variance: squares / variance / (rows as f64 - 1.0 - factor.trace(&site.xx)),
            squares: squares / variance,
        };
        let sites = sites.iter().zip(&squares).zip(&rows).map(of).collect();
        Some(EdgeFit { mean, sd, kept: slopes, sites, squares: residual })
    }
}

/// Adds w (1, x)(1, x)′ to a site's sums.
fn add_crossed(crossed: &mut [f64], site: usize, x: &[f64], weight: f64) {
    let columns = x.len();
    let own = &mut crossed[site * columns * columns..(site + 1) * columns * columns];
    for (row, a) in own.chunks_exact_mut(columns).zip(x) {
        row.iter_mut().zip(x).for_each(|(sum, b)| *sum += weight * a * b);
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Sums about the means of one site.
struct Within {
    weight: f64,
    mean: f64,
    x_means: Vec<f64>,
    yy: f64,
    xy: Vec<f64>,
    xx: Vec<f64>,
    /// About 0.
    yy_raw: f64,
}

impl Within {
    /// `sums` as of [`Part::sums`], `crossed` Σ w (1, x)(1, x)′.
    fn of(sums: &[f64], crossed: &[f64]) -> Self {
        let columns = sums.len() - 1;
        let (weight, y) = (crossed[0], sums[1]);
        let x = &crossed[1..columns];
        let mean = y / weight;
        let x_means: Vec<f64> = x.iter().map(|x| x / weight).collect();
        let xy = (1..columns).map(|k| sums[1 + k] - x_means[k - 1] * y).collect();
        let pair = |at: usize| (1 + at / (columns - 1), 1 + at % (columns - 1));
        let own = |(j, k): (usize, usize)| crossed[j * columns + k] - x_means[j - 1] * x[k - 1];
        let xx = (0..(columns - 1) * (columns - 1)).map(|at| own(pair(at))).collect();
        Self { weight, mean, x_means, yy: sums[0] - mean * y, xy, xx, yy_raw: sums[0] }
    }

    /// Residual sum of squares with these slopes.
    fn squares(&self, slopes: &[f64]) -> f64 {
        let fitted: f64 =
            self.xx.chunks_exact(slopes.len().max(1)).zip(slopes).map(|(row, slope)| slope * dot(row, slopes)).sum();
        (self.yy - 2.0 * dot(slopes, &self.xy) + fitted).max(0.0)
    }
}

/// The lower triangular factor of a small symmetric matrix (Cholesky).
struct Factor {
    size: usize,
    lower: Vec<f64>,
}

impl Factor {
    /// None where some column follows from those before it, as it can for the children who have an edge.
    fn of(matrix: &[f64], size: usize) -> Option<Self> {
        let mut lower = vec![0.0; size * size];
        for i in 0..size {
            for j in 0..=i {
                let known: f64 = (0..j).map(|k| lower[i * size + k] * lower[j * size + k]).sum();
                let rest = matrix[i * size + j] - known;
                lower[i * size + j] = if i > j {
                    rest / lower[j * size + j]
                } else if rest > 1e-10 * matrix[i * size + i] {
                    rest.sqrt()
                } else {
                    return None;
                };
            }
        }
        Some(Self { size, lower })
    }

    fn solve(&self, right: &[f64]) -> Vec<f64> {
        let (n, l) = (self.size, &self.lower);
        let mut x = right.to_vec();
        for i in 0..n {
            let known: f64 = (0..i).map(|k| l[i * n + k] * x[k]).sum();
            x[i] = (x[i] - known) / l[i * n + i];
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| l[k * n + i] * x[k]).sum();
            x[i] = (x[i] - known) / l[i * n + i];
        }
        x
    }

    /// The trace of the inverse times another symmetric matrix.
    fn trace(&self, other: &[f64]) -> f64 {
        let n = self.size;
        (0..n).map(|k| self.solve(&other[k * n..(k + 1) * n])[k]).sum()
    }
}
