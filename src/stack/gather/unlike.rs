//! Children of unlike settings in one test: how they were scanned, and what their cleaning started from.
//!
//! All rows of a cohort table are of one study file, so what can differ between them is what comes with each scan; how
//! the study files of several results folders differ is told elsewhere ([`crate::stack::quality`]). A
//! setting is told apart by a model if the indicator of each of its values lies in the span of the design's columns
//! (and of the sites that were adjusted): then no difference between such children is left for another coefficient.
//! Two factors that do so only together are found in this way too.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use ndarray::{Array2, ArrayView2, Axis, concatenate};

use super::children::{Child, GatheredChildren};
use super::sites::cell;
use crate::group::formula::{Design, Formula};
use crate::linalg::LeastSquares;
use crate::pipeline::repetition_time;
use crate::tables::{and, counted, no_value};

/// What of an indicator may lie outside the design and be rounding (own convention).
const ROUNDED: f64 = 1e-6;
/// Scans that were stopped early have lengths of their own. Lengths are settings only if the second most frequent one
/// is that of at least one row in so many (own convention).
const ONE_ROW_IN: usize = 10;
/// What a row has of which the joined runs differ.
const UNLIKE_RUNS: &str = "unlike runs";

/// A setting of each row; none where its joined runs differ.
struct Setting {
    /// The column that goes into a formula.
    column: &'static str,
    words: &'static str,
    /// Whether a single row with another value is worth a word.
    any: bool,
    values: Vec<Option<String>>,
}

/// What a note says of the settings that a model leaves out; `adjusted`: the column whose sites are taken out.
pub(super) fn note(
    formula: &Formula,
    design: &Design,
    adjusted: Option<&str>,
    header: &[String],
    found: &GatheredChildren,
) -> Option<String> {
    let rows: Vec<&Child> = design.rows.iter().map(|&row| &found.children[row]).collect();
    let at = |name: &str| header.iter().position(|known| known == name);
    let sites = adjusted.and_then(at).map(|at| indicators(rows.iter().map(|row| cell(row, at))));
    let named = |setting: &Setting| formula.variables.iter().any(|variable| variable.column == setting.column);
    let unlike: Vec<Setting> = settings(header, &rows)
        .into_iter()
        .filter(|setting| setting.differs() && !named(setting))
        .filter(|setting| !told_apart(design.matrix.view(), sites.as_ref(), setting))
        .collect();
    if unlike.is_empty() {
        return None;
    }
    let children: BTreeSet<&str> = rows.iter().map(|row| row.ids[0].as_str()).collect();
    let (one, many) = if children.len() == rows.len() { ("child", "children") } else { ("row", "rows") };
    let told: Vec<String> = unlike.iter().map(|setting| setting.told(one, many)).collect();
    let columns: Vec<&str> = unlike.iter().map(|setting| setting.column).collect();
    Some(format!(
        "{many} differ in {}, and the formula does not tell them apart: children scanned in different ways differ in \
         connectivity and in noise; put {} into the formula, or a factor, such as a site, of which each level was \
         scanned in one way",
        and(&told),
        and(&columns)
    ))
}

/// What a note says of children whose repetition times are unlike, where displacement was measured from frame to frame.
pub(crate) fn repetition_times(header: &[String], found: &GatheredChildren, fd_span_s: f64) -> Option<String> {
    let at = header.iter().position(|name| name == "tr_s")?;
    repetition_time::unlike(found.children.iter().filter_map(|child| cell(child, at).parse().ok()), fd_span_s)
}

/// The settings that the cohort table knows.
fn settings(header: &[String], rows: &[&Child]) -> Vec<Setting> {
    let at = |name: &str| header.iter().position(|known| known == name);
    let texts = |at: usize| rows.iter().map(move |row| Some(cell(row, at)).filter(|cell| !no_value(cell)));
    let numbers = |at: usize| texts(at).map(|text| text?.parse::<f64>().ok());
    let mut all = Vec::new();
    if let Some(at) = at("tr_s") {
        // A ten-thousandth of a second is less than scanners differ by, and more than 32-bit floats do.
        let values = numbers(at).map(|seconds| rounded(seconds?, 1e4)).collect();
        all.push(Setting { column: "tr_s", words: "repetition time in s", any: true, values });
    }
    let words = [("voxel_mm", "size of voxels in mm"), ("brain_mask_from", "source of the brain mask")];
    for (column, words) in words {
        let values = at(column).map(|at| texts(at).map(|text| text.map(str::to_owned)).collect());
        all.extend(values.map(|values| Setting { column, words, any: true, values }));
    }
    if let Some((frames, runs)) = at("frames").zip(at("runs_joined")) {
        let values = numbers(frames).zip(numbers(runs)).map(|(frames, runs)| rounded(frames? / runs?, 10.0)).collect();
        all.push(Setting { column: "frames", words: "frames per run", any: false, values });
    }
    all
}

