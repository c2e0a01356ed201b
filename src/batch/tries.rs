//! `run --try`: what other settings would give, next to the main results and compared with them.
//!
//! A try is the study with some keys of `[motion]`, `[censor]`, `[clean]` or `[enough]` changed. It is a run of its own
//! in `results/tries/NAME`, made from the main run's digests, so that no image is read again. `tries.tsv` then sets the
//! tries side by side: children kept, minutes, degrees of freedom, and how far each child's matrices moved.

use std::collections::HashSet;
use std::fs;
use std::path::PathBuf;

use serde::Serialize;
use serde_json::json;

use super::summary::Summary;
use crate::cohort::CohortRow;
use crate::digest::median;
use crate::discover::{self, Cohort};
use crate::outputs::{self, CAUTION, number_cell};
use crate::record::Verdict;
use crate::record::files::{WriteError, write_whole};
use crate::results::layout;
use crate::results::{Contents, Form, Layout};
use crate::study::settings::MatrixFormat;
use crate::study::{self, DEFAULTS, Study, StudyError};
use crate::tables::nearest;

/// Sections whose keys may be tried: those that a digest does not depend on.
const SECTIONS: [&str; 4] = ["motion", "censor", "clean", "enough"];

/// What can be wrong with a try.
#[derive(Debug, thiserror::Error)]
pub enum TryError {
    #[error("--try {given}: expected KEY=VALUE, such as censor.fd_mm=0.3")]
    NotAPair { given: String },
    #[error("--try {key}: keys that can be tried are those of [motion], [censor], [clean] and [enough]{}",
        nearest.as_ref().map(|n| format!("; is \"{n}\" meant?")).unwrap_or_default())]
    UnknownKey { key: String, nearest: Option<String> },
    #[error("--try {given}: {reason}")]
    Refused { given: String, reason: String },
    #[error("--try {key}: the key is given twice in one try; leave one out, or give each a --try of its own")]
    KeyTwice { key: String },
    #[error("--try {name} is given twice; leave one out")]
    Twice { name: String },
    #[error(transparent)]
    Study(#[from] StudyError),
    #[error("{}: cannot read the matrix: {message}", path.display())]
    Matrix { path: PathBuf, message: String },
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// The study as a try would have it.
#[derive(Debug, Clone)]
pub struct Try {
    /// Its folder below `results/tries`.
    pub name: String,
    /// The changed keys with their sections, and their values as TOML.
    pub changes: Vec<(String, String)>,
    pub study: Study,
    /// Its scans: other settings may need files that a scan does not have, or no longer need some.
    pub cohort: Cohort,
}

/// Every key that can be tried, with its section.
#[must_use]
pub fn known_keys() -> Vec<String> {
    let defaults: toml::Table = DEFAULTS.parse().unwrap_or_default();
    let of_section = |section: &str| {
        let table = defaults.get(section).and_then(toml::Value::as_table).cloned().unwrap_or_default();
        // A length has a default in frames alone.
        let known = |key: &&&str| table.contains_key(**key) || study::other_form(section, key).is_some();
        study::keys(section).iter().filter(known).map(|key| format!("{section}.{key}")).collect::<Vec<_>>()
    };
    SECTIONS.into_iter().flat_map(of_section).collect()
}

impl Try {
    /// Makes a try of a study from `KEY=VALUE` pairs; KEY may leave out its section, VALUE is TOML or a bare word.
    ///
    /// # Errors
    /// [`TryError`]: no pair, an unknown key, a key twice, a value that the study file would refuse, tables that cannot
    /// be used with it.
    pub fn new(study: &Study, pairs: &[String]) -> Result<Self, TryError> {
        let known = known_keys();
        let mut changes = Vec::new();
        let text = fs::read_to_string(&study.path)
            .map_err(|e| StudyError::Unreadable { path: study.path.clone(), reason: e.to_string() })?;
        let refused = |reason: String| TryError::Refused { given: pairs.join(" "), reason };
        let mut file: toml::Table = text.parse().map_err(|e: toml::de::Error| refused(e.message().to_owned()))?;
        for pair in pairs {
            let (key, value) = pair.split_once('=').ok_or_else(|| TryError::NotAPair { given: pair.clone() })?;
            let (key, value) = (key.trim(), value.trim());
            let full = known.iter().find(|k| *k == key || k.split('.').nth(1) == Some(key));
            let full = full.ok_or_else(|| {
                let short = known.iter().flat_map(|k| [k.as_str(), k.split('.').nth(1).unwrap_or_default()]);
                TryError::UnknownKey { key: key.to_owned(), nearest: nearest(key, short).map(str::to_owned) }
            })?;
            if changes.iter().any(|(other, _)| other == full) {
                return Err(TryError::KeyTwice { key: full.clone() });
            }
            let parsed: Result<toml::Table, _> = format!("value = {value}").parse();
            let parsed = parsed.ok().and_then(|mut table| table.remove("value"));
            let parsed = parsed.unwrap_or_else(|| toml::Value::String(value.to_owned()));
            changes.push((full.clone(), parsed.to_string()));
            let (section, key) = full.split_once('.').unwrap_or(("", full));
            let table = file.entry(section).or_insert_with(|| toml::Value::Table(toml::Table::new()));
            if let Some(table) = table.as_table_mut() {
                // A length in frames takes the place of the same in seconds, and the reverse.
                if let Some(other) = study::other_form(section, key)
                    && !changes.iter().any(|(changed, _)| *changed == format!("{section}.{other}"))
                {
                    table.remove(other);
                }
                table.insert(key.to_owned(), parsed);
            }
        }
        let name = folder_name(&changes);
        let mut changed = Study::parse(&file.to_string(), &study.path).map_err(|error| match error {
            // Line numbers would be those of the changed text, which no one sees.
            StudyError::Problems { problems, .. } => {
                refused(problems.iter().map(|p| p.fault.to_string()).collect::<Vec<_>>().join("; "))
            }
            other => TryError::Study(other),
        })?;
        changed.results = Layout::new(&study.results).attempt(&name);
        changed.name = format!("{} – try {}", study.name, told(&changes));
        let cohort = discover::discover(&changed)
            .map_err(|error| refused(error.problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")))?;
        Ok(Self { name, changes, study: changed, cohort })
    }
}

/// The changes as words: `censor.fd_mm=0.3 clean.global_signal=true`.
fn told(changes: &[(String, String)]) -> String {
    changes.iter().map(|(key, value)| format!("{key}={value}")).collect::<Vec<_>>().join(" ")
}

/// A folder's name from the changes: letters, digits, points, and marks between them.
fn folder_name(changes: &[(String, String)]) -> String {
    /// File systems allow 255 bytes; a hash stands for what is longer than this.
    const LONGEST: usize = 80;
    let one = |(key, value): &(String, String)| {
        let short = key.split('.').nth(1).unwrap_or(key);
        let mut clean = String::new();
        for c in value.chars() {
            let c = if c.is_ascii_alphanumeric() || c == '.' || c == '_' { c } else { '-' };
            if c != '-' || !(clean.is_empty() || clean.ends_with('-')) {
                clean.push(c);
            }
        }
        format!("{short}-{}", clean.trim_matches('-'))
    };
    let name = changes.iter().map(one).collect::<Vec<_>>().join("+");
    if name.len() <= LONGEST {
        return name;
    }
    let hash = blake3::hash(told(changes).as_bytes()).to_hex();
    format!("{}+{}", &name[..LONGEST - 9], &hash[..8])
}

/// The main run or a try in numbers, over the children who are done in the main run and in every try.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compared {
    /// "main", or the try's folder.
    pub name: String,
    pub settings: String,
    pub children: usize,
    /// Of these, those who failed, such as for want of an age or a mask that only the try asks for.
    pub failed: usize,
    /// Children with the verdict `enough`.
    pub children_enough: usize,
    /// Medians over the children who did not fail.
    #[serde(serialize_with = "crate::record::number::serialize")]
    pub median_minutes_kept: f64,
    #[serde(serialize_with = "crate::record::number::serialize")]
    pub median_dof: f64,
    pub median_dof_white: f64,
    /// By atlas and measure: mean absolute difference of the matrices from the main run's, over all edges of all
    /// children who have a matrix in both.
    pub mean_absolute_difference: Vec<Difference>,
}

/// How far the matrices of one atlas and measure moved.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    pub atlas: String,
    pub measure: String,
    pub children: usize,
    #[serde(serialize_with = "crate::record::number::serialize")]
    pub value: f64,
}

/// Compares tries with the main run and writes `tries.tsv` and `tries.json` in the main results folder.
///
/// # Errors
/// [`TryError`] when a matrix cannot be read back or a table not written.
pub fn compare(study: &Study, main: &Summary, tries: &[(Try, Summary)]) -> Result<Vec<Compared>, TryError> {
    // A child that one of them has not done, as with --only, must not count in the others, nor may files that an
    // earlier try left be taken for this one's.
    let decided = |summary: &'_ Summary| -> HashSet<String> {
        let rows = summary.rows.iter().filter(|(_, row)| row.row.verdict != Verdict::NotDone);
        rows.map(|(stem, _)| stem.clone()).collect()
    };
    let common = tries.iter().fold(decided(main), |common, (_, summary)| &common & &decided(summary));
    let rows_of = |summary: &Summary| -> Vec<(String, CohortRow)> {
        summary.rows.iter().filter(|(stem, _)| common.contains(stem)).cloned().collect()
    };
    let main = rows_of(main);
    let mut rows = vec![in_numbers("main", "", &main, Vec::new())];
    for (attempt, summary) in tries {
        let differences = differences(study, &main, &attempt.study)?;
        rows.push(in_numbers(&attempt.name, &told(&attempt.changes), &rows_of(summary), differences));
    }
    write_whole(&Layout::new(&study.results).tries_table(), table(study, &rows).as_bytes())?;
    let whole = json!({ "version": env!("CARGO_PKG_VERSION"), "caution": CAUTION, "tries": rows });
    write_whole(&Layout::new(&study.results).tries_json(), outputs::pretty(&whole).as_bytes())?;
    Ok(rows)
}

