//! Is it just motion? The answer for the children in a stack, from the same pass that writes it.
//!
//! Every block of children that the stack writes is also added to sums over children ([`Accumulator`]): QC-FC, the
//! correlation over children of each edge with mean framewise displacement (FD), is read off them at the end; so is what
//! chance does, by motion shuffled among the children. A try of `keepstill run` without censoring by motion is read the
//! same way afterwards, for the same children: what censoring took away. Correlations are taken as Fisher's z, covariances
//! as they are. Sources stand with the formulas, in [`crate::group::quality`] and
//! [`crate::group::groups`], and in docs/quality.md.
//!
//! ```text
//! cohort.tsv ─► children: FD, minutes, dof, age, sex     (children)    ─► groups side by side   (groups)
//! blocks of the stack ─► sums ─┐
//! blocks of the try   ─► sums ─┴─► rows: QC-FC, chance, distance       (before, rows)
//! rows, groups ─► sentences, tables, quality.json, quality.html        (words, tables, told, page, chart)
//! ```

mod before;
mod chart;
mod children;
mod groups;
mod page;
mod rows;
mod tables;
mod told;
mod words;

use std::path::Path;

use ndarray::Array2;
use rayon::prelude::*;
use serde_json::Value;

use super::found::{Found, Kind};
use super::parcels::Atlas;
use super::step::{Listener, Step};
use super::stream::{self, Block, has_z};
use super::whole::Whole;
use super::{Choice, StackError};
use crate::connectivity::fisher_z;
use crate::group::edge_count;
use crate::group::quality::{Accumulator, QualityError, Shuffled};
use crate::linalg::LinalgError;
use before::{Before, Uncensored};
use children::{Children, Facts};
use groups::Groups;
pub(in crate::stack) use groups::{MOST_GROUPS, USUAL};
use rows::{Censoring, Row};

/// Children whose values are turned into z at once: enough work for all cores, without a copy of a whole block (own
/// convention).
const AT_ONCE: usize = 32;

/// Sums over children of one atlas and measure.
#[derive(Debug)]
struct Sums {
    edges: usize,
    /// All children of the stack, for the mean matrix.
    all: Accumulator,
    /// Those with mean FD.
    motion: WithMotion,
    /// Those with mean FD and all covariates that are taken out; none where nothing is.
    adjusted: Option<WithMotion>,
    /// Sum of each parcel's values on the diagonal, and how many children have one.
    diagonal: Vec<(f64, usize)>,
}

/// What edges have to do with motion, and with motion shuffled among the children.
#[derive(Debug)]
struct WithMotion {
    sums: Accumulator,
    shuffled: Shuffled,
}

