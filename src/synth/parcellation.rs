//! Invented parcels, grown like Voronoi cells through the grey matter of an invented head.
//!
//! Seeds are spread over the left half by farthest-point choice (Gonzalez 1985, Theoretical Computer Science 38:293),
//! cells grow from them by shortest paths through grey voxels (Dijkstra 1959, Numerische Mathematik 1:269), each seed
//! moves to the member voxel nearest its cell's centroid, and growth starts again (Lloyd 1982, IEEE Trans Inf Theory
//! 28:129). So every parcel is connected and compact. The right half mirrors the left. Pairs of mirrored parcels are
//! dealt to networks at random. How far apart two parcels lie says nothing about whether they share a network, so when
//! measured connectivity depends on distance, that is the artefact and not the truth.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::path::Path;

use ndarray::{ArrayView, IxDyn, ShapeBuilder};
use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use serde::Serialize;

use super::error::SynthError;
use super::head::{AgeGroup, Head, Matter, VoxelGrid};
use crate::nifti::{Voxel, write_image};

/// Names of the invented networks: trees, which have no meaning in a brain.
const NETWORKS: [&str; 9] = ["Ash", "Birch", "Cedar", "Elder", "Hazel", "Larch", "Maple", "Rowan", "Willow"];
/// Rounds of growing and moving seeds; the cells hardly change after this many.
const ROUNDS: usize = 6;
/// A parcel needs this many voxels to be worth the name.
const FEWEST_VOXELS: usize = 6;

/// One of the parcellations in `atlases-synthetic/`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Invented {
    /// Name of its files.
    pub name: &'static str,
    pub group: AgeGroup,
    /// Edge of its cubic voxels, mm.
    pub voxel_mm: f64,
    pub parcels: usize,
    pub seed: u64,
}

/// What `examples/make_atlases.rs` makes.
pub const ATLASES: [Invented; 3] = [
    Invented { name: "islet-newborn", group: AgeGroup::Newborn, voxel_mm: 3.0, parcels: 64, seed: 101 },
    Invented { name: "islet-toddler", group: AgeGroup::Toddler, voxel_mm: 4.0, parcels: 84, seed: 102 },
    Invented { name: "islet-school", group: AgeGroup::School, voxel_mm: 4.0, parcels: 112, seed: 103 },
];

impl Invented {
    /// Grows it.
    ///
    /// # Errors
    /// As [`Parcellation::grow`].
    pub fn grow(&self) -> Result<Parcellation, SynthError> {
        let head = Head::of(self.group);
        Parcellation::grow(&head, &VoxelGrid::around(&head, self.voxel_mm), self.parcels, self.seed)
    }
}

/// Left or right half of the head.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Hemisphere {
    Left,
    Right,
}

impl Hemisphere {
    /// The word used in label tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
        }
    }
}

/// One parcel.
#[derive(Debug, Clone, PartialEq)]
pub struct Parcel {
    /// Value in the label image, counted from 1.
    pub index: i16,
    pub name: String,
    /// Which network, as a position in [`Parcellation::networks`].
    pub network: usize,
    pub hemisphere: Hemisphere,
    /// Mean of the voxel centres, mm.
    pub centroid_mm: [f64; 3],
    pub voxels: usize,
}

/// Labels on a grid, and what they mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Parcellation {
    pub grid: VoxelGrid,
    /// One label per voxel in storage order, 0 for none.
    pub labels: Vec<i16>,
    pub parcels: Vec<Parcel>,
    pub networks: Vec<&'static str>,
}

impl Parcellation {
    /// Grows `count` parcels (an even number) in the grey matter of `head`.
    ///
    /// # Errors
    /// `count` is odd, under 10, or more than the grey matter has room for.
    pub fn grow(head: &Head, grid: &VoxelGrid, count: usize, seed: u64) -> Result<Self, SynthError> {
        let matter = grid.matter(head);
        let left: Vec<usize> =
            (0..grid.voxels()).filter(|&v| matter[v] == Matter::Grey && grid.world_mm(v)[0] < 0.0).collect();
        let most = (2 * left.len() / (2 * FEWEST_VOXELS)).min(1000) / 2 * 2;
        if count % 2 == 1 || count < 10 || count > most {
            return Err(SynthError::Setting {
                name: "parcels",
                given: count.to_string(),
                expected: format!("an even number from 10 to {most}, which is the most that this grid has room for"),
            });
        }
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let half = count / 2;
        let mut seeds = spread_seeds(grid, &left, half, &mut rng);
        let mut cell = vec![0u16; grid.voxels()];
        for round in 0..ROUNDS {
            cell = grow_cells(grid, &left, &seeds);
            if round + 1 < ROUNDS {
                seeds = recentred(grid, &left, &cell, half);
            }
        }

        let networks = NETWORKS[..(count / 12).clamp(4, NETWORKS.len())].to_vec();
        let mut dealt: Vec<usize> = (0..half).map(|p| p % networks.len()).collect();
        dealt.shuffle(&mut rng);
        // The order of parcels in tables and matrices: left before right, by network within each.
        let mut order: Vec<usize> = (0..half).collect();
        order.sort_by_key(|&p| (dealt[p], p));
        let mut rank = vec![0; half];
        for (place, &p) in order.iter().enumerate() {
            rank[p] = place;
        }

        let mut labels = vec![0i16; grid.voxels()];
        for &v in left.iter().filter(|&&v| cell[v] > 0) {
            let place = rank[usize::from(cell[v]) - 1];
            labels[v] = (place + 1) as i16;
            labels[grid.mirrored(v)] = (half + place + 1) as i16;
        }
        let parcels = described(grid, &labels, &networks, &order.iter().map(|&p| dealt[p]).collect::<Vec<_>>());
        Ok(Self { grid: *grid, labels, parcels, networks })
    }

