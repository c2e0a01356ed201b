//! Group statistics: from one row of edges per child to tests, and to the answer whether motion drives the edges.
//!
//! Everything here is pure: arrays and settings in, values out; the caller reads and writes, and says who is left out.
//! An *edge* is a pair of parcels; a row of edges is the upper triangle of a child's matrix without its diagonal, row
//! by row ([`edges`]). NaN means "not available" throughout, as for an edge of a parcel that a child lacks.
//!
//! ```text
//! z ~ age + sex  ─► formula ─► design ─┐
//! children × edges ────────────────────┴─► edge_tests ─► multiple (q)     permutation (family-wise p)
//! one row per child, in one pass ─► quality: QC-FC, distance, mean matrix
//! mean FD, minutes by group ─► groups: are they alike?    matching: children in whom they are
//! sites, one row per child ─► site_effects: location and scale of each, shrunk, and rows without them
//! one child's cleaned frames ─► reliability: split-half, curve over minutes, standard errors, equal minutes
//! ```
//!
//! Large matrix products go through ndarray to OpenBLAS, one thread each (`linalg/blas.rs`), in blocks of edges that
//! rayon shares out. Blocks have sizes that do not depend on the number of threads, so results do not either.

pub mod edge_sets;
pub mod edge_tests;
pub mod exchange;
pub mod formula;
pub mod groups;
pub mod icc;
pub mod least_children;
pub mod matching;
pub mod multiple;
pub mod networks;
pub mod permutation;
pub mod quality;
pub mod ranks;
pub mod reliability;
pub mod site_effects;
mod tails;
pub mod weights;

use ndarray::{Array1, Array2, ArrayView2, Axis, Slice};

/// Number of edges among `parcels`: parcels · (parcels − 1) / 2.
#[must_use]
pub fn edge_count(parcels: usize) -> usize {
    parcels * parcels.saturating_sub(1) / 2
}

/// The pairs (i, j), i < j, of a matrix's upper triangle, row by row: the order of every row of edges.
pub fn edges(parcels: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..parcels).flat_map(move |i| (i + 1..parcels).map(move |j| (i, j)))
}

/// A square matrix's upper triangle without the diagonal, row by row.
///
/// # Panics
/// When the matrix is not square.
#[must_use]
pub fn upper_triangle(matrix: ArrayView2<'_, f64>) -> Array1<f64> {
    assert_eq!(matrix.nrows(), matrix.ncols(), "a matrix of edges is square");
    edges(matrix.nrows()).map(|(i, j)| matrix[[i, j]]).collect()
}

/// Quantile of rising values, linear between them: the seventh definition of Hyndman & Fan 1996, The American
/// Statistician 50:361; NaN without values.
#[must_use]
pub fn quantile(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let place = share * last as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

/// Columns of data are worked on in blocks that hold about this many doubles (32 MB; own convention).
const BLOCK_VALUES: usize = 4 << 20;

/// How many columns of `rows` values make a block: a number that depends on the shape alone.
fn block_columns(rows: usize) -> usize {
    (BLOCK_VALUES / rows.max(1)).clamp(16, 256)
}

/// What a value of an edge may be: 32-bit floats, as in stacks, or doubles.
pub trait EdgeValue: Copy + Into<f64> + Send + Sync {}

impl<T: Copy + Into<f64> + Send + Sync> EdgeValue for T {}

/// Columns `start..end` as doubles, in row-major order.
fn columns_as_f64<T: EdgeValue>(data: ArrayView2<'_, T>, start: usize, end: usize) -> Array2<f64> {
    data.slice_axis(Axis(1), Slice::from(start..end)).mapv(Into::into)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_are_the_upper_triangle_in_order() {
        for parcels in 0..7 {
            let pairs: Vec<_> = edges(parcels).collect();
            assert_eq!(pairs.len(), edge_count(parcels));
            let matrix = Array2::from_shape_fn((parcels, parcels), |(i, j)| (10 * i + j) as f64);
            let expected: Vec<f64> = pairs.iter().map(|(i, j)| (10 * i + j) as f64).collect();
            assert_eq!(upper_triangle(matrix.view()).to_vec(), expected);
            assert!(expected.is_sorted());
        }
    }

    #[test]
    fn quantiles_by_hand() {
        assert_eq!([0.0, 0.25, 0.5, 1.0].map(|share| quantile(&[1.0, 2.0, 4.0], share)), [1.0, 1.5, 2.0, 4.0]);
        assert!(quantile(&[], 0.5).is_nan() && quantile(&[3.0], 0.9) == 3.0);
    }

    #[test]
    fn quantiles_lie_between_ordered_values() {
        let values = [1.0, 2.0, 4.0, 8.0];
        assert_eq!([0.0, 0.25, 0.5, 0.75, 1.0].map(|share| quantile(&values, share)), [1.0, 1.75, 3.0, 5.0, 8.0]);
        assert_eq!(quantile(&[3.0], 0.25), 3.0);
    }
}
