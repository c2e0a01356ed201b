//! The parcels of each atlas in a stack: their names, networks, mean centroids, and which are left out.
//!
//! Centroids come from the coverage tables. They are averaged over the runs of each child, then over the children in
//! the stack. The distance of an edge is that between its two mean centroids, mm.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::children::{Child, GatheredChildren};
use super::error::StackError;
use super::folders::Folders;
use crate::group::quantile;
use crate::results::{Contents, Layout};
use crate::tables::{Tsv, absent, figures};

/// Children whose coverage tables are held at once (own choice).
const AT_ONCE: usize = 256;

/// A parcel as the coverage tables have it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Parcel {
    /// Label in the atlas.
    pub index: String,
    pub name: String,
    /// `n/a` where the atlas names no network.
    pub network: String,
    /// Mean over the children, world mm; NaN where no child has one.
    pub centroid_mm: [f64; 3],
}

/// An atlas in a stack.
#[derive(Debug)]
pub(crate) struct StackedAtlas {
    pub name: String,
    /// All, in the order of the matrices on disk.
    pub parcels: Vec<Parcel>,
    /// Which of them are in the stack.
    pub used: Vec<bool>,
    /// The table that the names are from.
    pub like: PathBuf,
}

impl StackedAtlas {
    /// The parcels in the stack.
    pub(crate) fn stacked(&self) -> Vec<&Parcel> {
        self.parcels.iter().zip(&self.used).filter(|(_, used)| **used).map(|(parcel, _)| parcel).collect()
    }
}

/// The atlases as the first child's tables have them.
pub(crate) fn reference(results: &Folders, found: &GatheredChildren) -> Result<Vec<StackedAtlas>, StackError> {
    let Some(child) = found.children.first() else { return Ok(Vec::new()) };
    found
        .atlases()
        .into_iter()
        .map(|name| {
            let (like, parcels) = first_of(results, child, name)?;
            let used = vec![true; parcels.len()];
            Ok(StackedAtlas { name: name.to_owned(), parcels, used, like })
        })
        .collect()
}

/// Reads every child's coverage tables: holds their parcels against the reference and takes the mean of their
/// centroids. Says in words where those of results folders lie far apart.
pub(crate) fn centroids(
    results: &Folders,
    found: &GatheredChildren,
    atlases: &mut [StackedAtlas],
) -> Result<Vec<String>, StackError> {
    let mut notes = Vec::new();
    for atlas in atlases {
        let mut sums = vec![Sum::default(); atlas.parcels.len()];
        let mut of_folders = vec![sums.clone(); results.paths().len()];
        for children in found.children.chunks(AT_ONCE) {
            let read: Vec<_> = children.par_iter().map(|child| coverage(results, child, atlas)).collect();
            for (own, child) in read.into_iter().zip(children) {
                let own = own?;
                let of_folder = &mut of_folders[child.results];
                of_folder.iter_mut().zip(&own.centroids_mm).for_each(|(sum, centroid_mm)| sum.add(*centroid_mm));
                for (((centroid_mm, network), sum), parcel) in
                    own.centroids_mm.iter().zip(own.networks).zip(&mut sums).zip(&mut atlas.parcels)
                {
                    // Tables of an earlier version have no networks.
                    if absent(&parcel.network) {
                        network.into_iter().for_each(|network| parcel.network = network);
                    }
                    sum.add(*centroid_mm);
                }
            }
        }
        for (parcel, sum) in atlas.parcels.iter_mut().zip(sums) {
            parcel.centroid_mm = sum.mean();
        }
        let means: Vec<Vec<[f64; 3]>> =
            of_folders.iter().map(|sums| sums.iter().map(|sum| sum.mean()).collect()).collect();
        notes.extend(apart(results, &atlas.name, &means));
    }
    Ok(notes)
}

/// Atlases whose parcels lie farther from each other than this may not be the same. Those of one atlas on two grids lie
/// less than a voxel apart, and those of neighbours farther than this (own convention), mm.
const APART_MM: f64 = 5.0;

/// The first results folder whose parcels lie far from those of an earlier one, in words; `means` are the mean
/// centroids of each folder.
fn apart(results: &Folders, atlas: &str, means: &[Vec<[f64; 3]>]) -> Option<String> {
    let known = |means: &&Vec<[f64; 3]>| means.iter().flatten().any(|mm| mm.is_finite());
    let (one, reference) = means.iter().enumerate().find(|(_, means)| known(means))?;
    means.iter().enumerate().skip(one + 1).find_map(|(other, own)| {
        let distance =
            |(a, b): (&[f64; 3], &[f64; 3])| a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt();
        let mut distances: Vec<f64> = reference.iter().zip(own).map(distance).filter(|mm| mm.is_finite()).collect();
        distances.sort_by(f64::total_cmp);
        let median = quantile(&distances, 0.5);
        (median > APART_MM).then(|| {
            let [one, other] = [one, other].map(|at| results.name(at).unwrap_or_default());
            format!(
                "the parcels of {atlas} lie {} mm apart in {one} and {other} (median of their mean centroids): their \
                 numbers and names are the same, but the atlases may not be; look at both before using the stack",
                figures(median, 1)
            )
        })
    })
}