fn in_numbers(name: &str, settings: &str, rows: &[(String, CohortRow)], differences: Vec<Difference>) -> Compared {
    let finite = |f: fn(&crate::record::ReportRow) -> f64| {
        let sound = rows.iter().map(|(_, r)| &r.row).filter(|row| row.verdict != Verdict::Failed);
        median(sound.map(f).filter(|v| v.is_finite()).collect())
    };
    let with_verdict = |verdict: Verdict| rows.iter().filter(|(_, r)| r.row.verdict == verdict).count();
    Compared {
        name: name.to_owned(),
        settings: settings.to_owned(),
        children: rows.len(),
        failed: with_verdict(Verdict::Failed),
        children_enough: with_verdict(Verdict::Enough),
        median_minutes_kept: finite(|r| r.minutes_kept),
        median_dof: finite(|r| r.dof),
        median_dof_white: finite(|r| r.dof_white),
        mean_absolute_difference: differences,
    }
}

fn differences(study: &Study, main: &[(String, CohortRow)], attempt: &Study) -> Result<Vec<Difference>, TryError> {
    let mut found = Vec::new();
    for parcels in &study.parcels {
        for measure in &study.connectivity.measures {
            let (mut sum, mut edges, mut children) = (0.0, 0_usize, 0);
            for (stem, row) in main {
                let session = row.row.session_id.as_deref().map(|s| s.trim_start_matches("ses-"));
                let folder = layout::folder(&row.participant, session);
                let read = |study: &Study| {
                    let form = match study.output.matrices {
                        MatrixFormat::Npy => Form::Npy,
                        MatrixFormat::Tsv | MatrixFormat::Both => Form::Tsv,
                    };
                    let matrix = Contents::Matrix { atlas: &parcels.name, measure: measure.key(), form };
                    read_matrix(Layout::new(&study.results).file(&folder, stem, matrix), form)
                };
                let (Some(a), Some(b)) = (read(study)?, read(attempt)?) else { continue };
                let moved = a.iter().zip(&b).map(|(x, y)| (x - y).abs()).filter(|d| d.is_finite());
                let (n, total) = moved.fold((0, 0.0), |(n, total), d| (n + 1, total + d));
                (edges, sum, children) = (edges + n, sum + total, children + 1);
            }
            found.push(Difference {
                atlas: parcels.name.clone(),
                measure: measure.key().to_owned(),
                children,
                value: sum / edges as f64,
            });
        }
    }
    Ok(found)
}

