//! Is it just motion? The answer for the children in a stack, from the same pass that writes it.
//!
//! Every block of children that the stack writes is also added to sums over children
//! ([`crate::group::quality::Accumulator`]). QC-FC, the correlation over children of each edge with mean framewise
//! displacement (FD), is computed from them at the end; so is what chance does, by shuffling motion among the children.
//! A try of `keepstill run` without censoring by motion is read in the same way afterwards, for the same children: it
//! shows what censoring took away. Correlations are taken as Fisher's z, covariances as they are. The sources are given
//! with the formulas, in [`crate::group::quality`] and [`crate::group::groups`], and in docs/quality.md.
//!
//! ```text
//! reports    ─► the settings of each results folder's study          (studies)
//! cohort.tsv ─► children: FD, minutes, dof, age, sex     (facts)       ─► groups side by side   (groups)
//! blocks of the stack ─► sums ─┐
//! blocks of the try   ─► sums ─┴─► rows: QC-FC, chance, distance       (before, rows)
//! rows, groups ─► sentences, tables, quality.json, quality.html        (words, tables, json, page, chart)
//! ```

mod before;
mod chart;
pub(super) mod context;
mod facts;
mod findings;
mod groups;
mod json;
mod means;
mod page;
mod rows;
pub(super) mod sites;
mod studies;
pub(super) mod sums;
mod tables;
pub(super) mod weighting;
mod words;

use std::path::Path;

use serde_json::Value;

use crate::outputs::pretty;
use crate::stack::arrays::whole::Whole;
use crate::stack::gather::adjust;
use crate::stack::gather::block::{BlockSink, Source};
use crate::stack::gather::error::StackError;
use crate::stack::gather::shrinkage;
use crate::stack::gather::step::Step;
use before::{Before, Uncensored};
use context::{QualityContext, atlas_of};
use findings::Findings;
use means::MeanMatrix;
use rows::{Censoring, QcFcRow};
use sites::SitesShown;
use sums::{KindSums, MeanSums, Summed};
use weighting::{ChildWeight, Weighting};

/// What is kept of the sums, which are large: the rows of each atlas and measure, its weights and its mean matrix.
#[derive(Debug, Default)]
pub(super) struct Measured {
    rows: Vec<Vec<QcFcRow>>,
    weightings: Vec<Weighting>,
    means: Vec<MeanMatrix>,
    /// Of each atlas and measure whose sites were adjusted.
    pub(super) sites: Vec<SitesShown>,
}

impl Measured {
    /// Reads the matrices of an atlas and measure a second time, with the weights that the first pass gave, and takes
    /// what it has come to.
    pub(super) fn add(&mut self, first: &MeanSums<'_>) -> Result<(), StackError> {
        let sums = second_pass(first, "weighing")?;
        self.rows.push(rows::of_kind(&sums, "main", Censoring::After)?);
        self.weightings.push(Weighting::of(&sums, "main", Censoring::After));
        self.means.extend(means::mean(first, &sums.weighted_mean()));
        Ok(())
    }
}

/// The second pass over the matrices of an atlas and measure.
fn second_pass<'q>(first: &MeanSums<'q>, what: &str) -> Result<KindSums<'q>, StackError> {
    let mut sums = KindSums::new(first)?;
    pass(&first.summed, what, &mut [&mut sums])?;
    Ok(sums)
}

/// Passes all matrices of an atlas and measure through sinks.
fn pass(summed: &Summed<'_>, what: &str, sinks: &mut [&mut dyn BlockSink]) -> Result<(), StackError> {
    let Summed { context, results, kind, adjust, .. } = *summed;
    let (found, of) = (context.found, &context.found.kinds[kind]);
    let Some(atlas) = atlas_of(context.atlases, of) else { return Ok(()) };
    let what = format!("{what} {}, {}", atlas.name, of.measure.key());
    let tell = |first| (context.tell)(&Step::children(&what, first, found.children.len()));
    Source { results, found, kind, atlas, adjust }.pass(&tell, sinks)
}