/// A number with some decimals; none where it is not finite.
fn rounded(value: f64, per_unit: f64) -> Option<String> {
    value.is_finite().then(|| ((value * per_unit).round() / per_unit).to_string())
}

impl Setting {
    /// Its values and in how many rows each is, the most frequent first.
    fn counts(&self) -> Vec<(&str, usize)> {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for value in &self.values {
            *counts.entry(value.as_deref().unwrap_or(UNLIKE_RUNS)).or_default() += 1;
        }
        let mut counts: Vec<(&str, usize)> = counts.into_iter().collect();
        counts.sort_by_key(|&(_, rows)| Reverse(rows));
        counts
    }

    /// Whether rows have unlike values, often enough to be two settings.
    fn differs(&self) -> bool {
        let counts = self.counts();
        counts.get(1).is_some_and(|&(_, rows)| self.any || ONE_ROW_IN * rows >= self.values.len())
    }

    /// What is said of it: its two most frequent values, each with how many rows have it.
    fn told(&self, one: &str, many: &str) -> String {
        let counts = self.counts();
        let mut parts: Vec<String> = counts.iter().take(2).map(|(value, rows)| format!("{value} in {rows}")).collect();
        let others: usize = counts.iter().skip(2).map(|(_, rows)| rows).sum();
        if others > 0 {
            parts.push(format!("another in {others}"));
        }
        format!("{} ({} of {})", self.words, parts.join(", "), counted(self.values.len(), one, many))
    }
}

/// One column per value: 1 for the rows that have it.
fn indicators<'a>(values: impl Iterator<Item = &'a str> + Clone) -> Array2<f64> {
    let levels: Vec<&str> = values.clone().collect::<BTreeSet<_>>().into_iter().collect();
    let mut columns = Array2::zeros((values.clone().count(), levels.len()));
    for (row, value) in values.enumerate() {
        if let Ok(level) = levels.binary_search(&value) {
            columns[[row, level]] = 1.0;
        }
    }
    columns
}

/// Whether the span of the design, and of the sites, holds the indicator of each value.
fn told_apart(design: ArrayView2<'_, f64>, sites: Option<&Array2<f64>>, setting: &Setting) -> bool {
    let values = indicators(setting.values.iter().map(|value| value.as_deref().unwrap_or(UNLIKE_RUNS)));
    let known = match sites {
        Some(sites) => concatenate![Axis(1), design, *sites],
        None => design.to_owned(),
    };
    let outside = LeastSquares::new(known.view()).and_then(|fit| fit.residuals(values.view()));
    outside.is_ok_and(|outside| outside.iter().all(|value| value.abs() <= ROUNDED))
}

#[cfg(test)]
mod tests {
    use ndarray::array;

    use super::*;

    fn setting(any: bool, values: &[&str]) -> Setting {
        let values = values.iter().map(|value| Some((*value).to_owned())).collect();
        Setting { column: "tr_s", words: "repetition time in s", any, values }
    }

    #[test]
    fn factors_tell_settings_apart_alone_or_together() {
        // Intercept, and two factors of two levels.
        let design = array![[1.0, 0.0, 0.0], [1.0, 0.0, 1.0], [1.0, 1.0, 0.0], [1.0, 1.0, 1.0], [1.0, 1.0, 1.0]];
        let told = |values: [&str; 5]| told_apart(design.view(), None, &setting(true, &values));
        assert!(told(["2", "2", "0.8", "0.8", "0.8"]));
        assert!(!told(["2", "2", "2", "0.8", "0.8"]), "only their interaction tells these apart");
        let with_interaction = array![
            [1.0, 0.0, 0.0, 0.0],
            [1.0, 0.0, 1.0, 0.0],
            [1.0, 1.0, 0.0, 0.0],
            [1.0, 1.0, 1.0, 1.0],
            [1.0, 1.0, 1.0, 1.0]
        ];
        let unlike = setting(true, &["2", "2", "2", "0.8", "0.8"]);
        assert!(told_apart(with_interaction.view(), None, &unlike));
        // Three sites, two of which are apart in a factor and the third in another.
        let three = setting(true, &["2", "1", "0.8", "0.5", "0.5"]);
        assert!(told_apart(with_interaction.view(), None, &three) && !told_apart(design.view(), None, &three));
        let sites = indicators(["b", "b", "b", "a", "a"].into_iter());
        assert!(told_apart(design.view(), Some(&sites), &unlike));
    }

    #[test]
    fn a_few_short_scans_are_no_setting() {
        let mut values = vec!["300"; 19];
        values.push("120");
        assert!(!setting(false, &values).differs() && setting(true, &values).differs());
        values.extend(["240", "240", "240"]);
        assert!(setting(false, &values).differs());
        assert!(!setting(true, &["2"; 3]).differs());
        let told = setting(false, &values).told("child", "children");
        assert_eq!(told, "repetition time in s (300 in 19, 240 in 3, another in 1 of 23 children)");
    }
}
