//! Variances that are known, found again.

use super::*;
use crate::test_numbers::Numbers;

struct Cohort {
    design: Array2<f64>,
    sampling: Vec<f64>,
    scatter: Scatter,
}

/// Residual sums of squares of invented edges, by hand: weighted least squares on a constant and one number.
fn cohort(children: usize, edges: usize, factor: f64, between: impl Fn(usize) -> f64) -> Cohort {
    let mut draw = Numbers::new(7);
    let design = Array2::from_shape_fn((children, 2), |(_, j)| if j == 0 { 1.0 } else { draw.even() });
    let sampling: Vec<f64> = (0..children).map(|_| sampling_variance(45.0 + 74.0 * draw.even())).collect();
    let mut scatter = Scatter { equal: Vec::new(), by_dof: Vec::new(), children: vec![children; edges] };
    for edge in 0..edges {
        let z: Vec<f64> = sampling.iter().map(|s| (between(edge) + factor * s).sqrt() * draw.normal()).collect();
        let left = |weight: &dyn Fn(f64) -> f64| {
            let w: Vec<f64> = sampling.iter().map(|s| weight(*s)).collect();
            let sum = |of: &dyn Fn(usize) -> f64| (0..children).map(|i| w[i] * of(i)).sum::<f64>();
            let x = |i: usize| design[[i, 1]];
            let (total, mx, mz) = (sum(&|_| 1.0), sum(&x), sum(&|i| z[i]));
            let sxx = sum(&|i| x(i) * x(i)) - mx * mx / total;
            let sxz = sum(&|i| x(i) * z[i]) - mx * mz / total;
            sum(&|i| z[i] * z[i]) - mz * mz / total - sxz * sxz / sxx
        };
        scatter.equal.push(left(&|_| 1.0));
        scatter.by_dof.push(left(&|s| 1.0 / s));
    }
    Cohort { design, sampling, scatter }
}

#[test]
fn both_variances_are_found_again() {
    for (factor, between) in [(1.0, 0.0), (1.0, 0.01), (1.3, 0.05), (0.7, 0.02), (0.0, 0.03)] {
        let Cohort { design, sampling, scatter } = cohort(71, 2000, factor, |_| between);
        let found = VarianceModel::estimate(&scatter, design.view(), &sampling, Scale::FisherZ).unwrap();
        assert!((found.factor - factor).abs() < 0.06, "{factor} {between}: {}", found.factor);
        assert!((found.between - between).abs() < 0.002, "{factor} {between}: {}", found.between);
        // Edges that do not differ are told to differ by little.
        let of = |class: &EdgeClass| class.between;
        let [first, last] = [&found.classes[0], &found.classes[found.classes.len() - 1]].map(of);
        assert!(last - first < 0.3 * between.max(0.004), "{factor} {between}: {first} {last}");
    }
}

#[test]
fn classes_are_those_of_edges_that_differ() {
    let between = |edge: usize| if edge.is_multiple_of(3) { 0.12 } else { 0.01 };
    let Cohort { design, sampling, scatter } = cohort(71, 900, 1.0, between);
    let found = VarianceModel::estimate(&scatter, design.view(), &sampling, Scale::FisherZ).unwrap();
    assert_eq!(found.classes.iter().map(|class| class.edges.len()).sum::<usize>(), 900);
    assert!(found.classes.windows(2).all(|pair| pair[0].between < pair[1].between));
    let (low, high) = (&found.classes[0], &found.classes[found.classes.len() - 1]);
    assert!(low.between < 0.02 && high.between > 0.09, "{} {}", low.between, high.between);
    let share = |class: &EdgeClass| {
        class.edges.iter().filter(|edge| edge.is_multiple_of(3)).count() as f64 / class.edges.len() as f64
    };
    assert!(share(low) < 0.02 && share(high) > 0.98, "{} {}", share(low), share(high));
    let weights = &found.weighted(&sampling)[0].weights;
    assert!((weights.iter().sum::<f64>() / 71.0 - 1.0).abs() < 1e-12);
    let ratio = (low.between + found.factor * sampling[0]) / (low.between + found.factor * sampling[1]);
    assert!((weights[1] / weights[0] - ratio).abs() < 1e-12);
}

#[test]
fn an_edge_with_a_scale_of_its_own_does_not_change_weights() {
    let Cohort { design, sampling, mut scatter } = cohort(71, 600, 1.0, |_| 0.02);
    let plain = VarianceModel::estimate(&scatter, design.view(), &sampling, Scale::OfEachEdge).unwrap();
    for edge in 0..600 {
        let scale = 10.0_f64.powi(edge as i32 % 7 - 3);
        scatter.equal[edge] *= scale;
        scatter.by_dof[edge] *= scale;
    }
    let scaled = VarianceModel::estimate(&scatter, design.view(), &sampling, Scale::OfEachEdge).unwrap();
    let both = plain.mean_weights(&sampling).into_iter().zip(scaled.mean_weights(&sampling));
    both.for_each(|(a, b)| assert!((a / b - 1.0).abs() < 1e-9, "{a} {b}"));
    // And they are nearly those of the true variances.
    let truth = VarianceModel { factor: 1.0, ..VarianceModel::equal(1) };
    let truth = VarianceModel { between: 0.02, ..truth }.mean_weights(&sampling);
    plain.mean_weights(&sampling).iter().zip(truth).for_each(|(a, b)| assert!((a / b - 1.0).abs() < 0.1, "{a} {b}"));
}

#[test]
fn without_anything_to_weigh_by_all_count_alike() {
    let alike = |model: &VarianceModel, sampling: &[f64]| {
        model.mean_weights(sampling).iter().all(|weight| (weight - 1.0).abs() < 1e-12)
    };
    let Cohort { design, scatter, .. } = cohort(20, 40, 1.0, |_| 0.02);
    let same = vec![0.05; 20];
    assert!(alike(&VarianceModel::estimate(&scatter, design.view(), &same, Scale::FisherZ).unwrap(), &same));
    let found = VarianceModel::estimate(&scatter, design.view(), &same, Scale::FisherZ).unwrap();
    assert_eq!(found.factor, 1.0, "what sampling gives is not 0 where it is the same in all");
    // To within a frame, as --equal-dof makes them: the little difference says nothing of the factor.
    let nearly: Vec<f64> = (0..20).map(|k| sampling_variance(20.0 + 0.02 * f64::from(k % 7))).collect();
    let found = VarianceModel::estimate(&scatter, design.view(), &nearly, Scale::FisherZ).unwrap();
    assert_eq!(found.factor, 1.0);
    assert!(found.mean_weights(&nearly).iter().all(|weight| (weight - 1.0).abs() < 0.01));
    let flat = Scatter { equal: vec![0.0; 40], by_dof: vec![0.0; 40], children: vec![20; 40] };
    let sampling: Vec<f64> = (0..20).map(|k| sampling_variance(5.0 + f64::from(k))).collect();
    assert!(alike(&VarianceModel::estimate(&flat, design.view(), &sampling, Scale::FisherZ).unwrap(), &sampling));
    let two = design.slice(ndarray::s![..2, ..]);
    assert!(alike(&VarianceModel::estimate(&scatter, two, &sampling[..2], Scale::FisherZ).unwrap(), &sampling[..2]));
}

#[test]
fn sampling_variance_is_that_of_z() {
    assert_eq!([3.0, 12.0, 102.0].map(sampling_variance), [1.0, 0.1, 0.01]);
    assert_eq!([2.5, 2.0, 0.0].map(sampling_variance), [1.0; 3]);
}
