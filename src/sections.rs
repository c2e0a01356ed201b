//! Second-order sections run forward and backward over a series, so that no phase is shifted.
//!
//! Two stages filter: motion takes breathing out of head positions, cleaning takes parcel series to a pass band. Each
//! designs its own sections; this module runs them. The ends are extended by odd reflection (2·x₀ − xᵢ), and each pass
//! starts in the state that a constant past would have left, so that a constant comes out as the filter's gain at
//! frequency 0 times itself (Gustafsson 1996, IEEE Trans Signal Processing 44:988, describes the problem of the ends;
//! odd reflection is common practice).

use ndarray::{ArrayViewMut2, Axis};

/// One second-order section: b₀ + b₁z⁻¹ + b₂z⁻² over 1 + a₁z⁻¹ + a₂z⁻².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

/// Series filtered side by side, so that the processor's wide registers stay busy while each series waits for its own
/// last step.
const LANES: usize = 8;

/// Filters each column (frames × series) in place with all sections, forward and backward, after extending each end by
/// `extension` frames (at most one fewer than there are).
pub fn forward_backward(sections: &[Section], extension: usize, mut values: ArrayViewMut2<'_, f64>) {
    let frames = values.nrows();
    if frames == 0 {
        return;
    }
    let extension = extension.min(frames - 1);
    let mut line = vec![[0.0; LANES]; frames + 2 * extension];
    for mut block in values.axis_chunks_iter_mut(Axis(1), LANES) {
        for (lane, column) in block.columns().into_iter().enumerate() {
            let (first, last) = (column[0], column[frames - 1]);
            for i in 1..=extension {
                line[extension - i][lane] = 2.0 * first - column[i];
                line[extension + frames - 1 + i][lane] = 2.0 * last - column[frames - 1 - i];
            }
            for (place, &value) in line[extension..].iter_mut().zip(column) {
                place[lane] = value;
            }
        }
        pass(sections, &mut line);
        line.reverse();
        pass(sections, &mut line);
        line.reverse();
        for (lane, mut column) in block.columns_mut().into_iter().enumerate() {
            column.iter_mut().zip(&line[extension..]).for_each(|(out, place)| *out = place[lane]);
        }
    }
}

/// The transpose of [`forward_backward`] as a linear map: for all x and y of one length, ⟨y, F x⟩ = ⟨Fᵀ y, x⟩.
///
/// What a filter does to the spread of a sum follows from F and Fᵀ together ([`crate::clean::dof`]). Far from the ends
/// both are the same, for a filter run both ways is symmetric in time.
pub fn forward_backward_transposed(sections: &[Section], extension: usize, mut values: ArrayViewMut2<'_, f64>) {
    let frames = values.nrows();
    if frames == 0 {
        return;
    }
    let extension = extension.min(frames - 1);
    let length = frames + 2 * extension;
    // What a pass makes of nothing but the level that it starts in.
    let mut from_level = vec![[0.0; LANES]; length];
    run(sections, &mut from_level, [1.0; LANES]);
    let mut line = vec![[0.0; LANES]; length];
    for mut block in values.axis_chunks_iter_mut(Axis(1), LANES) {
        line.fill([0.0; LANES]);
        for (lane, column) in block.columns().into_iter().enumerate() {
            for (place, &value) in line[extension..].iter_mut().zip(column) {
                place[lane] = value;
            }
        }
        for _ in 0..2 {
            line.reverse();
            pass_transposed(sections, &from_level, &mut line);
        }
        for (lane, mut column) in block.columns_mut().into_iter().enumerate() {
            column.iter_mut().zip(&line[extension..]).for_each(|(out, place)| *out = place[lane]);
            for i in 1..=extension {
                let (before, after) = (line[extension - i][lane], line[extension + frames - 1 + i][lane]);
                column[0] += 2.0 * before;
                column[i] -= before;
                column[frames - 1] += 2.0 * after;
                column[frames - 1 - i] -= after;
            }
        }
    }
}

/// The transpose of [`pass`]: the same recursion from the end to the start, and what the first value did as the level.
fn pass_transposed(sections: &[Section], from_level: &[[f64; LANES]], line: &mut [[f64; LANES]]) {
    let mut by_level = [0.0; LANES];
    for (x, g) in line.iter().zip(from_level) {
        (0..LANES).for_each(|k| by_level[k] += g[k] * x[k]);
    }
    line.reverse();
    run(sections, line, [0.0; LANES]);
    line.reverse();
    if let Some(first) = line.first_mut() {
        (0..LANES).for_each(|k| first[k] += by_level[k]);
    }
}

