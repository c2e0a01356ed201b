//! Edges that too few children have are not tested ([`crate::group::least_children`]).

use crate::group::edge_tests::EdgeFits;
use crate::group::least_children::least_children;

/// Takes the results of edges that fewer children have away.
pub(super) fn take_away(fits: &mut EdgeFits, children: usize) {
    let few: Vec<usize> = (0..fits.dof.len())
        .filter(|&edge| fits.dof[edge] > 0 && fits.children[edge] < least_children(children))
        .collect();
    for &edge in &few {
        for values in [&mut fits.coefficients, &mut fits.standard_errors, &mut fits.t, &mut fits.p] {
            values.column_mut(edge).fill(f64::NAN);
        }
        (fits.dof[edge], fits.residual_sd[edge]) = (0, f64::NAN);
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::group::edge_tests::Model;

    #[test]
    fn edges_of_less_than_half_of_the_children_have_no_result() {
        let names = ["a", "b"].map(str::to_owned);
        let design = Array2::from_shape_fn((9, 2), |(i, j)| if j == 0 { 1.0 } else { (i * i % 7) as f64 });
        let mut data = Array2::from_shape_fn((9, 3), |(i, k)| ((i + 2) * (k + 3) * 5 % 11) as f64);
        (0..4).for_each(|child| data[[child, 1]] = f64::NAN);
        (0..5).for_each(|child| data[[child, 2]] = f64::NAN);
        let mut fits = Model::new(design.view(), &names).unwrap().fit(data.view()).unwrap();
        let before = fits.clone();
        take_away(&mut fits, 9);
        assert_eq!((fits.children.clone(), fits.dof.clone()), (vec![9, 5, 4], vec![7, 3, 0]));
        assert!(before.t[[1, 2]].is_finite() && fits.t[[1, 2]].is_nan() && fits.coefficients[[0, 2]].is_nan());
        assert_eq!(fits.t.column(1), before.t.column(1));
    }
}
