//! Shuffled motion against slow twins, and what chance does.

use super::*;
use crate::group::quality::beyond::{Beyond, ShuffleNumbers, p_of_farthest};
use crate::group::quality::summary::LEVEL;
use crate::group::quality::{Distances, abs_r_of_p, summarise};
use crate::test_numbers::Numbers;

/// All children alike.
fn shuffle(edges: usize, motion: &[f64], covariates: ArrayView2<'_, f64>, places: &[usize], of: usize) -> Shuffled {
    let weights = vec![1.0; motion.len()];
    let exchange = &Exchange::free(of);
    let children = &MovingChildren { motion, covariates, places, exchange };
    Shuffled::of_classes(&[(edges, &weights)], children, SHUFFLES).unwrap().remove(0)
}

fn beyond(shuffled: &Shuffled, sums: &Accumulator, data: &QcFc, distance_mm: &[f64]) -> Beyond {
    Beyond::of(data, distance_mm, shuffled.shuffles(), |tested| shuffled.correlations(sums, data, tested))
}

const CHILDREN: usize = 14;
const EDGES: usize = STRETCH + 40;

struct Case {
    z: Array2<f32>,
    /// Motion, then two covariates.
    numbers: Array2<f64>,
}

/// Edges that share parts with one another and with motion; every seventh is missing in some children.
fn case(seed: u64, with_motion: f64) -> Case {
    let mut drawn = Numbers::new(seed);
    let mut draw = || drawn.even();
    let numbers = Array2::from_shape_fn((CHILDREN, 3), |_| draw());
    let shared = Array2::from_shape_fn((CHILDREN, 4), |_| draw());
    let z = Array2::from_shape_fn((CHILDREN, EDGES), |(i, e)| {
        let value = 0.8 + draw() + shared[[i, e % 4]] + with_motion * numbers[[i, 0]];
        if e % 7 == 3 && (i == e % 5 || i == 9) { f32::NAN } else { value as f32 }
    });
    Case { z, numbers }
}

fn places(children: usize) -> Vec<usize> {
    (0..children).collect()
}

/// What the pass gives, in blocks of so many children, with so many covariates taken out.
fn pass(case: &Case, at_once: usize, covariates: usize) -> (Shuffled, QcFc, Accumulator) {
    weighted_pass(case, at_once, covariates, &[1.0; CHILDREN])
}

fn weighted_pass(case: &Case, at_once: usize, covariates: usize, weights: &[f64]) -> (Shuffled, QcFc, Accumulator) {
    let motion = case.numbers.column(0).to_vec();
    let covariates_of = case.numbers.slice(s![.., 1..=covariates]);
    let of = places(CHILDREN);
    let exchange = &Exchange::free(CHILDREN);
    let children = MovingChildren { motion: &motion, covariates: covariates_of, places: &of, exchange };
    let mut shuffled = Shuffled::of_classes(&[(EDGES, weights)], &children, SHUFFLES).unwrap().remove(0);
    let mut sums = Accumulator::new(EDGES, 1 + covariates);
    let rows: Vec<Vec<f32>> = case.z.rows().into_iter().map(|row| row.to_vec()).collect();
    for rows in rows.chunks(at_once) {
        shuffled.take(&rows.iter().map(Vec::as_slice).collect::<Vec<_>>());
    }
    for ((row, numbers), &weight) in rows.iter().zip(case.numbers.rows()).zip(weights) {
        sums.add_child(row, &numbers.slice(s![..=covariates]).to_vec(), weight).unwrap();
    }
    let found = sums.correlation(0, &(1..=covariates).collect::<Vec<_>>()).unwrap();
    (shuffled, found, sums)
}

