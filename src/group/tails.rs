//! Tail probabilities of the t, F and χ² distributions, by the incomplete beta and gamma functions of statrs.
//!
//! Abramowitz & Stegun 1964, Handbook of Mathematical Functions, 26.5.27 (t), 26.6.2 (F), 26.4.19 (χ²): written as
//! tails, so that small probabilities keep their digits. The tail of NaN, or without degrees of freedom, is NaN.

use statrs::function::beta::checked_beta_reg;
use statrs::function::gamma::checked_gamma_ur;

/// Two-sided p of Student's t: I(ν/(ν + t²); ν/2, 1/2).
pub fn t_two_sided(t: f64, dof: f64) -> f64 {
    if t.is_infinite() && dof > 0.0 {
        return 0.0;
    }
    checked_beta_reg(dof / 2.0, 0.5, dof / (dof + t * t)).map_or(f64::NAN, |p| p.clamp(0.0, 1.0))
}

/// Upper tail of F with (`between`, `within`) degrees of freedom.
pub fn f_upper(f: f64, between: f64, within: f64) -> f64 {
    if f.is_infinite() && between > 0.0 && within > 0.0 {
        return 0.0;
    }
    checked_beta_reg(within / 2.0, between / 2.0, within / (within + between * f))
        .map_or(f64::NAN, |p| p.clamp(0.0, 1.0))
}

/// Upper tail of χ².
pub fn chi_squared_upper(x: f64, dof: f64) -> f64 {
    match (x, dof) {
        (0.0, dof) if dof > 0.0 => 1.0,
        _ => checked_gamma_ur(dof / 2.0, x / 2.0).map_or(f64::NAN, |p| p.clamp(0.0, 1.0)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_have_their_closed_forms() {
        for t in [-30.0, -2.0, -0.1, 0.0, 0.5, 3.0, 100.0_f64] {
            // One degree of freedom is Cauchy's distribution; two have an algebraic form.
            let cauchy = 1.0 - 2.0 * t.abs().atan() / std::f64::consts::PI;
            assert!((t_two_sided(t, 1.0) - cauchy).abs() < 1e-13, "{t}");
            let two = 1.0 - t.abs() / (2.0 + t * t).sqrt();
            assert!((t_two_sided(t, 2.0) - two).abs() < 1e-13, "{t}");
            assert!((f_upper(t * t, 1.0, 2.0) - two).abs() < 1e-13, "{t}");
        }
        for x in [0.0, 0.3, 2.0, 50.0_f64] {
            assert!((chi_squared_upper(x, 2.0) - (-x / 2.0).exp()).abs() < 1e-14, "{x}");
        }
    }

    #[test]
    fn what_has_no_tail_is_not_a_number() {
        assert!(
            t_two_sided(f64::NAN, 3.0).is_nan() && t_two_sided(1.0, 0.0).is_nan() && t_two_sided(1.0, -1.0).is_nan()
        );
        assert!(f_upper(f64::NAN, 1.0, 1.0).is_nan() && f_upper(1.0, 0.0, 3.0).is_nan());
        assert!(chi_squared_upper(f64::NAN, 1.0).is_nan());
        assert_eq!(t_two_sided(f64::INFINITY, 4.0), 0.0);
    }
}