/// Centroids to take the mean of.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    total_mm: [f64; 3],
    count: usize,
}

impl Sum {
    fn add(&mut self, centroid_mm: [f64; 3]) {
        if centroid_mm.iter().all(|v| v.is_finite()) {
            (0..3).for_each(|axis| self.total_mm[axis] += centroid_mm[axis]);
            self.count += 1;
        }
    }

    /// NaN without any centroid.
    fn mean(self) -> [f64; 3] {
        self.total_mm.map(|v| if self.count == 0 { f64::NAN } else { v / self.count as f64 })
    }
}

/// What a child's coverage tables add to an atlas in a stack, one per parcel.
struct Own {
    /// Averaged over its runs.
    centroids_mm: Vec<[f64; 3]>,
    /// Where the stack knows none yet.
    networks: Vec<Option<String>>,
}

/// A child's coverage tables, each parcel of which must be that of the atlas.
fn coverage(results: &Folders, child: &Child, atlas: &StackedAtlas) -> Result<Own, StackError> {
    let mut sums = vec![Sum::default(); atlas.parcels.len()];
    let mut networks = vec![None; atlas.parcels.len()];
    for path in tables_of(results, child, &atlas.name)? {
        let found = read(&path, |position, row| {
            let Some(known) = atlas.parcels.get(position) else { return Ok(()) };
            if (row.index, row.name) != (known.index.as_str(), known.name.as_str()) {
                return Err(StackError::OtherParcel {
                    path: path.clone(),
                    // The header is line 1.
                    line: position + 2,
                    position: position + 1,
                    found: format!("{} {}", row.index, row.name),
                    expected: format!("{} {}", known.index, known.name),
                    like: atlas.like.clone(),
                });
            }
            if absent(&known.network) && !absent(row.network) {
                networks[position].get_or_insert_with(|| row.network.to_owned());
            }
            sums[position].add(row.centroid_mm);
            Ok(())
        })?;
        if found != sums.len() {
            let found = format!("{found} parcels");
            return Err(StackError::Size { path, found, expected: sums.len(), like: atlas.like.clone() });
        }
    }
    Ok(Own { centroids_mm: sums.into_iter().map(Sum::mean).collect(), networks })
}

/// A child's parcels of one atlas as the first of its runs has them, and that run's table.
fn first_of(results: &Folders, child: &Child, atlas: &str) -> Result<(PathBuf, Vec<Parcel>), StackError> {
    let path = tables_of(results, child, atlas)?.swap_remove(0);
    let mut parcels = Vec::new();
    read(&path, |_, row| {
        let Row { index, name, network, centroid_mm } = row;
        let (index, name, network) = (index.to_owned(), name.to_owned(), network.to_owned());
        parcels.push(Parcel { index, name, network, centroid_mm });
        Ok(())
    })?;
    Ok((path, parcels))
}

/// The coverage tables of a child's runs, at least one.
fn tables_of(results: &Folders, child: &Child, atlas: &str) -> Result<Vec<PathBuf>, StackError> {
    let layout = Layout::new(results.path(child.results));
    let paths = child.runs.iter().map(|run| layout.file(&run.folder, &run.stem, Contents::Parcels { atlas }));
    let there: Vec<PathBuf> = paths.filter(|path| path.is_file()).collect();
    if there.is_empty() {
        let path = child.file(results, Contents::Parcels { atlas });
        return Err(StackError::NoCoverage { path, atlas: atlas.to_owned() });
    }
    Ok(there)
}

/// A row of a coverage table; see [`Parcel`].
struct Row<'a> {
    index: &'a str,
    name: &'a str,
    network: &'a str,
    centroid_mm: [f64; 3],
}

/// Gives each row's position (from 0) and the row; says how many there were. A large cohort has a million rows, so that
/// nothing is copied here.
fn read(path: &Path, mut each: impl FnMut(usize, Row<'_>) -> Result<(), StackError>) -> Result<usize, StackError> {
    let table = Tsv::open(path)?;
    let need = |column: &str| {
        let missing = || StackError::Unreadable {
            path: path.to_owned(),
            message: format!("its first line has no column \"{column}\""),
        };
        table.column(column).ok_or_else(missing)
    };
    let (index, name) = (need("index")?, need("name")?);
    let centroid = [need("x_mm")?, need("y_mm")?, need("z_mm")?];
    let network = table.column("network");
    let mut position = 0;
    table.each_row(|line, cells| {
        let mut centroid_mm = [f64::NAN; 3];
        for (axis, &column) in centroid.iter().enumerate() {
            centroid_mm[axis] = table.number_in(line, cells[column], column)?.unwrap_or(f64::NAN);
        }
        let network = network.map_or("n/a", |at| cells[at]);
        each(position, Row { index: cells[index], name: cells[name], network, centroid_mm })?;
        position += 1;
        Ok::<(), StackError>(())
    })?;
    Ok(position)
}