/// The upper triangle of a written matrix, NaN for n/a; none when there is no such file.
fn read_matrix(path: PathBuf, form: Form) -> Result<Option<Vec<f64>>, TryError> {
    if form == Form::Npy {
        if !path.exists() {
            return Ok(None);
        }
        let matrix: ndarray::Array2<f32> =
            ndarray_npy::read_npy(&path).map_err(|e| TryError::Matrix { path, message: e.to_string() })?;
        let upper = matrix.indexed_iter().filter(|((i, j), _)| j > i).map(|(_, &v)| f64::from(v));
        return Ok(Some(upper.collect()));
    }
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(TryError::Matrix { path, message: error.to_string() }),
    };
    let mut upper = Vec::new();
    for (i, line) in text.lines().skip(1).enumerate() {
        for cell in line.split('\t').skip(i + 2) {
            let value = if cell == "n/a" { Ok(f64::NAN) } else { cell.parse() };
            upper.push(value.map_err(|_| TryError::Matrix {
                path: path.clone(),
                message: format!("\"{cell}\" in line {} is no number", i + 2),
            })?);
        }
    }
    Ok(Some(upper))
}

/// The columns of `tries.tsv` before those of the matrices.
const COLUMNS: [&str; 8] = [
    "try",
    "settings",
    "children",
    "failed",
    "children_enough",
    "median_minutes_kept",
    "median_dof",
    "median_dof_white",
];

fn table(study: &Study, rows: &[Compared]) -> String {
    let mut header: Vec<String> = COLUMNS.map(str::to_owned).into();
    for parcels in &study.parcels {
        for measure in &study.connectivity.measures {
            header.push(format!("mean_absolute_difference_atlas-{}_desc-{}", parcels.name, measure.key()));
        }
    }
    let lines: Vec<Vec<String>> = rows
        .iter()
        .map(|row| {
            let mut cells = vec![
                row.name.clone(),
                row.settings.clone(),
                row.children.to_string(),
                row.failed.to_string(),
                row.children_enough.to_string(),
                number_cell(row.median_minutes_kept),
                number_cell(row.median_dof),
                number_cell(row.median_dof_white),
            ];
            let moved = row.mean_absolute_difference.iter().map(|d| number_cell(d.value));
            cells.extend(moved);
            cells.resize(header.len(), "n/a".to_owned());
            cells
        })
        .collect();
    outputs::text_table(&header, &lines)
}
