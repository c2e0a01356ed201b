//! How far two reviewers agree beyond chance: Cohen's kappa, unweighted, with its confidence interval.
//!
//! kappa = (po - pe) / (1 - pe). Here po is the share of children on whom both say the same, and pe is the share to be
//! expected if each reviewer used each word as often as they did, but at random (Cohen 1960, Educational and
//! Psychological Measurement 20:37). For n children, shares p_ij, row sums r_i, column sums c_j and k = kappa, its
//! large-sample variance is
//!
//! ```text
//! { Σ_i p_ii [1 - (r_i + c_i)(1 - k)]²  +  (1 - k)² Σ_{i≠j} p_ij (c_i + r_j)²
//!   -  [k - pe (1 - k)]² } / { n (1 - pe)² }
//! ```
//!
//! (Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323, from memory; the tests compare it with the delta
//! method). The interval is kappa ± 1.96 standard errors, cut at -1 and 1. With few children it is rough. There is no
//! interval for a single child, nor where the variance is zero: if all agree, or if one reviewer says the same of all
//! children, the large-sample error does not show how uncertain kappa is.
//!
//! To tell zero from a rounding error, the variance is computed in whole numbers: with N = n p, R = n r, C = n c,
//! A = Σ N_ii, B = Σ R_i C_i, D = n² - B and m = n - A, so that k = (n A - B) / D and 1 - k = n m / D, it is V n / D⁴
//! with
//!
//! ```text
//! V = n Σ_i N_ii [D - (R_i + C_i) m]²  +  n m² Σ_{i≠j} N_ij (C_i + R_j)²  -  [n (n A - B) - B m]²
//! ```

use super::Decision;

/// The 97.5 % point of the normal distribution (from memory).
const NORMAL_975: f64 = 1.959_963_984_540_054;

/// Kappa and what belongs to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kappa {
    pub kappa: f64,
    /// Large-sample standard error.
    pub standard_error: f64,
    /// 95 % interval, low and high; none where the standard error is zero.
    pub interval: Option<[f64; 2]>,
}

/// Counts of children: the first reviewer's words down, the second's across, in the order of [`Decision::ALL`].
pub type Counts = [[usize; 3]; 3];

/// Counts pairs of decisions.
#[must_use]
pub fn counts(pairs: impl Iterator<Item = (Decision, Decision)>) -> Counts {
    let place = |decision| Decision::ALL.iter().position(|known| *known == decision).unwrap_or(0);
    let mut counts = Counts::default();
    pairs.for_each(|(a, b)| counts[place(a)][place(b)] += 1);
    counts
}

