//! How near the results of a synthetic cohort come to the truth, with and without censoring.
//!
//! `cargo run --release --example compare_truth -- COHORT [RESULTS RESULTS_UNCENSORED]`, where COHORT was written by
//! `keepstill synth` and both of its study files have been run. For each child it prints the RMS error of the
//! correlations against the truth, and the rank correlation of the error with the distance between parcels: false
//! connections made by motion are stronger the nearer two parcels lie, so a clearly negative value is motion's mark.
//! Below, the same for the mean over children, which is what a group study would report.

use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

type Failure = Box<dyn Error>;

/// A table with a header line.
struct Table {
    path: PathBuf,
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    fn read(path: &Path) -> Result<Self, Failure> {
        let text = std::fs::read_to_string(path).map_err(|e| format!("could not read {}: {e}", path.display()))?;
        let mut lines = text.lines().map(|l| l.split('\t').map(str::to_owned).collect::<Vec<_>>());
        let header = lines.next().ok_or_else(|| format!("{} is empty", path.display()))?;
        let rows: Vec<Vec<String>> = lines.collect();
        if let Some(n) = rows.iter().position(|r| r.len() != header.len()) {
            return Err(format!("{}, line {}: not as many cells as in the header", path.display(), n + 2).into());
        }
        Ok(Self { path: path.to_owned(), header, rows })
    }

    fn column(&self, name: &str) -> Result<usize, Failure> {
        let place = self.header.iter().position(|h| h == name);
        place.ok_or_else(|| format!("{} has no column {name}", self.path.display()).into())
    }

    fn number(&self, row: usize, column: usize) -> Result<f64, Failure> {
        match self.rows[row][column].as_str() {
            "n/a" => Ok(f64::NAN),
            cell => cell
                .parse()
                .map_err(|_| format!("{}, line {}: {cell} is not a number", self.path.display(), row + 2).into()),
        }
    }
}

/// A square matrix with names; NaN where the file says n/a.
struct Matrix {
    names: Vec<String>,
    values: Vec<Vec<f64>>,
}

impl Matrix {
    fn read(path: &Path) -> Result<Self, Failure> {
        let table = Table::read(path)?;
        let names = table.header[1..].to_vec();
        if !table.rows.iter().map(|r| &r[0]).eq(names.iter()) {
            return Err(format!("{}: first column and header row name other parcels", path.display()).into());
        }
        let n = names.len();
        let values = (0..n).map(|i| (1..=n).map(|j| table.number(i, j)).collect()).collect::<Result<_, _>>()?;
        Ok(Self { names, values })
    }
}

/// One child's line of the cohort table and its errors.
struct Child {
    mean_fd_mm: f64,
    minutes_kept: f64,
    verdict: String,
    /// Measured minus true, one value per pair of parcels (row > column); NaN where a parcel was not covered. Empty if
    /// the child has no matrix.
    error: Vec<f64>,
}

struct Results {
    children: BTreeMap<String, Child>,
    /// Distance of each pair, mm, from the parcels table of a child with all parcels.
    distance_mm: Vec<f64>,
}

fn files_below(folder: &Path, ends: &str) -> Result<Vec<PathBuf>, Failure> {
    let mut found = Vec::new();
    let entries = std::fs::read_dir(folder).map_err(|e| format!("could not look into {}: {e}", folder.display()))?;
    for entry in entries {
        let path = entry?.path();
        if path.is_dir() {
            found.extend(files_below(&path, ends)?);
        } else if path.to_string_lossy().ends_with(ends) {
            found.push(path);
        }
    }
    found.sort();
    Ok(found)
}

fn pairs(n: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..n).flat_map(|i| (0..i).map(move |j| (i, j)))
}

