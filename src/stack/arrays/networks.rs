//! `atlas-A_desc-M_networks_children.tsv`: each child's mean edge within and between networks, a sink of the blocks of
//! edges.
//!
//! Rows are those of `children.tsv`. Correlations are averaged as Fisher's z, the numbers of `--fisher-z`; covariances
//! as they are. Beside each mean stand the number of edges that it is of, and the share of the pair's edges that the
//! child lacks. The pairs are those of [`NetworkPairs`]; without networks there is no file.

use std::path::Path;

use rayon::prelude::*;

use super::whole::{Unfinished, Whole};
use crate::group::networks::NetworkPairs;
use crate::outputs::{cell, number_cell};
use crate::record::files::WriteError;
use crate::stack::gather::block::{Block, BlockSink};
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::error::StackError;
use crate::stack::gather::parcels::{Parcel, StackedAtlas};
use crate::tables::absent;

/// The pairs of networks of the parcels in the stack.
pub(crate) fn pairs(atlas: &StackedAtlas) -> NetworkPairs {
    let of = |parcel: &Parcel| (!absent(&parcel.network)).then(|| cell(&parcel.network));
    let [all, stacked] = [atlas.parcels.iter().collect(), atlas.stacked()]
        .map(|parcels: Vec<&Parcel>| parcels.into_iter().map(of).collect::<Vec<Option<String>>>());
    let [all, stacked] = [&all, &stacked].map(|names| names.iter().map(Option::as_deref).collect::<Vec<_>>());
    NetworkPairs::new(&all, &stacked)
}

/// The open table of one atlas and measure.
pub(crate) struct NetworkMeans<'a> {
    found: &'a GatheredChildren,
    pairs: NetworkPairs,
    is_correlation: bool,
    /// None where the atlas names no networks.
    file: Option<Unfinished>,
}

impl<'a> NetworkMeans<'a> {
    /// Begins the table of a kind of matrices.
    pub(crate) fn open(
        folder: &Path,
        found: &'a GatheredChildren,
        kind: usize,
        atlas: &StackedAtlas,
    ) -> Result<Self, WriteError> {
        let pairs = pairs(atlas);
        let of = &found.kinds[kind];
        let name = format!("{}_networks_children.tsv", found.name(of));
        let file = match pairs.pairs().is_empty() {
            true => None,
            false => {
                let mut file = Unfinished::create(&folder.join(name))?;
                let mut header = "stem".to_owned();
                for pair in pairs.names() {
                    ["mean", "edges", "missing"].iter().for_each(|what| header.push_str(&format!("\t{pair}_{what}")));
                }
                header.push('\n');
                file.append(header.as_bytes())?;
                Some(file)
            }
        };
        Ok(Self { found, pairs, is_correlation: of.measure.is_correlation(), file })
    }

    /// Makes the table whole; it does not have its name yet.
    pub(crate) fn finish(self) -> Result<Option<Whole>, WriteError> {
        self.file.map(Unfinished::finish).transpose()
    }

    /// One child's line, of its edges as Fisher's z where they are correlations.
    fn line(&self, stem: &str, values: &[f32]) -> String {
        let mut line = stem.to_owned();
        for (mean, &size) in self.pairs.means(values).into_iter().zip(self.pairs.sizes()) {
            let missing = number_cell((size - mean.edges) as f64 / size as f64);
            line.push_str(&format!("\t{}\t{}\t{missing}", number_cell(mean.mean), mean.edges));
        }
        line.push('\n');
        line
    }
}

impl BlockSink for NetworkMeans<'_> {
    fn take(&mut self, block: &Block) -> Result<(), StackError> {
        let edges = self.pairs.of_edges().len();
        if self.file.is_none() || edges == 0 {
            return Ok(());
        }
        let children = &self.found.children[block.first..block.first + block.children];
        let values = if self.is_correlation { block.z() } else { &block.edges };
        let rows = values.par_chunks(edges).zip(children);
        let lines: Vec<String> = rows.map(|(values, child)| self.line(&child.stem, values)).collect();
        if let Some(file) = &mut self.file {
            file.append(lines.concat().as_bytes())?;
        }
        Ok(())
    }

    fn wants_z(&self) -> bool {
        self.is_correlation
    }
}