/// Kappa of a square table of counts. None without children, or when both reviewers gave all of them one and the same
/// word, so that chance alone would agree.
#[must_use]
pub fn kappa(counts: &Counts) -> Option<Kappa> {
    let down: [usize; 3] = std::array::from_fn(|i| counts[i].iter().sum());
    let across: [usize; 3] = std::array::from_fn(|j| counts.iter().map(|row| row[j]).sum());
    let children: usize = down.iter().sum();
    // In whole numbers, so that 0/0 cannot be mistaken for a rounding error.
    let by_chance: usize = (0..3).map(|i| down[i] * across[i]).sum();
    if children == 0 || by_chance == children * children {
        return None;
    }
    let agreed: usize = (0..3).map(|i| counts[i][i]).sum();
    // A table of a million children stays within 2^127: no term exceeds 4 n^6.
    let whole = |count: usize| count as i128;
    let (n, chance, apart) = (whole(children), whole(by_chance), whole(children - agreed));
    let beyond = n * n - chance;
    let mut sum = 0;
    for i in 0..3 {
        for j in 0..3 {
            let term =
                if i == j { beyond - whole(down[i] + across[i]) * apart } else { whole(across[i] + down[j]) * apart };
            sum += n * whole(counts[i][j]) * term * term;
        }
    }
    let over = n * whole(agreed) - chance;
    let mean = n * over - chance * apart;
    sum -= mean * mean;
    let beyond = beyond as f64;
    let kappa = over as f64 / beyond;
    let standard_error = (sum as f64 * n as f64).sqrt() / (beyond * beyond);
    let half = NORMAL_975 * standard_error;
    let interval = (children > 1 && sum > 0).then(|| [(kappa - half).max(-1.0), (kappa + half).min(1.0)]);
    Some(Kappa { kappa, standard_error, interval })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} is not {expected}");
    }

    /// Cohen 1960, the worked example of 200 patients in proportions (from memory).
    #[test]
    fn cohens_own_example() {
        let found = kappa(&[[88, 14, 18], [10, 40, 10], [2, 6, 12]]).unwrap();
        near(found.kappa, 0.492, 0.0005);
    }

    /// Fleiss, Statistical Methods for Rates and Proportions, 100 patients diagnosed by two raters (from memory).
    #[test]
    fn fleiss_psychiatric_example() {
        let found = kappa(&[[75, 1, 4], [5, 4, 1], [0, 0, 10]]).unwrap();
        near(found.kappa, 0.68, 0.005);
        near(found.standard_error, 0.087, 0.001);
        near(found.interval.unwrap()[0], found.kappa - 1.96 * 0.087, 0.002);
    }

    /// The delta method by finite differences of kappa itself, for tables of many shapes.
    #[test]
    fn the_standard_error_is_that_of_the_delta_method() {
        let of = |p: &[f64; 9]| {
            let n: f64 = p.iter().sum();
            let po = (p[0] + p[4] + p[8]) / n;
            let side = |at: [usize; 3]| at.iter().map(|&k| p[k]).sum::<f64>() / n;
            let pe: f64 = (0..3).map(|i| side([3 * i, 3 * i + 1, 3 * i + 2]) * side([i, i + 3, i + 6])).sum();
            (po - pe) / (1.0 - pe)
        };
        for code in 1_usize..400 {
            let counts: [usize; 9] = std::array::from_fn(|k| (code * (2 * k + 3) * 7919 / (k + 1)) % 23);
            let table = [
                [counts[0], counts[1], counts[2]],
                [counts[3], counts[4], counts[5]],
                [counts[6], counts[7], counts[8]],
            ];
            let n: f64 = counts.iter().sum::<usize>() as f64;
            let p = counts.map(|count| count as f64 / n);
            let slope: Vec<f64> = (0..9)
                .map(|k| {
                    let (mut up, mut down) = (p, p);
                    up[k] += 1e-6;
                    down[k] -= 1e-6;
                    (of(&up) - of(&down)) / 2e-6
                })
                .collect();
            let mean: f64 = (0..9).map(|k| slope[k] * p[k]).sum();
            let variance: f64 = (0..9).map(|k| p[k] * (slope[k] - mean).powi(2)).sum::<f64>() / n;
            let found = kappa(&table).unwrap();
            near(found.kappa, of(&p), 1e-12);
            near(found.standard_error, variance.sqrt(), 1e-6);
        }
    }

    #[test]
    fn what_cannot_be_told_is_none_and_bounds_hold() {
        assert_eq!(kappa(&Counts::default()), None);
        assert_eq!(kappa(&[[0; 3], [0, 7, 0], [0; 3]]), None);
        let of =
            |table: Counts| kappa(&table).map(|found| (found.kappa, found.standard_error, found.interval)).unwrap();
        // All agree; nobody agrees; one child; one reviewer says the same of all, so that agreement is what chance
        // gives.
        assert_eq!(of([[3, 0, 0], [0, 2, 0], [0, 0, 1]]), (1.0, 0.0, None));
        assert_eq!(of([[0, 2, 0], [2, 0, 0], [0, 0, 0]]), (-1.0, 0.0, None));
        assert_eq!(of([[0, 1, 0], [0; 3], [0; 3]]), (0.0, 0.0, None));
        for n in [1, 7, 49, 333_331] {
            assert_eq!(of([[5 * n, 0, 0], [2 * n, 0, 0], [0, 0, 0]]), (0.0, 0.0, None));
        }
        // Bounds hold, and far more children than are ever reviewed do not overflow.
        assert_eq!(kappa(&[[1, 1, 0], [0, 1, 0], [0; 3]]).unwrap().interval.unwrap()[1], 1.0);
        let [low, high] = kappa(&[[999_990, 5, 0], [4, 1, 0], [0; 3]]).unwrap().interval.unwrap();
        assert!(-0.2 < low && low < 0.2 && 0.2 < high && high < 0.6, "{low} {high}");
        use Decision::{Exclude, Include, Unsure};
        let pairs = [(Include, Include), (Include, Unsure), (Unsure, Exclude)];
        assert_eq!(counts(pairs.into_iter()), [[1, 0, 1], [0, 0, 0], [0, 1, 0]]);
    }
}