    /// Writes the label image (int16, gzip level 9) and the label table.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn write(&self, image: &Path, table: &Path) -> Result<(), SynthError> {
        write_voxels(image, &self.grid, &self.labels, 9)?;
        std::fs::write(table, self.label_table()).map_err(|e| SynthError::io("write", table, e))
    }

    /// The label table: index, name, network, hemisphere.
    #[must_use]
    pub fn label_table(&self) -> String {
        let mut text = String::from("index\tname\tnetwork\themisphere\n");
        for p in &self.parcels {
            text += &format!("{}\t{}\t{}\t{}\n", p.index, p.name, self.networks[p.network], p.hemisphere.key());
        }
        text
    }
}

/// Writes a 3-D image of a grid's voxels, given in storage order.
pub(super) fn write_voxels<T: Voxel>(
    path: &Path,
    grid: &VoxelGrid,
    voxels: &[T],
    level: u32,
) -> Result<(), SynthError> {
    let shape = IxDyn(&grid.shape).f();
    let view = ArrayView::from_shape(shape, voxels).map_err(|_| SynthError::Setting {
        name: "grid",
        given: format!("{} voxels for {}", voxels.len(), path.display()),
        expected: grid.voxels().to_string(),
    })?;
    Ok(write_image(path, &view, &grid.affine(), None, level)?)
}

fn distance2(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum()
}

/// The first seed is random; each further one is where the nearest seed is farthest.
fn spread_seeds(grid: &VoxelGrid, voxels: &[usize], count: usize, rng: &mut ChaCha8Rng) -> Vec<usize> {
    let mut seeds = vec![voxels[rng.random_range(0..voxels.len())]];
    let mut nearest = vec![f64::INFINITY; voxels.len()];
    while seeds.len() < count {
        let newest = grid.world_mm(seeds[seeds.len() - 1]);
        let mut farthest = 0;
        for (n, &v) in voxels.iter().enumerate() {
            nearest[n] = nearest[n].min(distance2(grid.world_mm(v), newest));
            if nearest[n] > nearest[farthest] {
                farthest = n;
            }
        }
        seeds.push(voxels[farthest]);
    }
    seeds
}

/// Cells 1.. of voxels nearest each seed along paths inside `voxels`; lengths in whole micrometres, so that ties fall
/// the same way on every machine.
fn grow_cells(grid: &VoxelGrid, voxels: &[usize], seeds: &[usize]) -> Vec<u16> {
    let mut open = vec![false; grid.voxels()];
    for &v in voxels {
        open[v] = true;
    }
    let steps: Vec<([isize; 3], u64)> = (0..27isize)
        .map(|n| [n % 3 - 1, n / 3 % 3 - 1, n / 9 - 1])
        .filter(|s| *s != [0; 3])
        .map(|s| {
            let mm: f64 = (0..3).map(|a| (s[a] as f64 * grid.voxel_mm[a]).powi(2)).sum::<f64>().sqrt();
            (s, (mm * 1000.0).round() as u64)
        })
        .collect();
    let mut cell = vec![0u16; grid.voxels()];
    let mut queue: BinaryHeap<Reverse<(u64, u16, usize)>> =
        seeds.iter().enumerate().map(|(n, &v)| Reverse((0, n as u16 + 1, v))).collect();
    while let Some(Reverse((length, label, voxel))) = queue.pop() {
        if cell[voxel] > 0 {
            continue;
        }
        cell[voxel] = label;
        let at = grid.indices(voxel);
        for (step, step_length) in &steps {
            let to: [Option<usize>; 3] =
                std::array::from_fn(|a| at[a].checked_add_signed(step[a]).filter(|&i| i < grid.shape[a]));
            if let [Some(i), Some(j), Some(k)] = to {
                let next = i + grid.shape[0] * (j + grid.shape[1] * k);
                if open[next] && cell[next] == 0 {
                    queue.push(Reverse((length + step_length, label, next)));
                }
            }
        }
    }
    cell
}

