//! Second-order sections run forward and backward over a series, so that no phase is shifted.
//!
//! Two stages filter: motion takes breathing out of head positions, cleaning takes parcel series to a pass band. Each
//! designs its own sections; how they run is here. The ends are extended by odd reflection (2·x₀ − xᵢ), and each pass
//! starts in the state that a constant past would have left, so that a constant comes out as the filter's gain at
//! frequency 0 times itself (Gustafsson 1996, IEEE Trans Signal Processing 44:988, describes the problem of the ends; odd
//! reflection is common practice).

use ndarray::ArrayViewMut1;

/// One second-order section: b₀ + b₁z⁻¹ + b₂z⁻² over 1 + a₁z⁻¹ + a₂z⁻².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

/// Filters a series in place with all sections, forward and backward, after extending each end by `extension` values (at
/// most one fewer than the series has). `line` is room to work in, kept by the caller from one series to the next.
pub fn forward_backward(
    sections: &[Section],
    extension: usize,
    mut series: ArrayViewMut1<'_, f64>,
    line: &mut Vec<f64>,
) {
    let length = series.len();
    if length == 0 {
        return;
    }
    let extension = extension.min(length - 1);
    let (first, last) = (series[0], series[length - 1]);
    line.clear();
    line.extend((1..=extension).rev().map(|i| 2.0 * first - series[i]));
    line.extend(series.iter());
    line.extend((1..=extension).map(|i| 2.0 * last - series[length - 1 - i]));
    pass(sections, line);
    line.reverse();
    pass(sections, line);
    line.reverse();
    series.iter_mut().zip(&line[extension..]).for_each(|(out, &x)| *out = x);
}

/// One pass through all sections (transposed direct form II), starting in the steady state of the first value.
fn pass(sections: &[Section], line: &mut [f64]) {
    let Some(&start) = line.first() else { return };
    let mut level = start;
    for Section { b, a } in sections {
        // Steady state for a constant input `level`: output g·level with g the gain at frequency 0.
        let gain = (b[0] + b[1] + b[2]) / (1.0 + a[0] + a[1]);
        let mut s1 = (gain - b[0]) * level;
        let mut s2 = (b[2] - a[1] * gain) * level;
        for x in line.iter_mut() {
            let y = b[0] * *x + s1;
            s1 = b[1] * *x - a[0] * y + s2;
            s2 = b[2] * *x - a[1] * y;
            *x = y;
        }
        level *= gain;
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array1;

    use super::*;

    /// Gain 2 at frequency 0.
    const SMOOTH: Section = Section { b: [0.3, 0.2, 0.1], a: [-0.9, 0.2] };

    #[test]
    fn a_constant_stays_a_constant_whatever_the_extension() {
        for extension in [0, 1, 5, 100] {
            let mut series = Array1::from_elem(8, 3.0);
            forward_backward(&[SMOOTH, SMOOTH], extension, series.view_mut(), &mut Vec::new());
            assert!(series.iter().all(|v| (v - 3.0 * 16.0).abs() < 1e-10), "{series}");
        }
    }

    #[test]
    fn a_series_and_its_mirror_image_give_mirrored_results_far_from_the_ends() {
        // Forward and backward is the same in both directions of time, but for what is left of the start.
        let series = Array1::from_shape_fn(400, |i| ((i * i) as f64 * 0.01).sin());
        let mut there = series.clone();
        let mut back: Array1<f64> = series.iter().rev().copied().collect();
        forward_backward(&[SMOOTH], 9, there.view_mut(), &mut Vec::new());
        forward_backward(&[SMOOTH], 9, back.view_mut(), &mut Vec::new());
        for i in 100..300 {
            assert!((there[i] - back[399 - i]).abs() < 1e-12);
        }
    }

    #[test]
    fn an_empty_series_is_left_alone() {
        let mut series = Array1::zeros(0);
        forward_backward(&[SMOOTH], 3, series.view_mut(), &mut Vec::new());
        assert_eq!(series.len(), 0);
    }
}
