//! Which children lack which parcels, and what `--missing` therefore leaves out.

use super::block::{Block, BlockSink, Source};
use super::children::{Child, GatheredChildren};
use super::error::StackError;
use super::folders::Folders;
use super::parcels::StackedAtlas;
use super::request::Missing;

/// Which children lack which parcels; a parcel is missing where the matrix has no value on its diagonal.
#[derive(Debug)]
pub(crate) struct Lacking {
    /// As the atlases of the stack.
    pub atlases: Vec<LackingOf>,
}

/// Children by parcel of one atlas.
#[derive(Debug, Clone, Default)]
pub(crate) struct LackingOf {
    /// For each parcel (all, in the order on disk), the rows in `cohort.tsv` of the children who lack it, rising.
    pub rows: Vec<Vec<usize>>,
}

impl Lacking {
    pub(crate) fn none(atlases: &[StackedAtlas]) -> Self {
        let of = |atlas: &StackedAtlas| LackingOf { rows: vec![Vec::new(); atlas.parcels.len()] };
        Self { atlases: atlases.iter().map(of).collect() }
    }
}

impl LackingOf {
    /// Notes a child once, although several measures have the same parcel.
    pub(crate) fn note(&mut self, parcel: usize, row: usize) {
        if let Err(place) = self.rows[parcel].binary_search(&row) {
            self.rows[parcel].insert(place, row);
        }
    }
}

/// Which children lack which parcels, from all their matrices.
fn lacking(results: &Folders, found: &GatheredChildren, atlases: &[StackedAtlas]) -> Result<Lacking, StackError> {
    let mut lacking = Lacking::none(atlases);
    for (kind, of) in found.kinds.iter().enumerate() {
        let Some(place) = atlases.iter().position(|atlas| atlas.name == of.atlas) else { continue };
        let atlas = &atlases[place];
        let mut sink = LackingSink::new(&mut lacking.atlases[place], atlas, &found.children);
        Source { results, found, kind, atlas, adjust: None }.pass(&|_| {}, &mut [&mut sink])?;
    }
    Ok(lacking)
}

/// Notes which children lack which parcels of one atlas.
pub(crate) struct LackingSink<'a> {
    lacking: &'a mut LackingOf,
    /// The parcels in the blocks, by their place on disk.
    parcels: Vec<usize>,
    children: &'a [Child],
}

impl<'a> LackingSink<'a> {
    pub(crate) fn new(lacking: &'a mut LackingOf, atlas: &StackedAtlas, children: &'a [Child]) -> Self {
        let parcels = (0..atlas.used.len()).filter(|&parcel| atlas.used[parcel]).collect();
        Self { lacking, parcels, children }
    }
}

impl BlockSink for LackingSink<'_> {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        // An atlas without parcels has no parts to go through.
        let diagonals = block.diagonals.chunks_exact(self.parcels.len().max(1));
        for (diagonal, child) in diagonals.zip(&self.children[block.first..]) {
            for (value, &parcel) in diagonal.iter().zip(&self.parcels) {
                if value.is_nan() {
                    self.lacking.note(parcel, child.row);
                }
            }
        }
        Ok(())
    }
}

/// Leaves out the parcels that are missing in some child, or the children who lack one.
fn drop_missing(
    missing: Missing,
    atlases: &mut [StackedAtlas],
    found: &mut GatheredChildren,
    lacking: &Lacking,
) -> Result<(), StackError> {
    match missing {
        Missing::Keep => {}
        Missing::DropParcel => {
            for (atlas, lacking) in atlases.iter_mut().zip(&lacking.atlases) {
                atlas.used = lacking.rows.iter().map(Vec::is_empty).collect();
                if !atlas.used.contains(&true) {
                    let (atlas, parcels) = (atlas.name.clone(), atlas.parcels.len());
                    return Err(StackError::NoParcelLeft { atlas, parcels });
                }
            }
        }
        Missing::DropChild => {
            let leaves: Vec<(usize, String)> = (0..found.children.len())
                .filter_map(|at| {
                    let row = found.children[at].row;
                    let lacks = atlases.iter().zip(&lacking.atlases).filter_map(|(atlas, lacking)| {
                        let theirs = atlas.parcels.iter().zip(&lacking.rows);
                        let lacks = theirs.filter(|(_, rows)| rows.binary_search(&row).is_ok());
                        let names: Vec<&str> = lacks.map(|(parcel, _)| parcel.name.as_str()).collect();
                        (!names.is_empty()).then(|| format!("{}: {}", atlas.name, names.join(", ")))
                    });
                    let detail = lacks.collect::<Vec<_>>().join("; ");
                    (!detail.is_empty()).then_some((at, detail))
                })
                .collect();
            found.leave_out(&leaves, "missing_parcels");
        }
    }
    Ok(())
}

/// Leaves out what `missing` says, and returns which children lack which parcels.
pub(crate) fn leave_out(
    results: &Folders,
    missing: Missing,
    atlases: &mut [StackedAtlas],
    found: &mut GatheredChildren,
) -> Result<Lacking, StackError> {
    let lacking = lacking(results, found, atlases)?;
    drop_missing(missing, atlases, found, &lacking)?;
    Ok(lacking)
}
