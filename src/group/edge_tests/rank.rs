//! Which columns of a design depend on one another, and which coefficients the children determine.
//!
//! Columns, scaled to unit norm, are taken in order. A column x is compared with its best copy Σ cᵢ xᵢ from the columns
//! before it. If the two differ by at most 10⁻⁷ (1 + Σ |cᵢ|), x is set aside: changing the columns by 10⁻⁷ of
//! themselves would make it depend on the others. Tables hold 32-bit numbers, which have lost up to 6·10⁻⁸ of
//! themselves, so nothing finer than this can be told apart. R's `lm` takes the same 10⁻⁷ (from memory) but not the
//! sum, which is needed where a column is a small difference of large ones. Columns are not centred: what is lost is a
//! share of the number itself, not of its spread.
//!
//! The remaining columns give the fit. A coefficient is determined when its column does not lie in the span of all the
//! others (estimable functions: Searle 1971, Linear Models, §5.4; from memory). That is so when the column was kept and
//! no column set aside needs it for its copy: without it, each such copy would still differ by no more than the above.

use super::triangle::{invert_upper, norm};
use ndarray::{Array1, Array2, ArrayView2, s};

/// The share of a column that the rounding of tables may have changed: see above.
pub(super) const TOLERANCE: f64 = 1e-7;

/// The columns of a design, kept or set aside.
pub(super) struct Rank {
    /// Columns that do not depend on those before them, rising.
    pub used: Vec<usize>,
    /// Each of the others, with the used columns that give it.
    pub aside: Vec<(usize, Vec<usize>)>,
}

impl Rank {
    /// For columns of unit norm or of zeros. Gram–Schmidt is done twice, which makes the basis orthogonal up to
    /// rounding (Golub & Van Loan 2013, Matrix Computations, §5.2).
    pub fn of(scaled: ArrayView2<'_, f64>) -> Self {
        let (rows, columns) = scaled.dim();
        let mut rank = Self { used: Vec::new(), aside: Vec::new() };
        let mut q = Array2::<f64>::zeros((rows, rows.min(columns)));
        let mut r = Array2::<f64>::zeros((rows.min(columns), rows.min(columns)));
        for (place, column) in scaled.columns().into_iter().enumerate() {
            let count = rank.used.len();
            let basis = q.slice(s![.., ..count]);
            let mut left = column.to_owned();
            let mut along = Array1::zeros(count);
            for _ in 0..2 {
                let part = basis.t().dot(&left);
                left -= &basis.dot(&part);
                along += &part;
            }
            let outside = norm(left.view());
            let copy = solve_upper(r.slice(s![..count, ..count]), &along);
            let forgiven = TOLERANCE * (1.0 + copy.fold(0.0, |sum, c| sum + c.abs()));
            if count == rows || outside <= forgiven {
                // Without xᵢ the copy would leave |cᵢ| of what xᵢ has outside the others: 1 over the norm of row i of
                // R⁻¹.
                let inverse = invert_upper(r.slice(s![..count, ..count]));
                let needed = |(i, c): (usize, &f64)| c.abs() > forgiven * norm(inverse.row(i));
                let given = copy.iter().enumerate().filter(|part| needed(*part)).map(|(i, _)| rank.used[i]);
                let given = given.collect();
                rank.aside.push((place, given));
            } else {
                q.column_mut(count).assign(&(&left / outside));
                r.slice_mut(s![..count, count]).assign(&along);
                r[[count, count]] = outside;
                rank.used.push(place);
            }
        }
        rank
    }

    /// Whether the coefficient of this column is determined.
    pub fn determines(&self, column: usize) -> bool {
        self.used.contains(&column) && !self.aside.iter().any(|(_, given)| given.contains(&column))
    }
}

/// x of Rx = b for an upper triangle, by back-substitution.
fn solve_upper(r: ArrayView2<'_, f64>, b: &Array1<f64>) -> Array1<f64> {
    let mut x = Array1::zeros(b.len());
    for row in (0..b.len()).rev() {
        x[row] = (b[row] - r.slice(s![row, row + 1..]).dot(&x.slice(s![row + 1..]))) / r[[row, row]];
    }
    x
}
