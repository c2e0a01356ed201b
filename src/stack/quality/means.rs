//! The mean matrix, with its means by network.
//!
//! Where QC-FC uses Fisher's z, so does the mean: the matrix holds tanh of the mean z, the r whose z is the mean of the
//! children's (Silver & Dunlap 1987, J Appl Psychol 72:146); a network's mean is tanh of the mean z of its edges. Other
//! measures have plain means. The diagonal holds the mean of the children's diagonals.

use std::collections::BTreeMap;

use ndarray::{Array1, Array2, ArrayView1};
use ndarray_npy::WriteNpyExt;

use super::context::atlas_of;
use super::sums::MeanSums;
use crate::group::edges;
use crate::group::quality::network_means;
use crate::outputs::{number_cell, text_table};
use crate::tables::absent;

/// The mean matrix of one atlas and measure.
#[derive(Debug)]
pub(super) struct MeanMatrix {
    /// `atlas-A_desc-M`, with the minutes where they are equal.
    pub name: String,
    pub atlas: String,
    /// The measure's word.
    pub measure: &'static str,
    pub fisher_z: bool,
    pub parcels: Vec<String>,
    /// Parcels × parcels; NaN where no child has the edge. All children count alike.
    pub matrix: Array2<f64>,
    /// The same, each child with its weight.
    pub weighted: Array2<f64>,
    /// In the order of their first parcel.
    pub networks: Vec<String>,
    /// Networks × networks.
    pub by_network: Array2<f64>,
    /// Edges with a mean, within each network and between each pair.
    pub edges_of: Array2<usize>,
    /// Parcels that belong to no network.
    pub without_network: usize,
}

/// The mean matrix of one atlas and measure; `weighted` has the weighted mean of each edge.
pub(super) fn mean(sums: &MeanSums<'_>, weighted: &Array1<f64>) -> Option<MeanMatrix> {
    let quality = sums.summed.context;
    let kind = &quality.found.kinds[sums.summed.kind];
    let parcels = atlas_of(quality.atlases, kind)?.stacked();
    let mean = sums.all.mean();
    let fisher_z = kind.measure.is_correlation();
    let back = |value: f64| if fisher_z { value.tanh() } else { value };
    let square = |means: &Array1<f64>| {
        let mut matrix = Array2::from_elem((parcels.len(), parcels.len()), f64::NAN);
        for ((i, j), &value) in edges(parcels.len()).zip(means) {
            (matrix[[i, j]], matrix[[j, i]]) = (back(value), back(value));
        }
        for (k, &(sum, count)) in sums.diagonal.iter().enumerate().filter(|(_, (_, count))| *count > 0) {
            matrix[[k, k]] = sum / count as f64;
        }
        matrix
    };
    let (matrix, weighted) = (square(&mean), square(weighted));
    let mut places: BTreeMap<&str, usize> = BTreeMap::new();
    let mut networks: Vec<String> = Vec::new();
    let network_of: Vec<Option<usize>> = parcels
        .iter()
        .map(|parcel| {
            let network = parcel.network.as_str();
            (!absent(network)).then(|| {
                *places.entry(network).or_insert_with(|| {
                    networks.push(network.to_owned());
                    networks.len() - 1
                })
            })
        })
        .collect();
    let by_network = network_means(&mean.to_vec(), &network_of, networks.len()).mapv(back);
    let mut edges_of = Array2::zeros((networks.len(), networks.len()));
    for ((i, j), _) in edges(parcels.len()).zip(&mean).filter(|(_, value)| !value.is_nan()) {
        if let (Some(a), Some(b)) = (network_of[i], network_of[j]) {
            edges_of[[a.min(b), a.max(b)]] += 1;
        }
    }
    Some(MeanMatrix {
        name: quality.found.name(kind),
        atlas: kind.atlas.clone(),
        measure: kind.measure.key(),
        fisher_z,
        parcels: parcels.iter().map(|parcel| parcel.name.clone()).collect(),
        matrix,
        weighted,
        without_network: network_of.iter().filter(|network| network.is_none()).count(),
        networks,
        by_network,
        edges_of,
    })
}

/// Its files: `…_mean.npy`, `…_mean.tsv`, and `…_networks.tsv` where parcels belong to networks.
pub(super) fn mean_files(mean: &MeanMatrix) -> Vec<(String, Vec<u8>)> {
    let mut files = Vec::new();
    let header: Vec<String> = ["name".to_owned()].into_iter().chain(mean.parcels.iter().cloned()).collect();
    for (matrix, what) in [(&mean.matrix, "mean"), (&mean.weighted, "mean_weighted")] {
        let mut npy = Vec::new();
        // Writing to memory does not fail.
        if matrix.mapv(|v| v as f32).write_npy(&mut npy).is_ok() {
            files.push((format!("{}_{what}.npy", mean.name), npy));
        }
        let line = |(name, row): (&String, ArrayView1<'_, f64>)| -> Vec<String> {
            [name.clone()].into_iter().chain(row.iter().map(|&v| number_cell(v))).collect()
        };
        let lines: Vec<Vec<String>> = mean.parcels.iter().zip(matrix.rows()).map(line).collect();
        files.push((format!("{}_{what}.tsv", mean.name), text_table(&header, &lines).into_bytes()));
    }
    if !mean.networks.is_empty() {
        let header = ["network_1", "network_2", "edges", "mean"].map(str::to_owned);
        let count = mean.networks.len();
        let lines: Vec<Vec<String>> = (0..count)
            .flat_map(|a| (a..count).map(move |b| (a, b)))
            .map(|(a, b)| {
                let [first, second] = [a, b].map(|k| mean.networks[k].clone());
                vec![first, second, mean.edges_of[[a, b]].to_string(), number_cell(mean.by_network[[a, b]])]
            })
            .collect();
        files.push((format!("{}_networks.tsv", mean.name), text_table(&header, &lines).into_bytes()));
    }
    files
}
