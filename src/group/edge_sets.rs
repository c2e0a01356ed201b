//! Connected sets of edges whose t lies above a threshold (`…_edge_sets.tsv`).
//!
//! Zalesky, Fornito & Bullmore 2010, NeuroImage 53:1197 (from memory). Edges with t above T make up a graph of parcels;
//! its connected parts are the sets, and those with t below −T are sets of their own. A set's excess is Σ (|t| − T)
//! over its edges. What is tested is the set: that a single edge of it differs is not shown, and a set is not larger
//! than another because its edges are surer. Parts are found by union-find with path halving and union by size
//! (Tarjan & van Leeuwen 1984, J ACM 31:245).

use std::collections::BTreeMap;

use super::edges;

/// The parcels of each edge.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pairs {
    parcels: usize,
    of_edges: Vec<(u32, u32)>,
}

/// A connected set of edges.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeSet {
    /// Whether t is above the threshold; if not, it is below minus the threshold.
    pub positive: bool,
    /// Rising.
    pub edges: Vec<usize>,
    /// Rising.
    pub parcels: Vec<usize>,
    /// Σ (|t| − T).
    pub excess: f64,
    /// The largest |t|.
    pub peak: f64,
}

/// The largest set, in two senses; 0 without sets.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Largest {
    pub excess: f64,
    pub edges: usize,
}

impl Largest {
    #[must_use]
    pub fn of(sets: &[EdgeSet]) -> Self {
        sets.iter().fold(Self::default(), |largest, set| Self {
            excess: largest.excess.max(set.excess),
            edges: largest.edges.max(set.edges.len()),
        })
    }
}

impl Pairs {
    /// Edges in the order of [`super::edges`].
    #[must_use]
    pub fn of_parcels(parcels: usize) -> Self {
        Self { parcels, of_edges: edges(parcels).map(|(i, j)| (i as u32, j as u32)).collect() }
    }

    /// The sets of these edges, whose |t| is above the threshold, by falling excess; `exceeding` has edge and t, by
    /// rising edge.
    ///
    /// # Panics
    /// When there is no such edge.
    #[must_use]
    pub fn sets(&self, exceeding: &[(usize, f64)], threshold: f64) -> Vec<EdgeSet> {
        let mut sets: Vec<EdgeSet> = [true, false]
            .into_iter()
            .flat_map(|positive| {
                let own: Vec<(usize, f64)> =
                    exceeding.iter().copied().filter(|(_, t)| (*t > 0.0) == positive).collect();
                self.of_one_sign(positive, &own, threshold)
            })
            .collect();
        sets.sort_by(|a, b| b.excess.total_cmp(&a.excess).then(a.edges.cmp(&b.edges)));
        sets
    }

    fn of_one_sign(&self, positive: bool, own: &[(usize, f64)], threshold: f64) -> Vec<EdgeSet> {
        if own.is_empty() {
            return Vec::new();
        }
        let mut parts = Parts::new(self.parcels);
        for (edge, _) in own {
            let (i, j) = self.of_edges[*edge];
            parts.join(i, j);
        }
        let mut sets: BTreeMap<u32, EdgeSet> = BTreeMap::new();
        for &(edge, t) in own {
            let (i, j) = self.of_edges[edge];
            let set = sets.entry(parts.root(i)).or_insert_with(|| EdgeSet {
                positive,
                edges: Vec::new(),
                parcels: Vec::new(),
                excess: 0.0,
                peak: 0.0,
            });
            set.edges.push(edge);
            set.parcels.extend([i as usize, j as usize]);
            // The threshold is reached with a little forgiveness for rounding.
            set.excess += (t.abs() - threshold).max(0.0);
            set.peak = set.peak.max(t.abs());
        }
        sets.into_values()
            .map(|mut set| {
                set.parcels.sort_unstable();
                set.parcels.dedup();
                set
            })
            .collect()
    }
}

/// Parcels that are joined, as trees.
struct Parts {
    above: Vec<u32>,
    size: Vec<u32>,
}

impl Parts {
    fn new(parcels: usize) -> Self {
        Self { above: (0..parcels as u32).collect(), size: vec![1; parcels] }
    }

    fn root(&mut self, mut parcel: u32) -> u32 {
        while self.above[parcel as usize] != parcel {
            let above = self.above[parcel as usize];
            self.above[parcel as usize] = self.above[above as usize];
            parcel = self.above[parcel as usize];
        }
        parcel
    }

    fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.root(a), self.root(b));
        if a == b {
            return;
        }
        let (small, large) = if self.size[a as usize] < self.size[b as usize] { (a, b) } else { (b, a) };
        self.above[small as usize] = large;
        self.size[large as usize] += self.size[small as usize];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sets_are_connected_and_of_one_sign() {
        // Edges of 6 parcels: 01 02 03 04 05 12 13 14 15 23 24 25 34 35 45.
        let pairs = Pairs::of_parcels(6);
        let sets = pairs.sets(&[(0, 3.5), (5, 4.0), (9, -5.0), (14, 3.25)], 3.0);
        let told: Vec<_> = sets.iter().map(|s| (s.positive, s.edges.clone(), s.parcels.clone(), s.excess)).collect();
        assert_eq!(
            told,
            [
                (false, vec![9], vec![2, 3], 2.0),
                (true, vec![0, 5], vec![0, 1, 2], 1.5),
                (true, vec![14], vec![4, 5], 0.25)
            ]
        );
        assert_eq!(Largest::of(&sets), Largest { excess: 2.0, edges: 2 });
        assert_eq!(Largest::of(&pairs.sets(&[], 3.0)), Largest::default());
    }

    #[test]
    fn sets_are_those_of_a_walk_from_parcel_to_parcel() {
        let parcels = 25;
        let pairs = Pairs::of_parcels(parcels);
        let all: Vec<(usize, usize)> = edges(parcels).collect();
        for seed in 0..40_usize {
            let chosen: Vec<(usize, f64)> = (0..all.len())
                .filter(|e| (e * 7919 + seed * 104_729) % 1009 < 40)
                .map(|e| (e, 3.0 + e as f64))
                .collect();
            let mut place: Vec<usize> = (0..parcels).collect();
            // The lowest parcel that can be reached, by passing it on until nothing changes.
            loop {
                let before = place.clone();
                for &(e, _) in &chosen {
                    let (i, j) = all[e];
                    let low = place[i].min(place[j]);
                    (place[i], place[j]) = (low, low);
                }
                if place == before {
                    break;
                }
            }
            let mut expected: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
            chosen.iter().for_each(|&(e, _)| expected.entry(place[all[e].0]).or_default().push(e));
            let mut expected: Vec<Vec<usize>> = expected.into_values().collect();
            expected.sort();
            let mut found: Vec<Vec<usize>> = pairs.sets(&chosen, 2.0).into_iter().map(|set| set.edges).collect();
            found.sort();
            assert_eq!(found, expected);
        }
    }
}
