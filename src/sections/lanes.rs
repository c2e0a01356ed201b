//! Series side by side: a recursion in time goes over several at once, so that the processor's wide registers stay busy
//! while each series waits for its own last step.

use ndarray::{Array2, ArrayView2, ArrayViewMut2, Axis};

/// Series side by side.
pub const LANES: usize = 8;

/// One frame of them.
pub type Lanes = [f64; LANES];

/// Does a step to all columns (frames × series), [`LANES`] of them at a time.
pub fn each(values: &mut Array2<f64>, mut step: impl FnMut(&mut [Lanes])) {
    if values.is_empty() {
        return;
    }
    let mut line = vec![[0.0; LANES]; values.nrows()];
    for mut block in values.axis_chunks_iter_mut(Axis(1), LANES) {
        take(block.view(), &mut line);
        step(&mut line);
        give(&line, block.view_mut());
    }
}

/// `sum` and so many times `values`.
#[inline]
pub fn plus(sum: Lanes, times: f64, values: &Lanes) -> Lanes {
    std::array::from_fn(|k| sum[k] + times * values[k])
}

/// Puts up to [`LANES`] series (at least one frame × series) side by side. Lanes without a series keep what they have.
pub fn take(block: ArrayView2<'_, f64>, line: &mut [Lanes]) {
    if block.row(0).as_slice().is_some() {
        for (place, row) in line.iter_mut().zip(block.rows()) {
            row.as_slice().into_iter().for_each(|row| place[..row.len()].copy_from_slice(row));
        }
    } else {
        for (lane, column) in block.columns().into_iter().enumerate() {
            line.iter_mut().zip(column).for_each(|(place, value)| place[lane] = *value);
        }
    }
}

/// Puts them back.
pub fn give(line: &[Lanes], mut block: ArrayViewMut2<'_, f64>) {
    if block.row(0).as_slice().is_some() {
        for (place, mut row) in line.iter().zip(block.rows_mut()) {
            row.as_slice_mut().into_iter().for_each(|row| row.copy_from_slice(&place[..row.len()]));
        }
    } else {
        for (lane, mut column) in block.columns_mut().into_iter().enumerate() {
            line.iter().zip(&mut column).for_each(|(place, value)| *value = place[lane]);
        }
    }
}
