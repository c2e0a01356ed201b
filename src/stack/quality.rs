//! Is it just motion? The answer for the children in a stack, from the same pass that writes it.
//!
//! Every block of children that the stack writes is also added to sums over children
//! ([`crate::group::quality::Accumulator`]). QC-FC, the correlation over children of each edge with mean framewise
//! displacement (FD), is read off them at the end; so is what chance does, by motion shuffled among the children. A try of `keepstill run` without censoring by motion is
//! read the same way afterwards, for the same children: what censoring took away. Correlations are taken as Fisher's z,
//! covariances as they are. Sources stand with the formulas, in [`crate::group::quality`] and [`crate::group::groups`],
//! and in docs/quality.md.
//!
//! ```text
//! cohort.tsv ─► children: FD, minutes, dof, age, sex     (children)    ─► groups side by side   (groups)
//! blocks of the stack ─► sums ─┐
//! blocks of the try   ─► sums ─┴─► rows: QC-FC, chance, distance       (before, rows)
//! rows, groups ─► sentences, tables, quality.json, quality.html        (words, tables, told, page, chart)
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
pub(super) mod sums;
mod tables;
mod words;

use std::path::Path;

use serde_json::Value;

use crate::outputs::pretty;
use crate::stack::arrays::whole::Whole;
use crate::stack::gather::block::Source;
use crate::stack::gather::error::StackError;
use crate::stack::gather::step::Step;
use before::{Before, Uncensored};
use context::{QualityContext, atlas_of};
use findings::Findings;
use means::MeanMatrix;
use rows::{Censoring, QcFcRow};
use sums::KindSums;

/// What is kept of the sums, which are large: the rows of each atlas and measure, and its mean matrix.
#[derive(Debug, Default)]
pub(super) struct Measured {
    rows: Vec<Vec<QcFcRow>>,
    means: Vec<MeanMatrix>,
}

impl Measured {
    /// Takes what an atlas and measure has come to, when all its blocks are in the sums.
    pub(super) fn add(&mut self, context: &QualityContext<'_>, sums: &KindSums<'_>) -> Result<(), StackError> {
        self.rows.push(rows::of_kind(context, sums.kind, &sums.sums, "main", Censoring::After)?);
        self.means.extend(means::mean(context, sums.kind, &sums.sums));
        Ok(())
    }
}

/// What came of it.
#[derive(Debug)]
pub(super) struct QualityResult {
    pub notes: Vec<String>,
    /// The contents of `quality.json`.
    pub json: Value,
}

/// The same rows of a try's matrices.
fn rows_of_try(context: &QualityContext<'_>, tried: &Uncensored) -> Result<Vec<Vec<QcFcRow>>, StackError> {
    let (results, found) = (tried.results.as_path(), context.found);
    let mut all = Vec::new();
    for (kind, of) in found.kinds.iter().enumerate() {
        let Some(atlas) = atlas_of(context.atlases, of) else { continue };
        let mut sums = KindSums::new(context, results, kind)?;
        let what = format!("before censoring {}, {}", atlas.name, of.measure.key());
        let tell = |first| (context.tell)(&Step::children(&what, first, found.children.len()));
        Source { results, found, kind, atlas }.pass(&tell, &mut [&mut sums])?;
        all.push(rows::of_kind(context, kind, &sums.sums, &tried.name, Censoring::Before)?);
    }
    Ok(all)
}

/// Reads the try, works everything out and writes the files, which do not have their names yet.
pub(super) fn finish(
    context: &QualityContext<'_>,
    measured: Measured,
    folder: &Path,
    files: &mut Vec<Whole>,
) -> Result<QualityResult, StackError> {
    let mut before = before::find(context.results, context.found, &context.children.facts, &context.settings);
    let Measured { mut rows, means } = measured;
    if matches!(before, Before::Study) {
        rows.iter_mut().flatten().for_each(|row| row.censoring = Censoring::Before);
    }
    if let Before::Try(uncensored) = &before {
        match rows_of_try(context, uncensored) {
            Ok(of_try) => rows.iter_mut().zip(of_try).for_each(|(own, before)| own.extend(before)),
            // A try is no part of the stack: that it cannot be read is told, and stops nothing.
            Err(error) => before = Before::None(format!("the try {} cannot be read: {error}", uncensored.name)),
        }
    }
    let rows = rows.concat();
    let answer = words::answer(context, &rows);
    let notes = words::notes(context, &before);
    let findings = Findings { quality: context, before, rows, means, answer, notes };
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
    Ok(QualityResult { notes: findings.notes, json })
}