#[test]
fn shuffled_correlations_are_those_of_shuffled_residuals() {
    let unequal: Vec<f64> = (0..CHILDREN).map(|child| 1.0 + (child * 5 % 9) as f64).collect();
    for (covariates, weights) in
        [(0, vec![1.0; CHILDREN]), (2, vec![1.0; CHILDREN]), (0, unequal.clone()), (2, unequal)]
    {
        let case = case(3, 0.5);
        let (shuffled, data, sums) = weighted_pass(&case, 5, covariates, &weights);
        // Whitened: each row times the root of its weight.
        let roots = Array1::from_iter(weights.iter().map(|w| w.sqrt())).insert_axis(Axis(1));
        let mut design = Array2::ones((CHILDREN, 1 + covariates));
        design.slice_mut(s![.., 1..]).assign(&case.numbers.slice(s![.., 1..=covariates]));
        design *= &roots;
        let fit = LeastSquares::new(design.view()).unwrap();
        let own = fit.residuals((&case.numbers.slice(s![.., ..1]) * &roots).view()).unwrap();
        let drawn = Exchange::free(CHILDREN).draw(0..SHUFFLES, SEED);
        let all: Vec<usize> = (0..EDGES).collect();
        let found = shuffled.correlations(&sums, &data, &all);
        for shuffle in [0, 1, 57, SHUFFLES - 1] {
            let moved = Array2::from_shape_fn((CHILDREN, 1), |(i, _)| own[[drawn[[shuffle, i]] as usize, 0]]);
            let w = fit.residuals(moved.view()).unwrap();
            for edge in 0..EDGES {
                // As the data are: over the children who have the edge, covariates taken out over them.
                let here: Vec<usize> = (0..CHILDREN).filter(|&i| !case.z[[i, edge]].is_nan()).collect();
                let fit = LeastSquares::new(design.select(Axis(0), &here).view()).unwrap();
                let both = Array2::from_shape_fn((here.len(), 2), |(i, side)| match side {
                    0 => w[[here[i], 0]],
                    _ => roots[[here[i], 0]] * f64::from(case.z[[here[i], edge]]),
                });
                let left = fit.residuals(both.view()).unwrap();
                let (a, b) = (left.column(0), left.column(1));
                let expected = a.dot(&b) / (a.dot(&a) * b.dot(&b)).sqrt();
                let r = f64::from(found[edge * SHUFFLES + shuffle]);
                if shuffle == 0 {
                    // The data themselves, likewise.
                    let motion = Array2::from_shape_fn((here.len(), 1), |(i, _)| {
                        roots[[here[i], 0]] * case.numbers[[here[i], 0]]
                    });
                    let a = fit.residuals(motion.view()).unwrap();
                    let own = a.column(0).dot(&b) / (a.column(0).dot(&a.column(0)) * b.dot(&b)).sqrt();
                    assert!((data.r[edge] - own).abs() < 1e-6, "{covariates} {edge}: {} {own}", data.r[edge]);
                }
                assert!((r - expected).abs() < 2e-5, "{covariates} {edge}: {r} {expected}");
            }
        }
    }
}

/// Where edges are missing and motion has a few large values, p is as uniform as elsewhere.
#[test]
fn data_that_are_themselves_a_shuffle_stand_anywhere_among_them() {
    let distance: Vec<f64> = (0..EDGES).map(|edge| (edge * 37 % 101) as f64).collect();
    for covariates in [0, 2] {
        let mut below = [0; 3];
        const COHORTS: u64 = 60;
        for seed in 0..COHORTS {
            let mut case = case(1000 + seed, 0.0);
            // Edges of one kind are missing in those who move, with age in the edges: what an approximation stumbles
            // over.
            let numbers = case.numbers.clone();
            case.numbers.column_mut(0).mapv_inplace(|v| (6.0 * v).exp());
            case.z.indexed_iter_mut().for_each(|((i, e), z)| {
                *z += 2.0 * numbers[[i, 1]] as f32;
                if e % 3 == 1 && (i + e % 4) % 5 == 0 {
                    *z = f32::NAN;
                }
            });
            let (shuffled, data, sums) = pass(&case, 4, covariates);
            let beyond = beyond(&shuffled, &sums, &data, &distance);
            let looks = [beyond.median_abs_r, beyond.share_p, p_of_farthest(&[&beyond])];
            below.iter_mut().zip(looks).for_each(|(below, p)| *below += usize::from(p <= 0.1));
        }
        // A tenth, and four binomial standard errors: 6 ± 9.
        assert!(below.iter().all(|below| *below <= 15) && below.iter().sum::<usize>() >= 3, "{covariates}: {below:?}");
    }
}

#[test]
fn the_data_stand_where_they_belong_among_the_shuffles() {
    let distance: Vec<f64> = (0..EDGES).map(|edge| (edge * 37 % 101) as f64).collect();
    let look = |with_motion: f64| {
        let (shuffled, data, sums) = pass(&case(8, with_motion), 3, 2);
        (beyond(&shuffled, &sums, &data, &distance), summarise(&data))
    };
    let (none, _) = look(0.0);
    assert!(none.share_p > 0.1 && none.median_abs_r > 0.1 && none.distance_rho > 0.01, "{none:?}");
    let [low, middle, high] = none.range_share_p;
    assert!(low < middle && middle < high && high > 0.1, "shares of edges that go together: {none:?}");
    let (much, found) = look(4.0);
    let least = 1.0 / (1 + SHUFFLES) as f64;
    assert!(much.share_p == least && much.median_abs_r == least && much.share_q == least, "{much:?} {found:?}");
    assert_eq!((much.range_share_p.len(), much.shuffles), (3, SHUFFLES));
}

