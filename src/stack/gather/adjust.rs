//! Effects of sites, fitted to all children's edges of one atlas and measure before any sink sees them.
//!
//! Where children count by their degrees of freedom, a first pass finds how much edges vary between children and by
//! sampling, once sites and what is kept are taken out; the second fits with the weights that follow
//! ([`crate::group::site_effects`]). Where all count alike, one pass is enough.

use super::block::{Block, BlockSink, Source};
use super::children::GatheredChildren;
use super::error::{SitesError, StackError};
use super::request::{StackRequest, Weights};
use super::step::{Listener, Step};
use super::{site_columns, sites, unlike};
use crate::group::edge_count;
use crate::group::formula::{Design, Formula};
use crate::group::site_effects::{MeanAndSd, SiteEffects, SiteSpread, SiteSums};
use crate::group::weights::{Scale, Scatter, VarianceModel, WeightedEdges};

/// What was fitted, and how each site's children lay before.
#[derive(Debug)]
pub(crate) struct Adjusted {
    pub effects: SiteEffects,
    pub before: Vec<MeanAndSd>,
}

/// Fits the sites of the source's children, if they are to be adjusted; `sampling` is 1/(dof − 2) of each child.
pub(crate) fn fit(
    source: &Source<'_>,
    weights: Weights,
    sampling: &[f64],
    tell: Listener<'_>,
) -> Result<Option<Adjusted>, StackError> {
    let Some(sites) = &source.found.sites else { return Ok(None) };
    let source = Source { adjust: None, ..*source };
    let kind = &source.found.kinds[source.kind];
    let edges = edge_count(source.atlas.stacked().len());
    let z = kind.measure.is_correlation();
    let what = format!("sites of {}, {}", kind.atlas, kind.measure.key());
    let at = |first| tell(&Step::children(&what, first, source.found.children.len()));
    let sums = |weights: Vec<f64>| {
        SiteSums::new(sites.clone(), edges, &[WeightedEdges { edges: (0..edges).collect(), weights }])
    };
    let mut spread = SpreadSink::new(&source);
    let alike = || vec![1.0; sampling.len()];
    let fitted = match weights {
        Weights::Equal => {
            let mut fit = SumsSink { edges, z, sums: vec![sums(alike())] };
            source.pass(&at, &mut [&mut spread, &mut fit])?;
            fit
        }
        Weights::Variance => {
            let by_dof = sampling.iter().map(|s| 1.0 / s).collect();
            let mut first = SumsSink { edges, z, sums: vec![sums(alike()), sums(by_dof)] };
            source.pass(&at, &mut [&mut spread, &mut first])?;
            let (equal, children) = first.sums[0].squares();
            let (by_dof, _) = first.sums[1].squares();
            let scale = if z { Scale::FisherZ } else { Scale::OfEachEdge };
            let scatter = Scatter { equal, by_dof, children };
            let model = VarianceModel::estimate(&scatter, sites.design().view(), sampling, scale);
            let classes = model.map_err(SitesError::Weights)?.weighted(sampling);
            let mut second = SumsSink { edges, z, sums: vec![SiteSums::new(sites.clone(), edges, &classes)] };
            source.pass(&at, &mut [&mut second])?;
            second
        }
    };
    // One of them is there in both cases.
    let Some(effects) = fitted.sums.first().map(SiteSums::effects) else { return Ok(None) };
    let before = spread.of_sites(&effects);
    Ok(Some(Adjusted { effects, before }))
}

/// What to know of sites, adjusted or not, and of what a test leaves out of them; `fitted`: the effects by kind.
pub(crate) fn notes(
    request: &StackRequest,
    header: &[String],
    found: &GatheredChildren,
    test: Option<(&Formula, &Design)>,
    fitted: &[Option<Adjusted>],
) -> Vec<String> {
    let wanted = request.further.sites.as_ref();
    let mut notes = wanted.map(|wanted| sites::notes(wanted, test.map(|(formula, _)| formula))).unwrap_or_default();
    for (kind, fitted) in found.kinds.iter().zip(fitted) {
        let Some(Adjusted { effects, .. }) = fitted else { continue };
        let (edges, fitted) = (effects.mean.len(), effects.fitted());
        if fitted < edges {
            notes.push(format!(
                "{}: on {} of {edges} edges too few children of some site have the edge, or it does not vary within \
                 sites, so it is not adjusted and n/a in all children",
                found.name(kind),
                edges - fitted
            ));
        }
    }
    if let Some((formula, design)) = test {
        let column = wanted.map(|wanted| wanted.column.as_str());
        notes.extend(site_columns::notes(formula, column, header, found));
        notes.extend(unlike::note(formula, design, column, header, found));
    }
    notes
}

/// Adds blocks to sums.
struct SumsSink {
    edges: usize,
    z: bool,
    sums: Vec<SiteSums>,
}

impl BlockSink for SumsSink {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let Self { edges, z, sums } = self;
        block.each(*edges, *z, |first, rows| {
            sums.iter_mut().for_each(|sums| sums.take(first, rows));
            Ok(())
        })
    }

    fn wants_z(&self) -> bool {
        self.z
    }
}

/// How each site's children lie.
pub(crate) struct SpreadSink {
    edges: usize,
    z: bool,
    /// The site of each child.
    spread: Option<(Vec<usize>, SiteSpread)>,
}

impl SpreadSink {
    /// Takes nothing where no sites are to be adjusted.
    pub(crate) fn new(source: &Source<'_>) -> Self {
        let edges = edge_count(source.atlas.stacked().len());
        let z = source.found.kinds[source.kind].measure.is_correlation();
        let sites = source.found.sites.as_ref();
        let spread = sites.map(|sites| (sites.of.clone(), SiteSpread::new(edges, sites.names.len())));
        Self { edges, z, spread }
    }

    pub(crate) fn of_sites(&self, effects: &SiteEffects) -> Vec<MeanAndSd> {
        self.spread.as_ref().map(|(_, spread)| spread.of_sites(effects)).unwrap_or_default()
    }
}

impl BlockSink for SpreadSink {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let Self { edges, z, spread } = self;
        let Some((sites, spread)) = spread else { return Ok(()) };
        block.each(*edges, *z, |first, rows| {
            spread.take(&sites[first..first + rows.len()], rows);
            Ok(())
        })
    }

    fn wants_z(&self) -> bool {
        self.z
    }
}