impl WithMotion {
    /// Of the children who have the numbers: mean FD, then what is taken out.
    fn new(
        edges: usize,
        children: &Children,
        numbers: fn(&Children, &Facts) -> Option<Vec<f64>>,
    ) -> Result<Self, LinalgError> {
        // Who is shuffled: all with motion.
        let moved: Vec<&Facts> = children.facts.iter().filter(|facts| children.plain(facts).is_some()).collect();
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
    fn new(parcels: usize, children: &Children) -> Result<Self, LinalgError> {
        let edges = edge_count(parcels);
        let adjusted = (!children.adjusted_for().is_empty())
            .then(|| WithMotion::new(edges, children, Children::adjusted))
            .transpose()?;
        Ok(Self {
            edges,
            all: Accumulator::new(edges, 0),
            motion: WithMotion::new(edges, children, Children::plain)?,
            adjusted,
            diagonal: vec![(0.0, 0); parcels],
        })
    }

    /// Adds a block; the position of the child who cannot be added, where one cannot.
    fn take(&mut self, children: &Children, z: bool, block: &Block) -> Result<(), (usize, QualityError)> {
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
    fn add(&mut self, children: &Children, facts: &[Facts], values: &[f32]) -> Result<(), (usize, QualityError)> {
        let Self { edges, all, motion, adjusted, .. } = self;
        // Of an atlas of one parcel a row is empty.
        let row = |child: usize| &values[child * *edges..(child + 1) * *edges];
        let with = |numbers: fn(&Children, &Facts) -> Option<Vec<f64>>| -> Vec<(usize, &[f32], Vec<f64>)> {
            let of = |(child, facts)| Some((child, row(child), numbers(children, facts)?));
            facts.iter().enumerate().filter_map(of).collect()
        };
        let with_motion = || {
            motion.add(&with(Children::plain))?;
            adjusted.as_mut().map_or(Ok(()), |adjusted| adjusted.add(&with(Children::adjusted)))
        };
        let without =
            || (0..facts.len()).try_for_each(|child| all.add_child(row(child), &[]).map_err(|error| (child, error)));
        let (first, second) = rayon::join(without, with_motion);
        first.and(second)
    }
}

/// Gathers a stack's quality while it is written.
pub(super) struct Quality<'a> {
    results: &'a Path,
    choice: &'a Choice,
    found: &'a Found,
    atlases: &'a [Atlas],
    /// Of the first child's report; why not, in words.
    settings: Result<Value, String>,
    children: Children,
    groups: Groups,
    /// Who and what is in the stack, as `stack.json` has it.
    chosen: Value,
    tell: Listener<'a>,
    /// Of the atlas and measure that is being stacked.
    open: Option<Sums>,
    /// Of those that are stacked, each its rows: what is kept of the sums, which are large.
    rows: Vec<Vec<Row>>,
    means: Vec<tables::Mean>,
}

/// What came of it.
#[derive(Debug)]
pub(super) struct Told {
    pub notes: Vec<String>,
    /// The contents of `quality.json`.
    pub json: Value,
}

/// Everything that the files tell of.
struct Findings<'a> {
    quality: &'a Quality<'a>,
    before: Before,
    /// By kind; of each those after censoring, then before, each plain and adjusted.
    rows: Vec<Row>,
    means: Vec<tables::Mean>,
    answer: String,
    notes: Vec<String>,
}

impl Findings<'_> {
    fn settings(&self) -> Option<&Value> {
        self.quality.settings.as_ref().ok()
    }

    /// The settings that matrices depend on: not how they are written, nor how much of them is enough.
    fn settings_told(&self) -> Option<Value> {
        let mut settings = self.settings()?.clone();
        if let Some(sections) = settings.as_object_mut() {
            ["output", "enough"].iter().for_each(|section| drop(sections.shift_remove(*section)));
        }
        Some(settings)
    }
}

fn atlas_of<'a>(atlases: &'a [Atlas], kind: &Kind) -> Option<&'a Atlas> {
    atlases.iter().find(|atlas| atlas.name == kind.atlas)
}

impl<'a> Quality<'a> {
    /// Reads what the cohort table says of the children; `header` is its first line, `chosen` who and what is in the stack.
    pub(super) fn begin(
        results: &'a Path,
        choice: &'a Choice,
        header: &[String],
        found: &'a Found,
        atlases: &'a [Atlas],
        chosen: Value,
        tell: Listener<'a>,
    ) -> Result<Self, StackError> {
        let settings = match found.children.first() {
            Some(child) => before::settings(results, child),
            None => Err("there is no child".to_owned()),
        };
        let children = Children::read(results, header, found, settings.as_ref().ok())?;
        let groups = Groups::read(choice.group.as_deref(), header, found, &children.facts)?;
        let (open, rows, means) = (None, Vec::new(), Vec::new());
        Ok(Self { results, choice, found, atlases, settings, children, groups, chosen, tell, open, rows, means })
    }

    fn empty(&self, kind: usize) -> Result<Sums, StackError> {
        let parcels = atlas_of(self.atlases, &self.found.kinds[kind]).map_or(0, |atlas| atlas.stacked().len());
        let fail = |source| StackError::Motion { path: self.results.join("cohort.tsv"), source };
        Sums::new(parcels, &self.children).map_err(fail)
    }