/// What came of it.
#[derive(Debug)]
pub(super) struct QualityResult {
    pub notes: Vec<String>,
    /// The contents of `quality.json`.
    pub json: Value,
    /// What each child counts, for the atlas and measure that the answer is of.
    pub weights: Vec<ChildWeight>,
}

/// The same of a try's matrices: rows and weights of each atlas and measure.
fn of_try(context: &QualityContext<'_>, tried: &Uncensored) -> Result<(Vec<Vec<QcFcRow>>, Vec<Weighting>), StackError> {
    let (results, found) = (&tried.results, context.found);
    let dof: Vec<f64> = tried.kept.iter().map(|kept| kept.dof).collect();
    let sampling = context.children.sampling(results, found, context.request.weights, &dof)?;
    let (mut rows, mut weightings) = (Vec::new(), Vec::new());
    for kind in 0..found.kinds.len() {
        let Some(atlas) = atlas_of(context.atlases, &found.kinds[kind]) else { continue };
        // Matrices of the try have sites' effects of their own.
        let source = Source { results, found, kind, atlas, adjust: None };
        let fitted = adjust::fit(&source, context.request.weights, &sampling, context.tell)?;
        let adjust = fitted.as_ref().map(|fitted| &fitted.effects);
        let summed = Summed { context, results, kind, sampling: &sampling, adjust };
        let mut first = MeanSums::new(summed);
        pass(&summed, "before censoring", &mut [&mut first])?;
        let sums = second_pass(&first, "weighing before censoring")?;
        rows.push(rows::of_kind(&sums, &tried.name, Censoring::Before)?);
        weightings.push(Weighting::of(&sums, &tried.name, Censoring::Before));
    }
    Ok((rows, weightings))
}

/// Reads the try, works everything out and writes the files, which do not have their names yet.
pub(super) fn finish(
    context: &QualityContext<'_>,
    measured: Measured,
    folder: &Path,
    files: &mut Vec<Whole>,
) -> Result<QualityResult, StackError> {
    let mut before = before::find(context.results, context.found, &context.children.facts, &context.studies);
    let Measured { mut rows, mut weightings, means, sites } = measured;
    if matches!(before, Before::Study) {
        rows.iter_mut().flatten().for_each(|row| row.censoring = Censoring::Before);
        weightings.iter_mut().for_each(|weighting| weighting.censoring = Censoring::Before);
    }
    if let Before::Try(uncensored) = &before {
        match of_try(context, uncensored) {
            Ok((of_try, weighted)) => {
                rows.iter_mut().zip(of_try).for_each(|(own, before)| own.extend(before));
                weightings.extend(weighted);
            }
            // A try is no part of the stack: that it cannot be read is told, and stops nothing.
            Err(error) => before = Before::None(format!("the try {} cannot be read: {error}", uncensored.name)),
        }
    }
    let rows = rows.concat();
    let answer = words::answer(context, &rows);
    // The stack tells those of shrinkage itself, with what else is to know of its children.
    let own = words::notes(context, &before, &rows);
    let notes = own.iter().cloned().chain(shrinkage::notes(context.found, context.header)).collect();
    let findings = Findings { quality: context, before, rows, weightings, means, sites, answer, notes };
    let json = json::json(&findings);
    let text = |name: &str, text: &str| Whole::of(&folder.join(name), text.as_bytes());
    files.push(text("quality.tsv", &tables::quality(&findings.rows))?);
    files.push(text("quality.json", &pretty(&json))?);
    files.push(text("quality.html", &page::page(&findings))?);
    for (name, table) in tables::edges_tables(&findings) {
        files.push(text(&name, &table)?);
    }
    for mean in &findings.means {
        for (name, bytes) in means::mean_files(mean) {
            files.push(Whole::of(&folder.join(name), &bytes)?);
        }
    }
    let weights = words::answered(&findings.rows).and_then(|(atlas, measure)| {
        findings.weightings.iter().find(|of| of.atlas == atlas && of.measure == measure && of.results == "main")
    });
    let weights = weights.map(|of| of.children.clone()).unwrap_or_default();
    Ok(QualityResult { notes: own, json, weights })
}
