//! Says in words why a frame was dropped or a child set aside, from the results folder alone.

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::figures;
use crate::tables::{self, TableError, TextTable};

/// Why nothing can be said.
#[derive(Debug, thiserror::Error)]
pub enum WhyError {
    #[error("{}: cannot read: {message}; is this a results folder that `keepstill run` wrote?", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: there is no child or scan \"{wanted}\"{}", results.display(), advice(nearest.as_deref(), known))]
    NotFound { results: PathBuf, wanted: String, nearest: Option<String>, known: String },
    #[error("{wanted} has the runs {runs}; name one of them to ask about a frame")]
    WhichRun { wanted: String, runs: String },
    #[error("{scan} has frames 0 to {last}, so there is no frame {frame}")]
    NoFrame { scan: String, frame: usize, last: usize },
    #[error("{}: the frames table has no column \"{column}\"", path.display())]
    NoColumn { path: PathBuf, column: &'static str },
    #[error(transparent)]
    Table(#[from] TableError),
}

fn advice(nearest: Option<&str>, known: &str) -> String {
    match nearest {
        Some(near) => format!("; is \"{near}\" meant?"),
        None if known.is_empty() => "; is this a results folder that `keepstill run` wrote?".to_owned(),
        None => format!("; there are {known}"),
    }
}

/// The files of a results folder that explanations come from, by stem.
struct Found {
    /// Child stem and report.
    reports: Vec<(String, PathBuf)>,
    /// Scan stem and frames table.
    frames: Vec<(String, PathBuf)>,
}

/// Explains a child (`sub-XX[_ses-YY]`), a scan (`sub-XX[_ses-YY][_task-T][_run-N]`), or one of its frames.
///
/// # Errors
/// [`WhyError`], with the nearest name when there is none of that name.
pub fn explain(results: &Path, wanted: &str, frame: Option<usize>) -> Result<String, WhyError> {
    let found = look(results)?;
    let scan = found.frames.iter().find(|(stem, _)| stem == wanted);
    let child = found.reports.iter().find(|(stem, _)| stem == wanted);
    match (scan, child, frame) {
        (Some((stem, table)), _, Some(frame)) => explain_frame(stem, table, &settings_of(&found, stem)?, frame),
        (_, Some((stem, report)), None) => explain_child(stem, &read_json(report)?),
        (Some((stem, table)), None, None) => explain_scan(stem, table),
        (None, Some((stem, _)), Some(frame)) => {
            let runs: Vec<&(String, PathBuf)> = found.frames.iter().filter(|(run, _)| belongs(run, stem)).collect();
            match runs.as_slice() {
                [(run, table)] => explain_frame(run, table, &settings_of(&found, run)?, frame),
                _ => {
                    let runs = runs.iter().map(|r| r.0.as_str()).collect::<Vec<_>>().join(", ");
                    Err(WhyError::WhichRun { wanted: wanted.to_owned(), runs })
                }
            }
        }
        (None, None, None) if found.reports.iter().any(|(stem, _)| belongs(stem, wanted)) => {
            // A child with several sessions: each of them.
            let sessions = found.reports.iter().filter(|(stem, _)| belongs(stem, wanted));
            sessions.map(|(stem, report)| explain_child(stem, &read_json(report)?)).collect()
        }
        (None, None, _) => {
            if let Some(failure) = failed_scan(&found, wanted)? {
                return Ok(failure);
            }
            let names = found.reports.iter().chain(&found.frames).map(|(stem, _)| stem.as_str());
            let whole = names.clone().find(|name| holds_parts(name, wanted));
            let nearest = whole.or_else(|| tables::nearest(wanted, names.clone())).map(str::to_owned);
            let mut known: Vec<&str> = names.collect();
            known.sort_unstable();
            known.dedup();
            known.truncate(10);
            let known = known.join(", ");
            Err(WhyError::NotFound { results: results.to_owned(), wanted: wanted.to_owned(), nearest, known })
        }
    }
}

/// What became of a scan that left no frames table because it failed; none when no report knows of it.
fn failed_scan(found: &Found, wanted: &str) -> Result<Option<String>, WhyError> {
    for (_, report) in found.reports.iter().filter(|(child, _)| belongs(wanted, child)) {
        let report = read_json(report)?;
        for run in report["runs"].as_array().map(Vec::as_slice).unwrap_or_default() {
            let ids = ["participant_id", "session_id", "run_id"].map(|field| run[field].as_str());
            let is_it = ids.into_iter().flatten().all(|id| wanted.split('_').any(|part| part == id));
            if run["verdict"] == "failed" && is_it {
                let problem = run["problem"].as_str().unwrap_or("n/a");
                return Ok(Some(format!("{wanted} failed, so none of its frames was judged: {problem}\n")));
            }
        }
    }
    Ok(None)
}

/// Whether a stem has every part of what was asked for, with others between: `sub-1_run-1` of `sub-1_task-rest_run-1`.
fn holds_parts(stem: &str, wanted: &str) -> bool {
    wanted.split('_').all(|part| stem.split('_').any(|own| own == part))
}

/// Whether a run's stem is that of a child with more entities after it.
fn belongs(run: &str, child: &str) -> bool {
    run.strip_prefix(child).is_some_and(|rest| rest.is_empty() || rest.starts_with('_'))
}

fn look(results: &Path) -> Result<Found, WhyError> {
    let mut found = Found { reports: Vec::new(), frames: Vec::new() };
    let mut folders = vec![(results.to_owned(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let unreadable = |e: std::io::Error| WhyError::Unreadable { path: folder.clone(), message: e.to_string() };
        for entry in fs::read_dir(&folder).map_err(unreadable)? {
            let path = entry.map_err(unreadable)?.path();
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if path.is_dir() && depth < 3 && !name.starts_with('.') {
                folders.push((path, depth + 1));
            } else if let Some(stem) = name.strip_suffix("_report.json") {
                found.reports.push((stem.to_owned(), path));
            } else if let Some(stem) = name.strip_suffix("_frames.tsv") {
                found.frames.push((stem.to_owned(), path));
            }
        }
    }
    found.reports.sort();
    found.frames.sort();
    Ok(found)
}

fn read_json(path: &Path) -> Result<Value, WhyError> {
    let unreadable = |message: String| WhyError::Unreadable { path: path.to_owned(), message };
    serde_json::from_slice(&fs::read(path).map_err(|e| unreadable(e.to_string()))?)
        .map_err(|e| unreadable(e.to_string()))
}

/// The settings that were in force for a scan.
fn settings_of(found: &Found, scan: &str) -> Result<Value, WhyError> {
    let report = found.reports.iter().rev().find(|(child, _)| belongs(scan, child));
    Ok(match report {
        Some((_, path)) => read_json(path)?["settings"].clone(),
        None => Value::Null,
    })
}

fn number(row: &Value, field: &str, digits: usize) -> String {
    row[field].as_f64().map_or_else(|| "n/a".to_owned(), |v| figures(v, digits))
}

fn explain_child(stem: &str, report: &Value) -> Result<String, WhyError> {
    let (row, settings) = (&report["joined"], &report["settings"]);
    let minutes = number(row, "minutes_kept", 1);
    let asked = number(&settings["enough"], "minutes", 1);
    let verdict = row["verdict"].as_str().unwrap_or("n/a");
    let mut out = match verdict {
        "enough" => format!("{stem} has enough data: {minutes} minutes are kept, {asked} are asked for.\n"),
        "too_short" => {
            format!("{stem} is set aside as too_short: {minutes} minutes are kept, {asked} are asked for.\n")
        }
        "too_few_dof" => match row["dof"].as_f64() {
            Some(dof) => format!(
                "{stem} is set aside as too_few_dof: cleaning leaves {} degrees of freedom, and {} are asked for.\n",
                figures(dof, 1),
                number(&settings["enough"], "dof", 0)
            ),
            None => format!(
                "{stem} is set aside as too_few_dof: no run leaves more than the 2 degrees of freedom that a run needs.\n"
            ),
        },
        "poor_coverage" => format!(
            "{stem} is set aside as poor_coverage: {} of {} parcels have enough of their voxels inside the brain mask and alive.\n",
            row["parcels_used"], row["parcels"]
        ),
        _ => format!("{stem} failed: no run could be done.\n"),
    };
    if let Some(problem) = row["problem"].as_str() {
        let _ = writeln!(out, "Problem: {problem}");
    }
    let runs = report["runs"].as_array().map(Vec::as_slice).unwrap_or_default();
    for run in runs {
        let name = run["run_id"].as_str().unwrap_or("its run");
        if run["verdict"] == "failed" {
            let _ = writeln!(out, "{name}: failed.");
            continue;
        }
        let _ = writeln!(
            out,
            "{name}: {} of {} minutes kept, mean FD {} mm; of {} frames, {} dropped.",
            number(run, "minutes_kept", 1),
            number(run, "minutes", 1),
            number(run, "mean_fd_mm", 3),
            run["frames"],
            run["frames"].as_u64().unwrap_or(0).saturating_sub(run["frames_kept"].as_u64().unwrap_or(0))
        );
        for reason in crate::censor::Reason::ALL {
            let dropped = run[format!("dropped_{}", reason.key())].as_u64().unwrap_or(0);
            if dropped > 0 {
                let _ = writeln!(out, "  {dropped} {}: {}", reason.key(), crate::outputs::reason_words(reason));
            }
        }
    }
    Ok(out)
}

fn column(table: &TextTable, name: &'static str) -> Result<usize, WhyError> {
    table.column(name).ok_or_else(|| WhyError::NoColumn { path: table.path.clone(), column: name })
}

fn explain_scan(stem: &str, path: &Path) -> Result<String, WhyError> {
    let table = tables::read_tsv(path)?;
    let reasons = column(&table, "reasons")?;
    let mut out = String::new();
    let dropped = table.rows.iter().filter(|r| r.cells[reasons] != "n/a").count();
    let _ = writeln!(out, "{stem}: {dropped} of {} frames are dropped.", table.rows.len());
    for reason in crate::censor::Reason::ALL {
        let first = |cells: &[String]| cells[reasons].split(';').next() == Some(reason.key());
        let count = table.rows.iter().filter(|r| first(&r.cells)).count();
        if count > 0 {
            let _ = writeln!(out, "  {count} {}: {}", reason.key(), crate::outputs::reason_words(reason));
        }
    }
    Ok(out)
}

fn explain_frame(stem: &str, path: &Path, settings: &Value, frame: usize) -> Result<String, WhyError> {
    let table = tables::read_tsv(path)?;
    let Some(row) = table.rows.get(frame) else {
        let last = table.rows.len().saturating_sub(1);
        return Err(WhyError::NoFrame { scan: stem.to_owned(), frame, last });
    };
    let cell = |name| Ok::<_, WhyError>(row.cells[column(&table, name)?].as_str());
    let (time, reasons, dvars) = (cell("time_s")?, cell("reasons")?, cell("dvars_percent")?);
    let form = settings["motion"]["displacement"].as_str().unwrap_or("sum");
    let fd_column = if form == "rms" { "fd_rms_mm" } else { "fd_sum_mm" };
    let fd = cell(fd_column)?;
    let censor = &settings["censor"];
    let trans = column(&table, "translation_x_mm")?;
    let since = match (0..frame).rev().find(|&i| table.rows[i].cells[trans] != "n/a") {
        Some(earlier) if earlier + 1 < frame => format!("frame {earlier}, the latest before it with a pose"),
        _ => "the frame before".to_owned(),
    };
    if reasons == "n/a" {
        return Ok(format!(
            "Frame {frame} of {stem} ({time} s) is kept: FD {fd} mm, limit {} mm; DVARS {dvars} %.\n",
            censor["fd_mm"]
        ));
    }
    let mut out = format!("Frame {frame} of {stem} ({time} s) is dropped:\n");
    for reason in reasons.split(';') {
        let why = match reason {
            "settling" => match censor["settling"].as_u64() {
                Some(frames) => {
                    format!("it is among the first {frames} frames, which are cut while the signal settles")
                }
                None => "it is among the first frames, whose brightness stands out while the signal settles".to_owned(),
            },
            "unaligned" => {
                "no pose was found that aligns it with the reference frame, so how far the head moved cannot be told"
                    .to_owned()
            }
            "moved" => format!(
                "the head moved {fd} mm (FD, {form} form) since {since}, above the limit of {} mm",
                censor["fd_mm"]
            ),
            "signal_jump" => {
                format!(
                    "the image changed by {dvars} % (DVARS) since the frame before, above the limit of {} %",
                    censor["dvars_percent"]
                )
            }
            "logged" => "its acquisition overlaps an interval of the watch log".to_owned(),
            "beside_motion" => beside(&table, fd_column, frame, censor)?,
            "short_stretch" => {
                format!("the stretch of kept frames around it is shorter than {} frames", censor["shortest_stretch"])
            }
            other => other.to_owned(),
        };
        let _ = writeln!(out, "  {reason}: {why}");
    }
    Ok(out)
}

/// Names the moved, jumped or unaligned frames whose neighbour a frame is.
fn beside(table: &TextTable, fd_column: &'static str, frame: usize, censor: &Value) -> Result<String, WhyError> {
    let reach = |name: &str| censor[name].as_u64().unwrap_or(0) as usize;
    let (before, after) = (reach("before"), reach("after"));
    let (reasons, fd) = (column(table, "reasons")?, column(table, fd_column)?);
    let last = table.rows.len().saturating_sub(1);
    let near = frame.saturating_sub(after)..=frame.saturating_add(before).min(last);
    let sources: Vec<String> = near
        .filter(|&i| {
            let causes = ["moved", "signal_jump", "unaligned"];
            table.rows[i].cells[reasons].split(';').any(|r| causes.contains(&r))
        })
        .map(|i| format!("frame {i} ({}, FD {} mm)", table.rows[i].cells[reasons], table.rows[i].cells[fd]))
        .collect();
    let frames = if before == 1 { "frame" } else { "frames" };
    Ok(format!("it lies within {before} {frames} before or {after} after {}", sources.join(", ")))
}
