//! An atlas, and what it looks like on a scan's grid.
//!
//! An atlas is a 3-D image of integer labels (0 is background) or a 4-D image of weights, one parcel per volume. If its
//! grid is not the scan's, labels are taken at the nearest voxel, and weights are read between voxels (trilinear),
//! through both affines. Masks are placed like labels; values above 0 are inside.

mod error;
mod grid;
mod labels;
#[cfg(test)]
mod tests;

use std::path::Path;

pub use error::AtlasError;
pub use grid::{Grid, nearest_on};
pub use labels::Parcel;

use crate::nifti::{self, VolumeStream};
use crate::study::settings::ParcelsSettings;

/// The least share of an atlas's volume that must lie inside the brain mask. With less, the atlas is in another space.
pub const LEAST_OVERLAP: f64 = 0.1;

/// An atlas as read, on its own grid.
#[derive(Debug, Clone)]
pub struct Atlas {
    pub name: String,
    /// In the order of the labels table, else by rising index.
    pub parcels: Vec<Parcel>,
    pub least_coverage: f64,
    /// Content hash of image and labels table.
    pub content: String,
    grid: Grid,
    body: Body,
}

#[derive(Debug, Clone)]
enum Body {
    /// For each voxel 1 + the parcel's position, or 0.
    Labels(Vec<u32>),
    /// For each parcel its voxels of weight above 0, by rising voxel.
    Weights(Vec<Vec<(usize, f64)>>),
}

/// An atlas on a scan's grid: which parcels each voxel belongs to, and how much.
#[derive(Debug, Clone, PartialEq)]
pub struct GriddedAtlas {
    pub parcels: usize,
    /// (voxel, parcel, weight), by rising voxel, then parcel; weights above 0.
    pub members: Vec<(usize, usize, f64)>,
    /// Voxels of each parcel on this grid.
    pub voxels: Vec<usize>,
    /// Weight of each parcel on this grid.
    pub weight: Vec<f64>,
    /// Weighted mean position of each parcel, world mm; NaN for a parcel that is not on this grid.
    pub centroid_mm: Vec<[f64; 3]>,
    /// The atlas's whole weight × voxel volume on its own grid, over this grid's voxel volume.
    own_weight: f64,
}

#[cfg(test)]
impl GriddedAtlas {
    /// One made of members alone.
    pub(crate) fn for_tests(parcels: usize, members: Vec<(usize, usize, f64)>) -> Self {
        let zeros = vec![0; parcels];
        let (weight, centroid_mm) = (vec![0.0; parcels], vec![[0.0; 3]; parcels]);
        Self { parcels, members, voxels: zeros, weight, centroid_mm, own_weight: 1.0 }
    }
}

impl Atlas {
    /// Reads the image and the labels table.
    ///
    /// # Errors
    /// [`AtlasError`], naming file and place.
    pub fn read(settings: &ParcelsSettings) -> Result<Self, AtlasError> {
        let path = &settings.image;
        let header = nifti::read_header(path)?;
        let mut hasher = blake3::Hasher::new();
        hasher.update(nifti::content_hash(path)?.as_bytes());
        let rows = match &settings.labels {
            Some(table) => {
                let (rows, bytes) = labels::read(table)?;
                hasher.update(&bytes);
                Some((table.as_path(), rows))
            }
            None => None,
        };
        let grid = Grid { shape: header.shape, affine: header.affine };
        if !header.extra_dims.is_empty() {
            return Err(AtlasError::TooManyAxes { path: path.clone(), shape: header.shape_text() });
        }
        // A label image is often stored with a fourth axis of length 1.
        let (parcels, body) =
            if header.frames == 1 { read_labels(path, rows)? } else { read_weights(path, header.shape, rows)? };
        let content = hasher.finalize().to_hex().to_string();
        Ok(Self { name: settings.name.clone(), parcels, least_coverage: settings.least_coverage, content, grid, body })
    }

    /// Bytes that the atlas takes here and on a grid like its own.
    #[must_use]
    pub fn memory_bytes(&self) -> usize {
        let member = size_of::<(usize, usize, f64)>();
        match &self.body {
            Body::Labels(labels) => 4 * labels.len() + member * labels.iter().filter(|&&l| l > 0).count(),
            Body::Weights(weights) => (16 + member) * weights.iter().map(Vec::len).sum::<usize>(),
        }
    }

    /// Places the atlas on a scan's grid.
    #[must_use]
    pub fn on(&self, grid: &Grid) -> GriddedAtlas {
        let mut members: Vec<(usize, usize, f64)> = match &self.body {
            Body::Labels(labels) => grid
                .nearest_voxels(&self.grid)
                .enumerate()
                .filter_map(|(voxel, source)| match source.map_or(0, |s| labels[s]) {
                    0 => None,
                    label => Some((voxel, label as usize - 1, 1.0)),
                })
                .collect(),
            Body::Weights(weights) => grid::trilinear(grid, &self.grid, weights),
        };
        members.sort_by_key(|&(voxel, parcel, _)| (voxel, parcel));
        let parcels = self.parcels.len();
        let mut voxels = vec![0; parcels];
        let mut weight = vec![0.0; parcels];
        let mut sums = vec![[0.0; 3]; parcels];
        for &(voxel, parcel, w) in &members {
            voxels[parcel] += 1;
            weight[parcel] += w;
            let world = grid.world(voxel);
            (0..3).for_each(|k| sums[parcel][k] += w * world[k]);
        }
        let centroid_mm = sums.iter().zip(&weight).map(|(s, &w)| s.map(|v| v / w)).collect();
        let own: f64 = match &self.body {
            Body::Labels(labels) => labels.iter().filter(|&&l| l > 0).count() as f64,
            Body::Weights(weights) => weights.iter().flatten().map(|&(_, w)| w).sum(),
        };
        let own_weight = own * self.grid.voxel_volume() / grid.voxel_volume();
        GriddedAtlas { parcels, members, voxels, weight, centroid_mm, own_weight }
    }
}

