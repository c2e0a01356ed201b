//! Powers of a column: `age^2` is (age − m)², m the mean over the children in the model; `age^3` likewise.
//!
//! The lower powers are in the formula too, so fit and test of the highest power are the same as with raw powers.
//! Taking the mean off keeps the columns apart: raw ages from 60 to 216 months and their squares correlate at 0.99. The
//! coefficient of `age` itself then is the slope at the mean age, not at birth.

use super::Variable;

fn mean(numbers: &[f64]) -> f64 {
    numbers.iter().sum::<f64>() / numbers.len() as f64
}

/// The variable's power of numbers less their mean; the numbers themselves if it has none.
pub(super) fn raised(variable: &Variable, numbers: Vec<f64>) -> Vec<f64> {
    if variable.power == 1 {
        return numbers;
    }
    let mean = mean(&numbers);
    numbers.into_iter().map(|v| (v - mean).powi(i32::from(variable.power))).collect()
}

/// The columns that have powers, each once, with their means; `numbers` are those of the variable at a place.
pub(super) fn means(variables: &[Variable], numbers: impl Fn(usize) -> Option<Vec<f64>>) -> Vec<(String, f64)> {
    let mut means: Vec<(String, f64)> = Vec::new();
    for (place, variable) in variables.iter().enumerate().filter(|(_, variable)| variable.power > 1) {
        if !means.iter().any(|(known, _)| *known == variable.column) {
            means.extend(numbers(place).map(|numbers| (variable.column.clone(), mean(&numbers))));
        }
    }
    means
}