#[test]
fn part_of_the_children_keep_the_order_of_all() {
    let motion = [0.1, 0.4, 0.2, 0.9, 0.3];
    let all = shuffle(1, &motion, Array2::zeros((5, 0)).view(), &places(5), 5);
    let some = shuffle(1, &[0.1, 0.2, 0.3], Array2::zeros((3, 0)).view(), &[0, 2, 4], 5);
    let order = |of: &Shuffled, k: usize, names: &[usize]| -> Vec<usize> {
        // Motion of mean 0 and norm 1 rises as motion does, so its values show whose it is.
        let column = of.motion.column(k).to_vec();
        let mut sorted = column.clone();
        sorted.sort_by(f32::total_cmp);
        column.iter().map(|v| names[sorted.iter().position(|other| other == v).unwrap()]).collect()
    };
    for k in 0..SHUFFLES {
        let whole: Vec<usize> =
            order(&all, k, &[0, 2, 4, 1, 3]).into_iter().filter(|c| [0, 2, 4].contains(c)).collect();
        assert_eq!(order(&some, k, &[0, 2, 4]), whole, "{k}");
    }
}

#[test]
fn the_farthest_look_is_counted_with_its_choice() {
    let nobody = shuffle(3, &[], Array2::zeros((0, 0)).view(), &[], 0);
    let mut sums = Accumulator::new(3, 1);
    sums.add_child(&[0.1; 3], &[0.1], 1.0).unwrap();
    let empty = beyond(&nobody, &sums, &sums.correlation(0, &[]).unwrap(), &[1.0; 3]);
    assert!(p_of_farthest(&[]).is_nan() && p_of_farthest(&[&empty]).is_nan());
    let row = |looks: Vec<[f64; 3]>| Beyond { looks, ..empty.clone() };
    // Among ten, the data are the farthest in one look and in the middle of another; the third never differs.
    let one = row((0..10).map(|k| [if k == 0 { 20.0 } else { f64::from(k) }, f64::from((k + 5) % 10), 0.0]).collect());
    // The farthest of the second look, at place 4, has the smallest p too: 2 of 10.
    assert_eq!(p_of_farthest(&[&one]), 0.2);
    // The same looked at twice costs nothing; another that goes its own way does.
    assert_eq!(p_of_farthest(&[&one, &one, &empty]), 0.2);
    let other = row((0..10).map(|k| [0.0, f64::from((k * 3 + 7) % 10), f64::from((k * 7 + 2) % 10)]).collect());
    assert!(p_of_farthest(&[&one, &other]) > 0.2);
    // Where all looks are alike it is the p of one.
    let alike = row((0..20).map(|k| [f64::from((k + 18) % 20); 3]).collect());
    assert_eq!(p_of_farthest(&[&alike]), 0.1);
}

#[test]
fn shares_are_those_of_the_summary() {
    let mut between = 0;
    for with_motion in [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 5.0] {
        let (_, data, _) = pass(&case(5, with_motion), 4, 2);
        between += usize::from(same_shares(&data));
    }
    assert!(between >= 2, "{between}");
}

/// Holds them; whether some edges with p < 0.05 have q < 0.05 and some have not.
fn same_shares(data: &QcFc) -> bool {
    let tested: Vec<usize> = (0..EDGES).filter(|&e| !data.r[e].is_nan()).collect();
    let needed: Vec<f64> = (0..CHILDREN).map(|dof| abs_r_of_p(LEVEL, dof as f64)).collect();
    let r: Vec<f64> = tested.iter().map(|&e| data.r[e]).collect();
    let found = ShuffleNumbers::new(&r, &tested, &data.dof, &needed, &Distances::new(&vec![1.0; r.len()]));
    let summary = summarise(data);
    assert_eq!(
        (found.share_p, found.share_q, found.median_abs_r),
        (summary.share_p, summary.share_q, summary.median_abs_r)
    );
    summary.share_q > 0.0 && summary.share_q < summary.share_p
}

#[test]
fn nobody_and_motion_that_does_not_vary_give_nothing() {
    let nobody = shuffle(3, &[], Array2::zeros((0, 0)).view(), &[], 0);
    let mut sums = Accumulator::new(3, 1);
    let told = beyond(&nobody, &sums, &sums.correlation(0, &[]).unwrap(), &[1.0; 3]);
    assert!(told.shuffles == 0 && told.share_p.is_nan() && told.range_share_p[1].is_nan());
    let mut same = shuffle(3, &[0.2; 6], Array2::zeros((6, 0)).view(), &places(6), 6);
    for child in 0..6 {
        let row = [child as f32, 1.0, -0.5 * child as f32];
        same.take(&[&row]);
        sums.add_child(&row, &[0.2], 1.0).unwrap();
    }
    let told = beyond(&same, &sums, &sums.correlation(0, &[]).unwrap(), &[1.0; 3]);
    assert!(told.shuffles == 0 && told.distance_rho.is_nan());
}

#[test]
fn many_edges_are_shuffled_less_often_and_never_too_seldom() {
    assert_eq!([0, 3486, 19_900, 268_000].map(shuffles_of), [999; 4]);
    assert_eq!([499_500, 1_124_250, 10_000_000].map(shuffles_of), [537, 238, 199]);
}
