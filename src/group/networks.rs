//! Networks: the mean over all edges of a pair of networks, per child (columns `…_mean` of
//! `…_networks_children.tsv`).
//!
//! A pair is unordered: the edges between Ash and Birch are those between Birch and Ash, and the edges within Ash are
//! the pair Ash–Ash. The mean is the plain mean of the edges that the child has; parcels without a network are in no
//! pair. Networks, and so both names of a pair, stand in the order of their first parcel in the atlas.

use std::collections::HashSet;

use super::edges;

/// The pairs of networks that have at least one edge.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NetworkPairs {
    /// Names of the networks, in order.
    networks: Vec<String>,
    /// Places of both networks of each pair; the first is not after the second.
    pairs: Vec<(usize, usize)>,
    /// The pair of each edge.
    of_edges: Vec<Option<usize>>,
    /// Number of edges of each pair.
    sizes: Vec<usize>,
}

/// What a child has of a pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairMean {
    /// NaN without edges.
    pub mean: f64,
    /// Edges that the child has.
    pub edges: usize,
}

impl NetworkPairs {
    /// `order` is the network of every parcel of the atlas, in order; `stacked` that of each parcel whose edges are
    /// given. None: no network.
    #[must_use]
    pub fn new(order: &[Option<&str>], stacked: &[Option<&str>]) -> Self {
        let mut networks: Vec<String> = Vec::new();
        for &network in order.iter().chain(stacked).flatten() {
            if !networks.iter().any(|known| known == network) {
                networks.push(network.to_owned());
            }
        }
        let places: Vec<Option<usize>> = stacked
            .iter()
            .map(|network| network.and_then(|network| networks.iter().position(|known| known == network)))
            .collect();
        let count = networks.len();
        let cells: Vec<Option<usize>> = edges(stacked.len())
            .map(|(i, j)| places[i].zip(places[j]).map(|(a, b)| a.min(b) * count + a.max(b)))
            .collect();
        let mut sizes = vec![0; count * count];
        cells.iter().flatten().for_each(|&cell| sizes[cell] += 1);
        let there: Vec<usize> = (0..count * count).filter(|&cell| sizes[cell] > 0).collect();
        let mut at = vec![None; count * count];
        there.iter().enumerate().for_each(|(place, &cell)| at[cell] = Some(place));
        Self {
            networks,
            pairs: there.iter().map(|&cell| (cell / count, cell % count)).collect(),
            of_edges: cells.iter().map(|cell| cell.and_then(|cell| at[cell])).collect(),
            sizes: there.iter().map(|&cell| sizes[cell]).collect(),
        }
    }

    /// Names of the networks, in order.
    #[must_use]
    pub fn networks(&self) -> &[String] {
        &self.networks
    }

    /// Places of both networks of each pair.
    #[must_use]
    pub fn pairs(&self) -> &[(usize, usize)] {
        &self.pairs
    }

    /// The pair of each edge; none where a parcel has no network.
    #[must_use]
    pub fn of_edges(&self) -> &[Option<usize>] {
        &self.of_edges
    }

    /// Number of edges of each pair.
    #[must_use]
    pub fn sizes(&self) -> &[usize] {
        &self.sizes
    }

    /// The name of each pair: both networks with two underscores between, as `ash__birch`. Where underscores in names
    /// of networks would give two pairs the same name, the later one gets its number at the end.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        let mut taken = HashSet::new();
        let name = |(place, &(a, b)): (usize, &(usize, usize))| {
            let mut name = format!("{}__{}", self.networks[a], self.networks[b]);
            while !taken.insert(name.clone()) {
                name = format!("{name}__{place}");
            }
            name
        };
        self.pairs.iter().enumerate().map(name).collect()
    }

    /// The mean of each pair over the edges that a child has (NaN: has not).
    ///
    /// # Panics
    /// When there is not one value per edge.
    #[must_use]
    pub fn means(&self, values: &[f32]) -> Vec<PairMean> {
        assert_eq!(values.len(), self.of_edges.len(), "one value per edge");
        let mut sums = vec![(0.0, 0_usize); self.pairs.len()];
        for (&value, pair) in values.iter().zip(&self.of_edges) {
            if let Some((sum, count)) = pair.map(|pair| &mut sums[pair]).filter(|_| !value.is_nan()) {
                *sum += f64::from(value);
                *count += 1;
            }
        }
        sums.into_iter().map(|(sum, edges)| PairMean { mean: sum / edges as f64, edges }).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::group::edge_count;

    const PARCELS: [Option<&str>; 5] = [Some("birch"), Some("ash"), None, Some("birch"), Some("ash")];

    #[test]
    fn pairs_are_unordered_and_in_the_order_of_the_atlas() {
        let pairs = NetworkPairs::new(&PARCELS, &PARCELS);
        assert_eq!(pairs.networks(), ["birch", "ash"]);
        assert_eq!(pairs.names(), ["birch__birch", "birch__ash", "ash__ash"]);
        // Edges 01 02 03 04 12 13 14 23 24 34.
        let (within, between, other) = (Some(0), Some(1), Some(2));
        let expected = [between, None, within, between, None, between, other, None, None, between];
        assert_eq!(pairs.of_edges(), expected);
        assert_eq!(pairs.sizes(), [1, 4, 1]);
        assert_eq!(pairs.of_edges().len(), edge_count(5));
    }

    #[test]
    fn the_order_is_that_of_the_whole_atlas_and_pairs_without_edges_are_not_there() {
        let pairs = NetworkPairs::new(&PARCELS, &PARCELS[1..4]);
        assert_eq!(pairs.names(), ["birch__ash"]);
        assert!(NetworkPairs::new(&[None; 3], &[None; 3]).pairs().is_empty());
    }

    #[test]
    fn means_are_of_the_edges_that_are_there() {
        let pairs = NetworkPairs::new(&PARCELS, &PARCELS);
        let mut values: Vec<f32> = (0..10).map(|k| k as f32).collect();
        // Edges 0, 3, 5 and 9 are between birch and ash.
        values[5] = f32::NAN;
        values[6] = f32::NAN;
        let means = pairs.means(&values);
        assert_eq!(means[0], PairMean { mean: 2.0, edges: 1 });
        assert_eq!(means[1], PairMean { mean: 4.0, edges: 3 });
        assert!(means[2].mean.is_nan() && means[2].edges == 0);
    }

    #[test]
    fn names_stay_apart() {
        let parcels = [Some("a"), Some("a__b"), Some("b__c"), Some("c")];
        let names = NetworkPairs::new(&parcels, &parcels).names();
        assert_eq!(names.iter().collect::<HashSet<_>>().len(), names.len(), "{names:?}");
    }
}