/// One pass through all sections, each series starting in the steady state of its first value.
fn pass(sections: &[Section], line: &mut [[f64; LANES]]) {
    if let Some(&start) = line.first() {
        run(sections, line, start);
    }
}

/// All sections (transposed direct form II), each series starting in the steady state of a constant past `level`.
fn run(sections: &[Section], line: &mut [[f64; LANES]], mut level: [f64; LANES]) {
    for Section { b, a } in sections {
        // Steady state for a constant input `level`: output g·level with g the gain at frequency 0.
        let gain = (b[0] + b[1] + b[2]) / (1.0 + a[0] + a[1]);
        let mut s1 = level.map(|level| (gain - b[0]) * level);
        let mut s2 = level.map(|level| (b[2] - a[1] * gain) * level);
        for x in line.iter_mut() {
            for k in 0..LANES {
                let y = b[0] * x[k] + s1[k];
                s1[k] = b[1] * x[k] - a[0] * y + s2[k];
                s2[k] = b[2] * x[k] - a[1] * y;
                x[k] = y;
            }
        }
        level = level.map(|level| level * gain);
    }
}

#[cfg(test)]
mod tests {
    use ndarray::{Array1, Array2};

    use super::*;

    /// Gain 2 at frequency 0.
    const SMOOTH: Section = Section { b: [0.3, 0.2, 0.1], a: [-0.9, 0.2] };

    /// One series as a table of one column.
    fn column(series: &mut Array1<f64>) -> ArrayViewMut2<'_, f64> {
        series.view_mut().insert_axis(Axis(1))
    }

    #[test]
    fn a_constant_stays_a_constant_whatever_the_extension() {
        for extension in [0, 1, 5, 100] {
            let mut series = Array1::from_elem(8, 3.0);
            forward_backward(&[SMOOTH, SMOOTH], extension, column(&mut series));
            assert!(series.iter().all(|v| (v - 3.0 * 16.0).abs() < 1e-10), "{series}");
        }
    }

    #[test]
    fn a_series_and_its_mirror_image_give_mirrored_results_far_from_the_ends() {
        // Forward and backward is the same in both directions of time, but for what is left of the start.
        let series = Array1::from_shape_fn(400, |i| ((i * i) as f64 * 0.01).sin());
        let mut there = series.clone();
        let mut back: Array1<f64> = series.iter().rev().copied().collect();
        forward_backward(&[SMOOTH], 9, column(&mut there));
        forward_backward(&[SMOOTH], 9, column(&mut back));
        for i in 100..300 {
            assert!((there[i] - back[399 - i]).abs() < 1e-12);
        }
    }

    #[test]
    fn side_by_side_is_one_by_one_to_the_bit() {
        for series in 1..20 {
            let values = Array2::from_shape_fn((31, series), |(i, j)| ((i * i + 7 * j) as f64 * 0.37).sin());
            let mut together = values.clone();
            forward_backward(&[SMOOTH, SMOOTH], 6, together.view_mut());
            for (j, got) in together.columns().into_iter().enumerate() {
                let mut alone = values.column(j).to_owned();
                forward_backward(&[SMOOTH, SMOOTH], 6, column(&mut alone));
                assert_eq!(got, alone, "{j} of {series}");
            }
        }
    }

    #[test]
    fn the_transpose_has_the_entries_of_the_map_the_other_way_round() {
        for frames in 1..14 {
            for extension in [0, 1, 4, 20] {
                let (mut map, mut transposed) = (Array2::eye(frames), Array2::eye(frames));
                forward_backward(&[SMOOTH, SMOOTH], extension, map.view_mut());
                forward_backward_transposed(&[SMOOTH, SMOOTH], extension, transposed.view_mut());
                for (a, b) in map.iter().zip(transposed.t()) {
                    assert!((a - b).abs() < 1e-12, "{frames} frames, {extension}: {a} {b}");
                }
            }
        }
    }

    #[test]
    fn an_empty_series_is_left_alone() {
        let mut series = Array1::zeros(0);
        forward_backward(&[SMOOTH], 3, column(&mut series));
        forward_backward_transposed(&[SMOOTH], 3, column(&mut series));
        assert_eq!(series.len(), 0);
    }
}
