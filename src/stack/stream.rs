//! From the children's files to the stack's, a block of children at a time.
//!
//! While one block is written, the next is read by all cores; each child's values go to a place of its own, so that the
//! result is the same to the bit whatever the number of threads.

use std::path::Path;

use ndarray::Array2;
use rayon::prelude::*;

use super::forms::{self, Holds, Plan, Sink};
use super::found::{Child, Found};
use super::parcels::{Atlas, Lacking};
use super::quality::Quality;
use super::step::Step;
use super::values;
use super::whole::Whole;
use super::{Choice, StackError, Work, equal};
use crate::connectivity::fisher_z;
use crate::group::edge_count;

/// Bytes of a block's values: some hundred children of 200 parcels, and enough for a disk to be busy with (own convention).
pub(super) const BLOCK_BYTES: usize = 32 << 20;

/// Values of some children who follow each other.
#[derive(Debug)]
pub(super) struct Block {
    /// Position of the first child.
    pub first: usize,
    pub children: usize,
    /// Children × edges.
    pub edges: Vec<f32>,
    /// Children × parcels.
    pub diagonals: Vec<f32>,
}

/// One atlas and measure as written.
#[derive(Debug)]
pub(super) struct Stacking {
    pub atlas: String,
    pub measure: String,
    pub fisher_z: bool,
    pub parcels: usize,
    pub edges: usize,
    /// BLAKE3 (hex) of the children × edges values as little-endian 32-bit floats, row by row: whatever the file format.
    pub digest: String,
    pub files: Vec<forms::About>,
}

/// What is written of one kind.
fn plans<'a>(choice: &Choice, found: &'a Found, atlases: &'a [Atlas]) -> Vec<Plan<'a>> {
    found
        .kinds
        .iter()
        .filter_map(|kind| {
            let at = atlases.iter().position(|atlas| atlas.name == kind.atlas)?;
            let parcels = atlases[at].stacked();
            let z = choice.fisher_z && has_z(&kind.measure);
            let name = format!("{}{}", found.name(kind), if z { "Z" } else { "" });
            let edges = edge_count(parcels.len());
            let (children, holds) = (&found.children, Holds::Values);
            Some(Plan { name, kind, atlas: at, parcels, edges, children, fisher_z: z, holds })
        })
        .collect()
}

/// Whether a measure is a correlation, of which Fisher's z is taken.
pub(super) fn has_z(measure: &str) -> bool {
    matches!(measure, "pearson" | "spearman" | "partial")
}

/// Before anything is written: is every file possible?
pub(super) fn refuse_what_cannot_be(choice: &Choice, found: &Found, atlases: &[Atlas]) -> Result<(), StackError> {
    let plans = plans(choice, found, atlases);
    plans.iter().try_for_each(|plan| choice.formats.iter().try_for_each(|format| forms::refuse(*format, plan)))
}

/// Which children lack which parcels, from all their matrices.
pub(super) fn lacking(results: &Path, found: &Found, atlases: &[Atlas]) -> Result<Lacking, StackError> {
    let mut lacking = Lacking::none(atlases);
    for (at, kind) in found.kinds.iter().enumerate() {
        let Some(place) = atlases.iter().position(|atlas| atlas.name == kind.atlas) else { continue };
        let parcels = atlases[place].parcels.len();
        let edges = edge_count(parcels);
        for block in blocks(found.children.len(), edges, parcels) {
            let block = read(results, found, at, &atlases[place], block)?;
            note(&mut lacking, place, &atlases[place].used, &found.children, &block);
        }
    }
    Ok(lacking)
}

/// What a block is of.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    first: usize,
    children: usize,
    edges: usize,
    parcels: usize,
}

impl Place {
    /// Position of the first child.
    pub(super) fn first(&self) -> usize {
        self.first
    }
}

/// The blocks of so many children.
pub(super) fn blocks(children: usize, edges: usize, parcels: usize) -> impl Iterator<Item = Place> {
    let at_once = (BLOCK_BYTES / (4 * (edges + parcels)).max(1)).max(1);
    let place = move |first| Place { first, children: at_once.min(children - first), edges, parcels };
    (0..children).step_by(at_once).map(place)
}

/// Reads a block by all cores; `results` may be another folder of the same children, such as a try's.
pub(super) fn read(
    results: &Path,
    found: &Found,
    kind: usize,
    atlas: &Atlas,
    place: Place,
) -> Result<Block, StackError> {
    let Place { first, children, edges, parcels } = place;
    let mut block =
        Block { first, children, edges: vec![0.0; children * edges], diagonals: vec![0.0; children * parcels] };
    let places =
        split(&mut block.edges, edges, children).into_iter().zip(split(&mut block.diagonals, parcels, children));
    let places: Vec<(&mut [f32], &mut [f32])> = places.collect();
    let read: Vec<Result<(), StackError>> = found.children[first..first + children]
        .par_iter()
        .zip(places)
        .map(|(child, (edges, diagonal))| {
            if found.equal.is_some() {
                return equal::read(results, found, child, &found.kinds[kind], atlas, edges, diagonal);
            }
            let (path, form) = child.matrix(results, &found.kinds, kind);
            values::read(&path, form, atlas, edges, diagonal)?;
            if has_z(&found.kinds[kind].measure) { values::require_correlations(&path, atlas, edges) } else { Ok(()) }
        })
        .collect();
    // Of several errors that of the first child, whatever thread was faster.
    read.into_iter().collect::<Result<(), StackError>>()?;
    Ok(block)
}