impl GriddedAtlas {
    /// Refuses an atlas that lies mostly outside the brain mask.
    ///
    /// # Errors
    /// [`AtlasError::WrongSpace`].
    pub fn require_overlap(&self, name: &str, mask: &[bool]) -> Result<(), AtlasError> {
        let inside = self.members.iter().filter(|m| mask[m.0]).fold(0.0, |sum, m| sum + m.2);
        let share = inside / self.own_weight;
        if share < LEAST_OVERLAP {
            return Err(AtlasError::WrongSpace { name: name.to_owned(), share: 100.0 * share });
        }
        Ok(())
    }
}

type NamedRows<'a> = Option<(&'a Path, Vec<Parcel>)>;

fn read_labels(path: &Path, rows: NamedRows<'_>) -> Result<(Vec<Parcel>, Body), AtlasError> {
    let image = nifti::read_3d(path)?;
    let [nx, ny, _] = image.header.shape;
    for (i, &value) in image.data.iter().enumerate() {
        // Above 2^31 a label could not be told from a wrong file.
        if !(value >= 0.0 && value.fract() == 0.0 && value < 2_147_483_648.0) {
            let (x, y, z) = (i % nx, i / nx % ny, i / nx / ny);
            return Err(AtlasError::NotALabel { path: path.to_owned(), x, y, z, value });
        }
    }
    let present: std::collections::BTreeSet<i64> = image.data.iter().filter(|&&v| v > 0.0).map(|&v| v as i64).collect();
    if present.is_empty() {
        return Err(AtlasError::Empty { path: path.to_owned() });
    }
    let parcels = match rows {
        Some((table, rows)) => {
            let missing: Vec<String> =
                present.iter().filter(|i| !rows.iter().any(|p| p.index == **i)).map(ToString::to_string).collect();
            if !missing.is_empty() {
                let labels = missing.join(", ");
                return Err(AtlasError::Unnamed { path: table.to_owned(), image: path.to_owned(), labels });
            }
            rows
        }
        None => present.iter().map(|&index| labels::unnamed(index)).collect(),
    };
    let position: std::collections::HashMap<i64, u32> =
        parcels.iter().zip(1..).map(|(parcel, position)| (parcel.index, position)).collect();
    let body = image.data.iter().map(|&v| if v > 0.0 { position[&(v as i64)] } else { 0 }).collect();
    Ok((parcels, Body::Labels(body)))
}

fn read_weights(path: &Path, shape: [usize; 3], rows: NamedRows<'_>) -> Result<(Vec<Parcel>, Body), AtlasError> {
    let mut stream = VolumeStream::open(path)?;
    let mut volumes = Vec::new();
    let mut values = Vec::new();
    while let Some(volume) = stream.next_volume()? {
        volume.decode_all(&mut values);
        let mut kept = Vec::new();
        for (i, &value) in values.iter().enumerate() {
            if !(value >= 0.0 && value.is_finite()) {
                let (x, y, z) = (i % shape[0], i / shape[0] % shape[1], i / shape[0] / shape[1]);
                let volume = volumes.len() + 1;
                return Err(AtlasError::BadWeight { path: path.to_owned(), volume, x, y, z, value });
            }
            if value > 0.0 {
                kept.push((i, value));
            }
        }
        volumes.push(kept);
    }
    if volumes.iter().all(Vec::is_empty) {
        return Err(AtlasError::Empty { path: path.to_owned() });
    }
    let Some((table, parcels)) = rows else {
        let parcels = (1..).take(volumes.len()).map(labels::unnamed).collect();
        return Ok((parcels, Body::Weights(volumes)));
    };
    for parcel in &parcels {
        if parcel.index as usize > volumes.len() {
            return Err(AtlasError::NoVolume {
                path: table.to_owned(),
                image: path.to_owned(),
                index: parcel.index,
                volumes: volumes.len(),
            });
        }
    }
    let unnamed: Vec<String> = (1..=volumes.len())
        .filter(|i| !parcels.iter().any(|p| p.index as usize == *i))
        .map(|i| i.to_string())
        .collect();
    if !unnamed.is_empty() {
        let labels = unnamed.join(", ");
        return Err(AtlasError::Unnamed { path: table.to_owned(), image: path.to_owned(), labels });
    }
    let ordered = parcels.iter().map(|p| std::mem::take(&mut volumes[p.index as usize - 1])).collect();
    Ok((parcels, Body::Weights(ordered)))
}
