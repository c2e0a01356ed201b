//! Framewise displacement (FD).
//!
//! - Sum form: |Δx|+|Δy|+|Δz| + r(|Δα|+|Δβ|+|Δγ|), backward difference, mm, rotations in rad on a sphere of radius r.
//!   Power et al. 2012, NeuroImage 59:2142.
//! - RMS form: with M = Tᵢ Tᵢ₋₁⁻¹ − I = \[A|t\], √(r²/5·tr(AᵀA) + tᵀt), the root mean square displacement over a solid
//!   sphere of radius r about the origin. Jenkinson 1999, report TR99MJ1.
//!
//! Displacement over a span is the same between frames that far apart: head positions a fixed time apart differ as
//! much whatever the repetition time, while from frame to frame they differ more at a longer one (after Power 2019,
//! NeuroImage 201:116041, from memory).
//!
//! The rigid transform of a frame is x ↦ R x + t; for rotation order "xyz", R = Rz·Ry·Rx.

use ndarray::Array1;

use super::{FramewiseDisplacement, MotionTrace, row3};
use crate::study::settings::{Axis, RotationOrder};
use crate::units::Millimetres;

type Matrix3 = [[f64; 3]; 3];

/// FD of each frame in both forms, mm, against the latest frame before it that has a position; NaN for the first frame
/// and for frames without a position. Positions about a pivot give the RMS form about that pivot.
#[must_use]
pub fn framewise(trace: &MotionTrace, radius: Millimetres, order: RotationOrder) -> FramewiseDisplacement {
    over_span(trace, radius, order, 1)
}

/// As [`framewise`], but against the latest frame with a position that lies at least `span` frames before it; NaN for
/// the first `span` frames.
#[must_use]
pub fn over_span(trace: &MotionTrace, radius: Millimetres, order: RotationOrder, span: usize) -> FramewiseDisplacement {
    let frames = trace.frames();
    let mut sum_mm = Array1::from_elem(frames, f64::NAN);
    let mut rms_mm = Array1::from_elem(frames, f64::NAN);
    let at = |i: usize| (row3(trace.translations_mm.view(), i), row3(trace.rotations_rad.view(), i));
    let aligned = trace.aligned();
    let mut earlier = None;
    for i in span..frames {
        if aligned[i - span] {
            earlier = Some(i - span);
        }
        let Some(before) = earlier.filter(|_| aligned[i]) else { continue };
        let ((t0, a0), (t1, a1)) = (at(before), at(i));
        let shift: f64 = (0..3).map(|k| (t1[k] - t0[k]).abs()).sum();
        let turn: f64 = (0..3).map(|k| (a1[k] - a0[k]).abs()).sum();
        sum_mm[i] = shift + radius.0 * turn;
        rms_mm[i] = rms(&rotation(a0, order), t0, &rotation(a1, order), t1, radius.0);
    }
    FramewiseDisplacement { sum_mm, rms_mm }
}

/// The RMS form between two rigid transforms x ↦ R x + t.
fn rms(r0: &Matrix3, t0: [f64; 3], r1: &Matrix3, t1: [f64; 3], radius_mm: f64) -> f64 {
    // T₁T₀⁻¹ = [R₁R₀ᵀ | t₁ − R₁R₀ᵀ t₀]. In tr(AᵀA), A = R₁R₀ᵀ − I, computed as ‖R₁ − R₀‖² (the norm is the same, since
    // R₀ is orthogonal), which does not lose the small difference against 1.
    let turned: Matrix3 = std::array::from_fn(|i| std::array::from_fn(|j| (0..3).map(|k| r1[i][k] * r0[j][k]).sum()));
    let trace: f64 = (0..3).flat_map(|i| (0..3).map(move |j| (i, j))).map(|(i, j)| (r1[i][j] - r0[i][j]).powi(2)).sum();
    let shift: f64 = (0..3)
        .map(|i| {
            let moved: f64 = (0..3).map(|j| turned[i][j] * t0[j]).sum();
            (t1[i] - moved).powi(2)
        })
        .sum();
    (radius_mm * radius_mm / 5.0 * trace + shift).sqrt()
}