fn read_results(folder: &Path, truth: &Matrix) -> Result<Results, Failure> {
    let cohort = Table::read(&folder.join("cohort.tsv"))?;
    let [id, fd, minutes, verdict] =
        ["participant_id", "mean_fd_mm", "minutes_kept", "verdict"].map(|c| cohort.column(c));
    let (id, fd, minutes, verdict) = (id?, fd?, minutes?, verdict?);
    let mut results = Results { children: BTreeMap::new(), distance_mm: Vec::new() };
    for row in 0..cohort.rows.len() {
        let given = &cohort.rows[row][id];
        let name = if given.starts_with("sub-") { given.clone() } else { format!("sub-{given}") };
        let below = folder.join(&name);
        let matrices = if below.is_dir() { files_below(&below, "_desc-pearson_matrix.tsv")? } else { Vec::new() };
        let error = match matrices.first() {
            None => Vec::new(),
            Some(path) => {
                let measured = Matrix::read(path)?;
                if measured.names != truth.names {
                    return Err(format!("{} has other parcels than the truth", path.display()).into());
                }
                pairs(truth.names.len()).map(|(i, j)| measured.values[i][j] - truth.values[i][j]).collect()
            }
        };
        let whole = !error.is_empty() && error.iter().all(|e| !e.is_nan());
        if whole
            && results.distance_mm.is_empty()
            && let Some(path) = files_below(&below, "_parcels.tsv")?.first()
        {
            results.distance_mm = distances(path)?;
        }
        let child = Child {
            mean_fd_mm: cohort.number(row, fd)?,
            minutes_kept: cohort.number(row, minutes)?,
            verdict: cohort.rows[row][verdict].clone(),
            error,
        };
        results.children.insert(name, child);
    }
    if results.distance_mm.is_empty() {
        return Err(format!("{}: no child has a matrix of all parcels and a parcels table", folder.display()).into());
    }
    Ok(results)
}

fn distances(path: &Path) -> Result<Vec<f64>, Failure> {
    let table = Table::read(path)?;
    let (x, y, z) = (table.column("x_mm")?, table.column("y_mm")?, table.column("z_mm")?);
    let at = (0..table.rows.len())
        .map(|r| Ok([table.number(r, x)?, table.number(r, y)?, table.number(r, z)?]))
        .collect::<Result<Vec<[f64; 3]>, Failure>>()?;
    Ok(pairs(at.len()).map(|(i, j)| (0..3).map(|a| (at[i][a] - at[j][a]).powi(2)).sum::<f64>().sqrt()).collect())
}

/// Root mean square over the pairs that are there.
fn rms(error: &[f64]) -> f64 {
    let known: Vec<f64> = error.iter().copied().filter(|e| !e.is_nan()).collect();
    (known.iter().map(|e| e * e).sum::<f64>() / known.len() as f64).sqrt()
}

/// Least-squares slope of error on distance, per 100 mm, and their Spearman rank correlation.
fn with_distance(error: &[f64], distance_mm: &[f64]) -> (f64, f64) {
    let (e, d): (Vec<f64>, Vec<f64>) =
        error.iter().zip(distance_mm).filter(|(e, _)| !e.is_nan()).map(|(e, d)| (*e, *d)).unzip();
    let (xy, xx, _) = moments(&d, &e);
    let (rank_xy, rank_xx, rank_yy) = moments(&ranks(&d), &ranks(&e));
    (100.0 * xy / xx, rank_xy / (rank_xx * rank_yy).sqrt())
}

/// Σ(x−x̄)(y−ȳ), Σ(x−x̄)², Σ(y−ȳ)².
fn moments(x: &[f64], y: &[f64]) -> (f64, f64, f64) {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (mx, my) = (mean(x), mean(y));
    x.iter().zip(y).fold((0.0, 0.0, 0.0), |(xy, xx, yy), (a, b)| {
        (xy + (a - mx) * (b - my), xx + (a - mx).powi(2), yy + (b - my).powi(2))
    })
}

/// Ranks; ties share their mean rank.
fn ranks(v: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..v.len()).collect();
    order.sort_by(|&a, &b| v[a].total_cmp(&v[b]));
    let mut out = vec![0.0; v.len()];
    let mut start = 0;
    for tied in order.chunk_by(|&a, &b| v[a] == v[b]) {
        for &n in tied {
            out[n] = start as f64 + (tied.len() as f64 + 1.0) / 2.0;
        }
        start += tied.len();
    }
    out
}