/// For each cell the member voxel nearest its centroid.
fn recentred(grid: &VoxelGrid, voxels: &[usize], cell: &[u16], count: usize) -> Vec<usize> {
    let mut sums = vec![([0.0; 3], 0usize); count];
    for &v in voxels.iter().filter(|&&v| cell[v] > 0) {
        let (sum, n) = &mut sums[usize::from(cell[v]) - 1];
        let at = grid.world_mm(v);
        (0..3).for_each(|a| sum[a] += at[a]);
        *n += 1;
    }
    let mut best = vec![(f64::INFINITY, 0usize); count];
    for &v in voxels.iter().filter(|&&v| cell[v] > 0) {
        let c = usize::from(cell[v]) - 1;
        let d = distance2(grid.world_mm(v), sums[c].0.map(|s| s / sums[c].1 as f64));
        if d < best[c].0 {
            best[c] = (d, v);
        }
    }
    best.into_iter().map(|(_, v)| v).collect()
}

fn described(grid: &VoxelGrid, labels: &[i16], networks: &[&'static str], network_of: &[usize]) -> Vec<Parcel> {
    let half = network_of.len();
    let mut sums = vec![([0.0; 3], 0usize); 2 * half];
    for (v, &label) in labels.iter().enumerate().filter(|(_, l)| **l > 0) {
        let (sum, n) = &mut sums[label as usize - 1];
        let at = grid.world_mm(v);
        (0..3).for_each(|a| sum[a] += at[a]);
        *n += 1;
    }
    (0..2 * half)
        .map(|p| {
            let place = p % half;
            let network = network_of[place];
            let within = network_of[..place].iter().filter(|&&n| n == network).count() + 1;
            let (hemisphere, letter) = if p < half { (Hemisphere::Left, 'L') } else { (Hemisphere::Right, 'R') };
            let (sum, voxels) = sums[p];
            Parcel {
                index: p as i16 + 1,
                name: format!("{}_{letter}{within}", networks[network]),
                network,
                hemisphere,
                centroid_mm: sum.map(|s| s / voxels as f64),
                voxels,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn toddler(count: usize, seed: u64) -> Parcellation {
        let head = Head::of(AgeGroup::Toddler);
        Parcellation::grow(&head, &VoxelGrid::around(&head, 4.0), count, seed).expect("room for the parcels")
    }

    #[test]
    fn parcels_are_compact_connected_and_mirrored() {
        let p = toddler(80, 3);
        assert_eq!(p.parcels.len(), 80);
        let grey = p.grid.matter(&Head::of(AgeGroup::Toddler)).iter().filter(|m| **m == Matter::Grey).count();
        assert_eq!(p.labels.iter().filter(|l| **l > 0).count(), grey, "every grey voxel has a parcel");
        let mean = grey as f64 / 80.0;
        for parcel in &p.parcels {
            assert!(parcel.voxels as f64 > mean / 4.0 && (parcel.voxels as f64) < mean * 4.0, "{}", parcel.voxels);
            // The farthest voxel of a compact parcel lies within three radii of a ball of the mean volume.
            let ball_mm = (mean * 64.0 * 3.0 / (4.0 * std::f64::consts::PI)).cbrt();
            for v in (0..p.grid.voxels()).filter(|&v| p.labels[v] == parcel.index) {
                assert!(distance2(p.grid.world_mm(v), parcel.centroid_mm).sqrt() < 3.0 * ball_mm);
            }
        }
        for (l, r) in p.parcels[..40].iter().zip(&p.parcels[40..]) {
            assert_eq!(l.name.replace("_L", "_R"), r.name);
            assert_eq!(l.voxels, r.voxels);
            assert!((l.centroid_mm[0] + r.centroid_mm[0]).abs() < 1e-9 && l.centroid_mm[0] < 0.0);
        }
        let mut names: Vec<&str> = p.parcels.iter().map(|p| p.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), 80);
    }

    #[test]
    fn the_seed_decides() {
        assert_eq!(toddler(60, 1), toddler(60, 1));
        assert_ne!(toddler(60, 1).labels, toddler(60, 2).labels);
    }

    #[test]
    fn a_count_that_does_not_fit_is_refused_with_the_room_there_is() {
        let head = Head::of(AgeGroup::Newborn);
        let grid = VoxelGrid::around(&head, 6.0);
        for count in [0, 9, 31, 900] {
            let error = Parcellation::grow(&head, &grid, count, 1).expect_err("refused").to_string();
            assert!(error.contains("an even number from 10 to"), "{error}");
        }
    }
}