/// The rotation matrix of three angles (rad, about x, y, z), the order's first axis turning first.
#[must_use]
pub fn rotation(angles_rad: [f64; 3], order: RotationOrder) -> Matrix3 {
    let mut r: Matrix3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    for axis in order.0 {
        let (sin, cos) = angles_rad[axis as usize].sin_cos();
        let turn: Matrix3 = match axis {
            Axis::X => [[1.0, 0.0, 0.0], [0.0, cos, -sin], [0.0, sin, cos]],
            Axis::Y => [[cos, 0.0, sin], [0.0, 1.0, 0.0], [-sin, 0.0, cos]],
            Axis::Z => [[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]],
        };
        r = std::array::from_fn(|i| std::array::from_fn(|j| (0..3).map(|k| turn[i][k] * r[k][j]).sum()));
    }
    r
}

#[cfg(test)]
mod tests {
    use ndarray::{Array2, array};

    use super::*;

    const XYZ: RotationOrder = RotationOrder([Axis::X, Axis::Y, Axis::Z]);

    #[test]
    fn a_pure_shift_and_a_pure_turn() {
        let trace = MotionTrace {
            translations_mm: array![[0.0, 0.0, 0.0], [3.0, -4.0, 0.0], [3.0, -4.0, 0.0]],
            rotations_rad: array![[0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.01]],
        };
        let fd = framewise(&trace, Millimetres(50.0), XYZ);
        assert!(fd.sum_mm[0].is_nan() && fd.rms_mm[0].is_nan());
        assert!((fd.sum_mm[1] - 7.0).abs() < 1e-12 && (fd.rms_mm[1] - 5.0).abs() < 1e-12);
        assert!((fd.sum_mm[2] - 0.5).abs() < 1e-12);
        // x ↦ R x + t turns about the origin, and the head's centre stays where t put it, so t moves by R t − t: here
        // T₂T₁⁻¹ has t₂ − R t₁ with t₂ = t₁.
        let (c, s) = (0.01_f64.cos(), 0.01_f64.sin());
        let t = [3.0 - (c * 3.0 + s * 4.0), -4.0 - (s * 3.0 - c * 4.0)];
        let a = 2.0 * ((c - 1.0).powi(2) + s * s);
        let expected = (500.0 * a + t[0] * t[0] + t[1] * t[1]).sqrt();
        assert!((fd.rms_mm[2] - expected).abs() < 1e-12);
    }

    /// Over every span and every pattern of lost frames: each frame against the frame that a search from it finds.
    #[test]
    fn a_span_is_the_displacement_between_two_frames() {
        let numbers = |n: usize| ((n * 37 + 11) % 17) as f64;
        let whole = MotionTrace {
            translations_mm: Array2::from_shape_fn((7, 3), |(i, j)| numbers(3 * i + j)),
            rotations_rad: Array2::from_shape_fn((7, 3), |(i, j)| 0.01 * numbers(5 * i + j)),
        };
        for lost in 0_u32..1 << 7 {
            let aligned: Vec<bool> = (0..7).map(|i| lost >> i & 1 == 0).collect();
            let trace = whole.only(&aligned);
            for span in 1..=8 {
                let fd = over_span(&trace, Millimetres(50.0), XYZ, span);
                for i in 0..7 {
                    let before = (0..7).rev().find(|&j| j + span <= i && aligned[j]).filter(|_| aligned[i]);
                    let pair = before.map(|j| MotionTrace {
                        translations_mm: whole.translations_mm.select(ndarray::Axis(0), &[j, i]),
                        rotations_rad: whole.rotations_rad.select(ndarray::Axis(0), &[j, i]),
                    });
                    let two = pair.map(|pair| framewise(&pair, Millimetres(50.0), XYZ));
                    let expected = two.map_or([f64::NAN; 2], |two| [two.sum_mm[1], two.rms_mm[1]]);
                    let found = [fd.sum_mm[i], fd.rms_mm[i]];
                    let same = (0..2).all(|k| found[k] == expected[k] || found[k].is_nan() && expected[k].is_nan());
                    assert!(same, "{aligned:?} {span} {i}: {found:?} {expected:?}");
                }
            }
        }
    }

    #[test]
    fn order_decides_which_axis_turns_first() {
        // A quarter turn about x and then about z takes y to z, where it stays; the other way round y goes to −x.
        let quarter = std::f64::consts::FRAC_PI_2;
        let x_first = rotation([quarter, 0.0, quarter], XYZ);
        let z_first = rotation([quarter, 0.0, quarter], RotationOrder([Axis::Z, Axis::Y, Axis::X]));
        let y_of = |r: &Matrix3| [r[0][1].round(), r[1][1].round(), r[2][1].round()];
        assert_eq!(y_of(&x_first), [0.0, 0.0, 1.0]);
        assert_eq!(y_of(&z_first), [-1.0, 0.0, 0.0]);
    }
}
