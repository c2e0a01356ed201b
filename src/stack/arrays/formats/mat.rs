//! MATLAB 5 files ("MAT-File Format", MathWorks, chapter 1, level 5), uncompressed, little-endian.
//!
//! Variables: `stems` (N×1 cell), `parcels` and `networks` (P×1 cells), `edge_parcels` (E×2, positions of both parcels,
//! counted from 1), `covariates` (N×C double), `covariate_names` and `covariate_levels` (C×1 cells), the latter with a
//! cell of words for each column: the columns of `children.tsv` that hold numbers or few words and are known before the
//! edges are read ([`covariates`]), `edges` (N×E single), `matrices` (P×P×N single, so that `matrices(:, :, k)` is
//! child k's). Arrays lie column after column. All sizes are known before the first child, so each block goes straight
//! to its places.
//!
//! A file of standard errors has `standard_errors` in the place of `edges`, and no `matrices`.
//!
//! An element is a tag (type, bytes), then data padded to 8 bytes. A variable's element holds four: flags, dimensions,
//! name and numbers. Its count of bytes is a signed 32-bit number in readers: hence the limit of 2 GiB.

use std::path::Path;

use rayon::prelude::*;

use crate::record::files::WriteError;
use crate::stack::arrays::array_file::{ArrayFile, FileDescription, bytes, matrix};
use crate::stack::arrays::columns::{Covariate, covariates};
use crate::stack::arrays::plan::{ArrayPlan, Holds};
use crate::stack::arrays::whole::{Unfinished, Whole};
use crate::stack::gather::block::Block;
use crate::stack::gather::error::StackError;
use crate::stack::gather::request::Format;

/// Bytes that a variable's element must stay under.
const LIMIT: u64 = 1 << 31;

// Types of data (table 1-1) and classes of arrays (table 1-3).
const INT8: u32 = 1;
const INT32: u32 = 5;
const UINT32: u32 = 6;
const SINGLE: u32 = 7;
const DOUBLE: u32 = 9;
const MATRIX: u32 = 14;
const UTF8: u32 = 16;
const CLASS_CELL: u32 = 1;
const CLASS_CHAR: u32 = 4;
const CLASS_DOUBLE: u32 = 6;
const CLASS_SINGLE: u32 = 7;
const CLASS_INT32: u32 = 12;

/// Columns of `edges` that are gathered at once (own choice).
const AT_ONCE: usize = 4096;

pub(super) struct Variables<'a> {
    file: Unfinished,
    plan: &'a ArrayPlan<'a>,
    /// Where the numbers of `edges` and `matrices` begin.
    edges_at: u64,
    matrices_at: u64,
}

/// Length of one whole element of data.
fn padded(bytes: u64) -> u64 {
    8 + bytes.next_multiple_of(8)
}

fn tag(kind: u32, bytes: u64) -> Vec<u8> {
    // What does not fit has been refused.
    let bytes = u32::try_from(bytes).unwrap_or(u32::MAX);
    [kind.to_le_bytes(), bytes.to_le_bytes()].concat()
}

fn element(kind: u32, data: &[u8]) -> Vec<u8> {
    let mut out = tag(kind, data.len() as u64);
    out.extend_from_slice(data);
    out.resize(out.len().next_multiple_of(8), 0);
    out
}

/// Everything of a variable before its numbers: its own tag, flags, dimensions, name. `content` is the length of what
/// follows.
fn opening(class: u32, dimensions: &[usize], name: &str, content: u64) -> Vec<u8> {
    let flags = [class.to_le_bytes(), [0; 4]].concat();
    let dimensions: Vec<u8> =
        dimensions.iter().flat_map(|&n| i32::try_from(n).unwrap_or(i32::MAX).to_le_bytes()).collect();
    let inner = [element(UINT32, &flags), element(INT32, &dimensions), element(INT8, name.as_bytes())].concat();
    [tag(MATRIX, inner.len() as u64 + content), inner].concat()
}

fn variable(class: u32, dimensions: &[usize], name: &str, content: &[u8]) -> Vec<u8> {
    [opening(class, dimensions, name, content.len() as u64).as_slice(), content].concat()
}

/// A column of texts.
fn cells<'a>(name: &str, texts: impl ExactSizeIterator<Item = &'a str>) -> Vec<u8> {
    let rows = texts.len();
    let content: Vec<u8> = texts
        .flat_map(|text| variable(CLASS_CHAR, &[1, text.chars().count()], "", &element(UTF8, text.as_bytes())))
        .collect();
    variable(CLASS_CELL, &[rows, 1], name, &content)
}

/// Values, names and words of the covariates of so many rows.
fn covariate_variables(covariates: &[Covariate], rows: usize) -> Vec<u8> {
    let values: Vec<u8> = covariates.iter().flat_map(|own| own.values.iter().flat_map(|v| v.to_le_bytes())).collect();
    let levels: Vec<u8> = covariates.iter().flat_map(|own| cells("", own.levels.iter().map(String::as_str))).collect();
    [
        variable(CLASS_DOUBLE, &[rows, covariates.len()], "covariates", &element(DOUBLE, &values)),
        cells("covariate_names", covariates.iter().map(|own| own.name.as_str())),
        variable(CLASS_CELL, &[covariates.len(), 1], "covariate_levels", &levels),
    ]
    .concat()
}

/// Bytes of the numbers of both large variables; a file of standard errors does not have the second.
fn sizes(plan: &ArrayPlan<'_>) -> [(&'static str, u64); 2] {
    let [children, edges, parcels] = [plan.children.len(), plan.edges, plan.parcels.len()].map(|n| n as u64);
    [(plan.variable(), 4 * children * edges), ("matrices", 4 * children * parcels * parcels)]
}

