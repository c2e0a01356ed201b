//! Many tests at once: the share of false findings among the edges that are called different from zero (columns `…_q`).
//!
//! Benjamini & Hochberg 1995, J R Stat Soc B 57:289. For m p values in rising order, qₖ = min over l ≥ k of m·p₍ₗ₎/l:
//! the smallest false discovery rate at which test k is still called significant. Valid for independent tests and for
//! those with positive regression dependence (Benjamini & Yekutieli 2001, Annals of Statistics 29:1165).

/// The q value of each p value; NaN stays NaN and is not counted among the tests.
#[must_use]
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).filter(|&i| !p[i].is_nan()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let tests = order.len() as f64;
    let mut q = vec![f64::NAN; p.len()];
    let mut smallest = 1.0_f64;
    for (rank, &i) in order.iter().enumerate().rev() {
        smallest = smallest.min(p[i] * tests / (rank + 1) as f64);
        q[i] = smallest;
    }
    q
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn nothing_and_not_available_pass_through() {
        assert!(benjamini_hochberg(&[]).is_empty());
        let q = benjamini_hochberg(&[f64::NAN, 0.02, f64::NAN, 0.9]);
        assert!(q[0].is_nan() && q[2].is_nan());
        assert_eq!((q[1], q[3]), (0.04, 0.9));
    }

    proptest! {
        /// The definition read backwards: q ≤ α exactly for the tests that the step-up procedure rejects at α.
        #[test]
        fn the_step_up_procedure_rejects_what_q_says(
            p in proptest::collection::vec(prop_oneof![0.0..1.0_f64, Just(0.01), Just(0.04)], 1..12),
            alpha in 0.001..0.999_f64
        ) {
            let q = benjamini_hochberg(&p);
            let mut sorted = p.clone();
            sorted.sort_by(f64::total_cmp);
            let cut = (1..=p.len()).rev().find(|&k| sorted[k - 1] * p.len() as f64 / k as f64 <= alpha);
            for (p, q) in p.iter().zip(&q) {
                prop_assert_eq!(*q <= alpha, cut.is_some_and(|k| *p <= sorted[k - 1]));
            }
        }
    }
}