/// Mean error over some children, pair by pair, over those in whom the pair is known.
fn group_error<'a>(children: impl Iterator<Item = &'a Child>) -> (usize, Vec<f64>) {
    let mut count = 0;
    let mut sums: Vec<(f64, usize)> = Vec::new();
    for child in children.filter(|c| !c.error.is_empty()) {
        count += 1;
        sums.resize(child.error.len(), (0.0, 0));
        for ((sum, n), e) in sums.iter_mut().zip(&child.error).filter(|(_, e)| !e.is_nan()) {
            *sum += e;
            *n += 1;
        }
    }
    (count, sums.into_iter().map(|(sum, n)| sum / n as f64).collect())
}

fn compare(cohort: &Path, censored: &Path, uncensored: &Path) -> Result<String, Failure> {
    let truth = Matrix::read(&cohort.join("truth/true_correlation.tsv"))?;
    let (with, without) = (read_results(censored, &truth)?, read_results(uncensored, &truth)?);
    let mut text = String::from(
        "child    mean FD  kept    verdict      error of r (RMS)       rank correlation of\n         \
         (mm)     (min)                against the truth      error with distance\n         \
         \u{20}                             uncensored  censored   uncensored  censored\n",
    );
    for (name, child) in &with.children {
        let cell = |c: Option<&Child>, results: &Results, by_distance: bool| match c {
            Some(c) if !c.error.is_empty() && by_distance => {
                format!("{:.2}", with_distance(&c.error, &results.distance_mm).1)
            }
            Some(c) if !c.error.is_empty() => format!("{:.3}", rms(&c.error)),
            _ => "n/a".to_owned(),
        };
        let other = without.children.get(name);
        writeln!(
            text,
            "{name:<8} {:<8.3} {:<7.1} {:<12} {:<11} {:<10} {:<11} {}",
            child.mean_fd_mm,
            child.minutes_kept,
            child.verdict,
            cell(other, &without, false),
            cell(Some(child), &with, false),
            cell(other, &without, true),
            cell(Some(child), &with, true),
        )?;
    }
    let enough = |name: &String| with.children.get(name).is_some_and(|c| c.verdict == "enough");
    let groups = [
        ("all, uncensored", group_error(without.children.values()), &without),
        (
            "those with enough data, uncensored",
            group_error(without.children.iter().filter(|(n, _)| enough(n)).map(|(_, c)| c)),
            &without,
        ),
        (
            "those with enough data, censored",
            group_error(with.children.iter().filter(|(n, _)| enough(n)).map(|(_, c)| c)),
            &with,
        ),
    ];
    writeln!(
        text,
        "\n{:<36} {:<9} {:<17} {:<17} rank correlation",
        "mean over", "children", "error of r (RMS)", "change of error"
    )?;
    writeln!(text, "{:<36} {:<9} {:<17} {:<17} with distance", "", "", "", "per 100 mm")?;
    for (what, (count, error), results) in groups {
        if count == 0 {
            writeln!(text, "{what:<36} {count:<9} {:<17} {:<17} n/a", "n/a", "n/a")?;
            continue;
        }
        let (slope, rank) = with_distance(&error, &results.distance_mm);
        writeln!(text, "{what:<36} {count:<9} {:<17.3} {slope:<17.3} {rank:.2}", rms(&error))?;
    }
    Ok(text)
}

fn main() -> ExitCode {
    let given: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let outcome = match given.as_slice() {
        [cohort] => compare(cohort, &cohort.join("results"), &cohort.join("results-uncensored")),
        [cohort, censored, uncensored] => compare(cohort, censored, uncensored),
        _ => {
            eprintln!("usage: compare_truth COHORT [RESULTS RESULTS_UNCENSORED]");
            return ExitCode::from(2);
        }
    };
    match outcome {
        Ok(text) => {
            // A reader that went away (`| head`) is no failure.
            let _ = std::io::stdout().write_all(text.as_bytes());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}; run both study files of the cohort first");
            ExitCode::FAILURE
        }
    }
}
