//! The parcels of each atlas in a stack: their names, networks, mean centroids, and which are left out.
//!
//! Centroids come from the coverage tables. They are averaged over the runs of each child, then over the children in
//! the stack. The distance of an edge is that between its two mean centroids, mm.

use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::children::{Child, GatheredChildren};
use super::error::StackError;
use crate::results::{Contents, Layout};
use crate::tables::{self, absent};

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
pub(crate) fn reference(results: &Path, found: &GatheredChildren) -> Result<Vec<StackedAtlas>, StackError> {
    let Some(child) = found.children.first() else { return Ok(Vec::new()) };
    found
        .atlases()
        .into_iter()
        .map(|name| {
            let (like, parcels) = coverage(results, child, name)?;
            let used = vec![true; parcels.len()];
            Ok(StackedAtlas { name: name.to_owned(), parcels, used, like })
        })
        .collect()
}

/// Reads every child's coverage tables: holds their parcels against the reference and takes the mean of their
/// centroids.
pub(crate) fn centroids(
    results: &Path,
    found: &GatheredChildren,
    atlases: &mut [StackedAtlas],
) -> Result<(), StackError> {
    for atlas in atlases {
        let mut sums = vec![Sum::default(); atlas.parcels.len()];
        for children in found.children.chunks(AT_ONCE) {
            let read: Vec<_> = children.par_iter().map(|child| coverage(results, child, &atlas.name)).collect();
            for table in read {
                let (path, parcels) = table?;
                hold_against(&path, &parcels, &atlas.parcels, &atlas.like)?;
                for ((own, sum), parcel) in parcels.iter().zip(&mut sums).zip(&mut atlas.parcels) {
                    // Tables of an earlier version have no networks.
                    if absent(&parcel.network) {
                        parcel.network.clone_from(&own.network);
                    }
                    sum.add(own.centroid_mm);
                }
            }
        }
        for (parcel, sum) in atlas.parcels.iter_mut().zip(sums) {
            parcel.centroid_mm = sum.mean();
        }
    }
    Ok(())
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

fn hold_against(path: &Path, parcels: &[Parcel], expected: &[Parcel], like: &Path) -> Result<(), StackError> {
    let other = |position: usize, found: &str, expected: &str| StackError::OtherParcel {
        path: path.to_owned(),
        // The header is line 1.
        line: position + 2,
        position: position + 1,
        found: found.to_owned(),
        expected: expected.to_owned(),
        like: like.to_owned(),
    };
    for (position, (own, known)) in parcels.iter().zip(expected).enumerate() {
        if (&own.name, &own.index) != (&known.name, &known.index) {
            let words = |parcel: &Parcel| format!("{} {}", parcel.index, parcel.name);
            return Err(other(position, &words(own), &words(known)));
        }
    }
    if parcels.len() != expected.len() {
        let found = format!("{} parcels", parcels.len());
        return Err(StackError::Size { path: path.to_owned(), found, expected: expected.len(), like: like.to_owned() });
    }
    Ok(())
}

/// A child's parcels of one atlas, centroids averaged over its runs, and the table that their names are from.
fn coverage(results: &Path, child: &Child, atlas: &str) -> Result<(PathBuf, Vec<Parcel>), StackError> {
    let mut like: Option<(PathBuf, Vec<Parcel>)> = None;
    let mut sums: Vec<Sum> = Vec::new();
    for run in &child.runs {
        let path = Layout::new(results).file(&run.folder, &run.stem, Contents::Parcels { atlas });
        if !path.is_file() {
            continue;
        }
        let parcels = parcels_table(&path)?;
        if let Some((like, known)) = &like {
            hold_against(&path, &parcels, known, like)?;
        }
        sums.resize(parcels.len(), Sum::default());
        sums.iter_mut().zip(&parcels).for_each(|(sum, parcel)| sum.add(parcel.centroid_mm));
        like.get_or_insert((path, parcels));
    }
    let Some((path, mut parcels)) = like else {
        let path = child.file(results, Contents::Parcels { atlas });
        return Err(StackError::NoCoverage { path, atlas: atlas.to_owned() });
    };
    parcels.iter_mut().zip(sums).for_each(|(parcel, sum)| parcel.centroid_mm = sum.mean());
    Ok((path, parcels))
}

fn parcels_table(path: &Path) -> Result<Vec<Parcel>, StackError> {
    let table = tables::read_tsv(path)?;
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
    (0..table.rows.len())
        .map(|row| {
            let cells = &table.rows[row].cells;
            let mut centroid_mm = [f64::NAN; 3];
            for (axis, &column) in centroid.iter().enumerate() {
                centroid_mm[axis] = table.number(row, column)?.unwrap_or(f64::NAN);
            }
            let network = network.map_or("n/a", |at| cells[at].as_str()).to_owned();
            Ok(Parcel { index: cells[index].clone(), name: cells[name].clone(), network, centroid_mm })
        })
        .collect()
}