/// Says so if a variable would be too large.
pub(super) fn refuse(plan: &ArrayPlan<'_>) -> Result<(), StackError> {
    let file = || plan.file(Format::Mat);
    // 128 bytes are more than flags, dimensions and name take.
    match sizes(plan).into_iter().find(|(_, bytes)| bytes + 128 >= LIMIT) {
        Some((variable, bytes)) => Err(StackError::TooLargeForMat { file: file(), variable, bytes, limit: LIMIT }),
        None => Ok(()),
    }
}

impl<'a> Variables<'a> {
    pub(super) fn create(folder: &Path, plan: &'a ArrayPlan<'a>) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(&folder.join(plan.file(Format::Mat)))?;
        let (children, parcels) = (plan.children.len(), plan.parcels.len());
        // 116 bytes of text, 8 of no subsystem, version, and the letters that give the order of bytes.
        let mut start = format!("MATLAB 5.0 MAT-file, written by keepstill {}", env!("CARGO_PKG_VERSION")).into_bytes();
        start.resize(116, b' ');
        start.extend_from_slice(&[0; 8]);
        start.extend_from_slice(&0x0100_u16.to_le_bytes());
        start.extend_from_slice(b"IM");
        start.extend(cells("stems", plan.children.iter().map(|child| child.stem.as_str())));
        start.extend(cells("parcels", plan.parcels.iter().map(|parcel| parcel.name.as_str())));
        start.extend(cells("networks", plan.parcels.iter().map(|parcel| parcel.network.as_str())));
        let position = |n: usize| i32::try_from(n + 1).unwrap_or(i32::MAX).to_le_bytes();
        let firsts = plan.pairs().flat_map(|(i, _)| position(i));
        let pairs: Vec<u8> = firsts.chain(plan.pairs().flat_map(|(_, j)| position(j))).collect();
        start.extend(variable(CLASS_INT32, &[plan.edges, 2], "edge_parcels", &element(INT32, &pairs)));
        start.extend(covariate_variables(&covariates(plan.header, plan.children), children));

        let [(edges, edge_bytes), (matrices, matrix_bytes)] = sizes(plan);
        start.extend(opening(CLASS_SINGLE, &[children, plan.edges], edges, padded(edge_bytes)));
        start.extend(tag(SINGLE, edge_bytes));
        let edges_at = start.len() as u64;
        file.append(&start)?;
        if plan.holds == Holds::StandardErrors {
            let end = edges_at + edge_bytes.next_multiple_of(8);
            file.set_length(end)?;
            return Ok(Self { file, plan, edges_at, matrices_at: end });
        }
        let mut next = opening(CLASS_SINGLE, &[parcels, parcels, children], matrices, padded(matrix_bytes));
        next.extend(tag(SINGLE, matrix_bytes));
        let next_at = edges_at + edge_bytes.next_multiple_of(8);
        file.write_at(&next, next_at)?;
        let matrices_at = next_at + next.len() as u64;
        // The last padding is there even if no number follows it.
        file.set_length(matrices_at + matrix_bytes.next_multiple_of(8))?;
        Ok(Self { file, plan, edges_at, matrices_at })
    }

    /// Column after column: each edge's values of the block's children lie together, those of all children apart.
    fn write_edges(&self, block: &Block) -> Result<(), WriteError> {
        let (all, edges) = (self.plan.children.len(), self.plan.edges);
        let columns: Vec<usize> = (0..edges).collect();
        columns.par_chunks(AT_ONCE).try_for_each(|columns| {
            let mut column = vec![0.0; block.children];
            columns.iter().try_for_each(|&edge| {
                column.iter_mut().enumerate().for_each(|(row, to)| *to = block.edges[row * edges + edge]);
                let at = self.edges_at + 4 * (edge * all + block.first) as u64;
                self.file.write_at(&bytes(&column), at)
            })
        })
    }
}

impl ArrayFile for Variables<'_> {
    fn take(&mut self, block: &Block) -> Result<(), WriteError> {
        self.write_edges(block)?;
        if self.plan.holds == Holds::StandardErrors {
            return Ok(());
        }
        let mut values = Vec::new();
        let length = 4 * (self.plan.parcels.len() * self.plan.parcels.len()) as u64;
        for child in 0..block.children {
            // Symmetric: columns are rows.
            matrix(self.plan, block, child, &mut values);
            self.file.write_at(&bytes(&values), self.matrices_at + length * (block.first + child) as u64)?;
        }
        Ok(())
    }

    fn finish(self: Box<Self>) -> Result<Whole, WriteError> {
        self.file.finish()
    }

    fn description(&self) -> FileDescription {
        FileDescription {
            file: self.plan.file(Format::Mat),
            format: Format::Mat,
            holds: match self.plan.holds {
                Holds::Values => {
                    "edges (single, children × edges), matrices (single, parcels × parcels × children), edge_parcels \
                     (int32, positions of both parcels from 1), stems, parcels, networks (cells of text), covariates \
                     (double, children × columns of numbers, or of codes from 1), covariate_names (cells of text), \
                     covariate_levels (cells of the words that codes stand for)"
                }
                Holds::StandardErrors => {
                    "standard_errors (single, children × edges), edge_parcels (int32, positions of both parcels from \
                     1), stems, parcels, networks (cells of text), covariates (double, children × columns of numbers, \
                     or of codes from 1), covariate_names (cells of text), covariate_levels (cells of the words that \
                     codes stand for)"
                }
            },
            shape: vec![self.plan.children.len(), self.plan.edges],
        }
    }
}
