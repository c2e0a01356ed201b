//! Second-order sections run forward and backward over a series, so that no phase is shifted.
//!
//! Two stages filter: motion takes breathing out of head positions, cleaning takes parcel series to a pass band. Each
//! designs its own sections; this module runs them. The ends are extended by odd reflection (2·x₀ − xᵢ), and each pass
//! starts in the state that a constant past would have left, so that a constant comes out as the filter's gain at
//! frequency 0 times itself (Gustafsson 1996, IEEE Trans Signal Processing 44:988, describes the problem of the ends;
//! odd reflection is common practice).

pub(crate) mod lanes;

use ndarray::{ArrayViewMut2, Axis};

use lanes::{LANES, Lanes, give, plus, take};

/// One second-order section: b₀ + b₁z⁻¹ + b₂z⁻² over 1 + a₁z⁻¹ + a₂z⁻².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    pub b: [f64; 3],
    pub a: [f64; 2],
}

/// Filters each column (frames × series) in place with all sections, forward and backward, after extending each end by
/// `extension` frames (at most one fewer than there are).
pub fn forward_backward(sections: &[Section], extension: usize, mut values: ArrayViewMut2<'_, f64>) {
    let frames = values.nrows();
    if frames == 0 {
        return;
    }
    let extension = extension.min(frames - 1);
    let last = extension + frames - 1;
    let mut line = vec![[0.0; LANES]; frames + 2 * extension];
    for mut block in values.axis_chunks_iter_mut(Axis(1), LANES) {
        take(block.view(), &mut line[extension..=last]);
        for i in 1..=extension {
            line[extension - i] = std::array::from_fn(|k| 2.0 * line[extension][k] - line[extension + i][k]);
            line[last + i] = std::array::from_fn(|k| 2.0 * line[last][k] - line[last - i][k]);
        }
        let start = line[0];
        run(sections, &mut line, Way::Forward, start);
        let start = line[line.len() - 1];
        run(sections, &mut line, Way::Backward, start);
        give(&line[extension..=last], block.view_mut());
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
    let last = extension + frames - 1;
    // What a pass makes of nothing but the level that it starts in.
    let mut from_level = vec![[0.0; LANES]; frames + 2 * extension];
    run(sections, &mut from_level, Way::Forward, [1.0; LANES]);
    let mut line = vec![[0.0; LANES]; frames + 2 * extension];
    for mut block in values.axis_chunks_iter_mut(Axis(1), LANES) {
        line.fill([0.0; LANES]);
        take(block.view(), &mut line[extension..=last]);
        // The transpose of a pass is the same recursion the other way, and what the first value did as the level.
        let level = along(from_level.iter().rev(), &line);
        run(sections, &mut line, Way::Forward, [0.0; LANES]);
        line[last + extension] = plus(level, 1.0, &line[last + extension]);
        let level = along(from_level.iter(), &line);
        run(sections, &mut line, Way::Backward, [0.0; LANES]);
        line[0] = plus(level, 1.0, &line[0]);
        for i in 1..=extension {
            let (before, after) = (line[extension - i], line[last + i]);
            line[extension] = plus(line[extension], 2.0, &before);
            line[extension + i] = plus(line[extension + i], -1.0, &before);
            line[last] = plus(line[last], 2.0, &after);
            line[last - i] = plus(line[last - i], -1.0, &after);
        }
        give(&line[extension..=last], block.view_mut());
    }
}

/// Of each lane the sum of products with these weights.
fn along<'a>(weights: impl Iterator<Item = &'a Lanes>, line: &[Lanes]) -> Lanes {
    let mut sum = [0.0; LANES];
    for (weight, x) in weights.zip(line) {
        (0..LANES).for_each(|k| sum[k] += weight[k] * x[k]);
    }
    sum
}

/// The way in which a pass goes through a series.
#[derive(Clone, Copy)]
enum Way {
    Forward,
    Backward,
}

/// All sections, each series starting in the steady state of a constant past `level`.
fn run(sections: &[Section], line: &mut [Lanes], way: Way, mut level: Lanes) {
    for section in sections {
        match way {
            Way::Forward => section.run(line.iter_mut(), level),
            Way::Backward => section.run(line.iter_mut().rev(), level),
        }
        level = level.map(|level| level * section.gain());
    }
}

impl Section {
    /// At frequency 0.
    fn gain(&self) -> f64 {
        let Self { b, a } = self;
        (b[0] + b[1] + b[2]) / (1.0 + a[0] + a[1])
    }

    /// Transposed direct form II, from the steady state of a constant past `level`.
    fn run<'a>(&self, line: impl Iterator<Item = &'a mut Lanes>, level: Lanes) {
        let (Self { b, a }, gain) = (self, self.gain());
        let mut s1 = level.map(|level| (gain - b[0]) * level);
        let mut s2 = level.map(|level| (b[2] - a[1] * gain) * level);
        for x in line {
            for k in 0..LANES {
                let y = b[0] * x[k] + s1[k];
                s1[k] = b[1] * x[k] - a[0] * y + s2[k];
                s2[k] = b[2] * x[k] - a[1] * y;
                x[k] = y;
            }
        }
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