/// The edges of some children (rising places), children × edges, Fisher's z of them if asked: all in memory.
pub(super) fn edges(
    results: &Path,
    found: &Found,
    kind: usize,
    atlas: &Atlas,
    children: &[usize],
    z: bool,
) -> Result<Array2<f32>, StackError> {
    let parcels = atlas.stacked().len();
    let edges = edge_count(parcels);
    let mut values = Vec::with_capacity(children.len() * edges);
    for place in blocks(found.children.len(), edges, parcels) {
        let block = read(results, found, kind, atlas, place)?;
        let inside = children.iter().filter(|&&child| (place.first..place.first + place.children).contains(&child));
        for child in inside {
            let at = (child - place.first) * edges;
            values.extend_from_slice(&block.edges[at..at + edges]);
        }
    }
    if z {
        values.par_iter_mut().for_each(|r| *r = fisher_z(f64::from(*r)) as f32);
    }
    // As many values as the shape has.
    Ok(Array2::from_shape_vec((children.len(), edges), values).unwrap_or_default())
}

/// As many parts of the same length; the length may be 0, as of the edges of one parcel.
fn split(mut values: &mut [f32], length: usize, parts: usize) -> Vec<&mut [f32]> {
    let mut out = Vec::with_capacity(parts);
    for _ in 0..parts {
        let (part, rest) = values.split_at_mut(length);
        out.push(part);
        values = rest;
    }
    out
}

fn note(lacking: &mut Lacking, atlas: usize, used: &[bool], children: &[Child], block: &Block) {
    let all: Vec<usize> = (0..used.len()).filter(|&parcel| used[parcel]).collect();
    if all.is_empty() {
        return;
    }
    for (diagonal, child) in block.diagonals.chunks_exact(all.len()).zip(&children[block.first..]) {
        for (value, &parcel) in diagonal.iter().zip(&all) {
            if value.is_nan() {
                lacking.atlases[atlas].note(parcel, child.row);
            }
        }
    }
}

/// Writes every atlas and measure in every format; the files are whole and synced, but do not have their names yet. Tells who
/// lacks what, too.
pub(super) fn write(
    work: &Work<'_>,
    choice: &Choice,
    files: &mut Vec<Whole>,
    quality: &mut Quality<'_>,
) -> Result<(Vec<Stacking>, Lacking), StackError> {
    let Work { results, folder, found, atlases, tell } = *work;
    let mut lacking = Lacking::none(atlases);
    let mut stackings = Vec::new();
    for (kind, plan) in plans(choice, found, atlases).iter().enumerate() {
        let atlas = &atlases[plan.atlas];
        let mut sinks: Vec<Box<dyn Sink + '_>> = Vec::new();
        for &format in &choice.formats {
            sinks.extend(forms::open(format, folder, plan)?);
        }
        let mut digest = blake3::Hasher::new();
        let mut take = |mut block: Block| -> Result<(), StackError> {
            note(&mut lacking, plan.atlas, &atlas.used, &found.children, &block);
            quality.take(kind, &block)?;
            if plan.fisher_z {
                block.edges.par_iter_mut().for_each(|r| *r = fisher_z(f64::from(*r)) as f32);
                // A series' correlation with itself tells nothing (methods.md: diagonal n/a).
                block.diagonals.fill(f32::NAN);
            }
            forms::in_parts(&block.edges, |part| {
                digest.update(part);
                Ok::<(), StackError>(())
            })?;
            sinks.iter_mut().try_for_each(|sink| sink.take(&block))?;
            Ok(())
        };
        let mut before: Option<Block> = None;
        for place in blocks(found.children.len(), plan.edges, plan.parcels.len()) {
            let what = format!("stacking {}, {}", plan.kind.atlas, plan.kind.measure);
            tell(&Step::children(&what, place.first, found.children.len()));
            let (written, next) =
                rayon::join(|| before.take().map_or(Ok(()), &mut take), || read(results, found, kind, atlas, place));
            written?;
            before = Some(next?);
        }
        before.map_or(Ok(()), &mut take)?;
        quality.close(kind)?;
        let mut about = Vec::new();
        for sink in sinks {
            about.push(sink.about());
            files.push(sink.finish()?);
        }
        stackings.push(Stacking {
            atlas: plan.kind.atlas.clone(),
            measure: plan.kind.measure.clone(),
            fisher_z: plan.fisher_z,
            parcels: plan.parcels.len(),
            edges: plan.edges,
            digest: digest.finalize().to_hex().to_string(),
            files: about,
        });
    }
    Ok((stackings, lacking))
}
