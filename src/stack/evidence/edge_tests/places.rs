//! What is tested: each edge between two parcels, or each pair of networks (`--level networks`).

use ndarray::Array2;
use rayon::prelude::*;

use crate::group::edges;
use crate::group::networks::NetworkPairs;
use crate::outputs::cell;
use crate::stack::arrays::networks::pairs;
use crate::stack::gather::error::TestError;
use crate::stack::gather::parcels::StackedAtlas;
use crate::stack::gather::request::Level;

/// A share of tests or a family-wise p that `stack.json` counts edges by (common practice).
pub(super) const CALLED: f64 = 0.05;

/// The places of the values that are tested.
pub(super) struct TestedPlaces {
    pub level: Level,
    /// Names of parcels or networks: rows and columns of matrices.
    pub nodes: Vec<String>,
    /// Both nodes of each place.
    pub pairs: Vec<(usize, usize)>,
    networks: Option<NetworkPairs>,
}

impl TestedPlaces {
    /// Those of an atlas.
    pub(super) fn of(level: Level, atlas: &StackedAtlas) -> Result<Self, TestError> {
        let parcels = atlas.stacked();
        if level == Level::Edges {
            let nodes = parcels.iter().map(|parcel| cell(&parcel.name)).collect();
            return Ok(Self { level, nodes, pairs: edges(parcels.len()).collect(), networks: None });
        }
        let networks = pairs(atlas);
        if networks.pairs().is_empty() {
            return Err(TestError::NoNetworks { atlas: atlas.name.clone() });
        }
        let (nodes, pairs) = (networks.networks().to_vec(), networks.pairs().to_vec());
        Ok(Self { level, nodes, pairs, networks: Some(networks) })
    }

    /// Start of the names of files.
    pub(super) fn name(&self, kind: &str) -> String {
        match self.level {
            Level::Edges => kind.to_owned(),
            Level::Networks => format!("{kind}_networks"),
        }
    }

    /// The first columns of the table.
    pub(super) fn columns(&self) -> &'static str {
        match self.level {
            Level::Edges => "edge\tname_1\tname_2",
            Level::Networks => "pair\tnetwork_1\tnetwork_2",
        }
    }

    /// Children × places, from children × edges.
    pub(super) fn values(&self, edges: Array2<f32>) -> Array2<f32> {
        let Some(networks) = &self.networks else { return edges };
        let rows: Vec<Vec<f32>> = (0..edges.nrows())
            .into_par_iter()
            .map(|child| networks.means(&edges.row(child).to_vec()).iter().map(|pair| pair.mean as f32).collect())
            .collect();
        Array2::from_shape_fn((rows.len(), self.pairs.len()), |(child, pair)| rows[child][pair])
    }
}