    /// Adds a block of one atlas and measure, with values as in the children's matrices. One after the other, each closed.
    pub(super) fn take(&mut self, kind: usize, block: &Block) -> Result<(), StackError> {
        let z = has_z(&self.found.kinds[kind].measure);
        let mut sums = match self.open.take() {
            Some(sums) => sums,
            None => self.empty(kind)?,
        };
        sums.take(&self.children, z, block).map_err(|(child, source)| self.error(self.results, kind, child, source))?;
        self.open = Some(sums);
        Ok(())
    }

    /// All blocks of an atlas and measure were taken.
    pub(super) fn close(&mut self, kind: usize) -> Result<(), StackError> {
        let sums = match self.open.take() {
            Some(sums) => sums,
            None => self.empty(kind)?,
        };
        self.rows.push(rows::of_kind(self, kind, &sums, "main", Censoring::After)?);
        self.means.extend(tables::mean(self, kind, &sums));
        Ok(())
    }

    /// An error of a child's matrix.
    fn error(&self, results: &Path, kind: usize, child: usize, source: QualityError) -> StackError {
        let (path, _) = self.found.children[child].matrix(results, &self.found.kinds, kind);
        StackError::Quality { path, source }
    }

    /// The same rows of a try's matrices.
    fn rows_of(&self, tried: &Uncensored) -> Result<Vec<Vec<Row>>, StackError> {
        let results = &tried.results;
        let mut all = Vec::new();
        for kind in 0..self.found.kinds.len() {
            let Some(atlas) = atlas_of(self.atlases, &self.found.kinds[kind]) else { continue };
            let parcels = atlas.stacked().len();
            let mut sums = self.empty(kind)?;
            for place in stream::blocks(self.found.children.len(), edge_count(parcels), parcels) {
                let what = format!("before censoring {}, {}", atlas.name, self.found.kinds[kind].measure);
                (self.tell)(&Step::children(&what, place.first(), self.found.children.len()));
                let block = stream::read(results, self.found, kind, atlas, place)?;
                let z = has_z(&self.found.kinds[kind].measure);
                sums.take(&self.children, z, &block)
                    .map_err(|(child, source)| self.error(results, kind, child, source))?;
            }
            all.push(rows::of_kind(self, kind, &sums, &tried.name, Censoring::Before)?);
        }
        Ok(all)
    }

    /// Reads the try, works everything out and writes the files, which do not have their names yet.
    pub(super) fn finish(mut self, folder: &Path, files: &mut Vec<Whole>) -> Result<Told, StackError> {
        let mut before = before::find(self.results, self.found, &self.children.facts, &self.settings);
        let (mut rows, means) = (std::mem::take(&mut self.rows), std::mem::take(&mut self.means));
        if matches!(before, Before::Study) {
            rows.iter_mut().flatten().for_each(|row| row.censoring = Censoring::Before);
        }
        if let Before::Try(uncensored) = &before {
            match self.rows_of(uncensored) {
                Ok(of_try) => rows.iter_mut().zip(of_try).for_each(|(own, before)| own.extend(before)),
                // A try is no part of the stack: that it cannot be read is told, and stops nothing.
                Err(error) => before = Before::None(format!("the try {} cannot be read: {error}", uncensored.name)),
            }
        }
        let rows = rows.concat();
        let answer = words::answer(&self, &rows);
        let notes = words::notes(&self, &before);
        let findings = Findings { quality: &self, before, rows, means, answer, notes };
        let json = told::json(&findings);
        let text = |name: &str, text: &str| Whole::of(&folder.join(name), text.as_bytes());
        files.push(text("quality.tsv", &tables::quality(&findings.rows))?);
        files.push(text("quality.json", &crate::outputs::pretty(&json))?);
        files.push(text("quality.html", &page::page(&findings))?);
        for (name, table) in tables::edges_tables(&findings) {
            files.push(text(&name, &table)?);
        }
        for mean in &findings.means {
            for (name, bytes) in tables::mean_files(mean) {
                files.push(Whole::of(&folder.join(name), &bytes)?);
            }
        }
        Ok(Told { notes: findings.notes, json })
    }
}
