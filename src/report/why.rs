//! Says in words why a frame was dropped or a child set aside, from the results folder alone.

use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};

use super::figures;
use crate::censor::Reason;
use crate::outputs::reason_words;
use crate::pipeline::repetition_time;
use crate::record::{ReportRow, Verdict};
use crate::results::report::Settings;
use crate::results::{CohortTable, Contents, FileName, Report, ReportError};
use crate::study::settings::{CensorSettings, Displacement, Length, Settling};
use crate::tables::{self, TableError, TextTable};
use crate::units::Seconds;

/// Why nothing can be said.
#[derive(Debug, thiserror::Error)]
pub enum WhyError {
    #[error("{}: cannot read: {message}; is this a results folder that `keepstill run` wrote?", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: no child or scan is called \"{wanted}\"{}", results.display(), advice(nearest.as_deref(), known))]
    NotFound { results: PathBuf, wanted: String, nearest: Option<String>, known: String },
    #[error("{wanted} has the runs {runs}; name one of them to ask about a frame")]
    WhichRun { wanted: String, runs: String },
    #[error("{scan} has frames 0 to {last}, so there is no frame {frame}")]
    NoFrame { scan: String, frame: usize, last: usize },
    #[error(
        "{scan}: its child has no report, so the limits that were in force are not known; run the study to its end"
    )]
    NoReport { scan: String },
    #[error("{}: the frames table has no column \"{column}\"", path.display())]
    NoColumn { path: PathBuf, column: &'static str },
    #[error(transparent)]
    Report(#[from] ReportError),
    #[error(transparent)]
    Table(#[from] TableError),
}

fn advice(nearest: Option<&str>, known: &str) -> String {
    match nearest {
        Some(near) => format!("; is \"{near}\" meant?"),
        None if known.is_empty() => "; is this a results folder that `keepstill run` wrote?".to_owned(),
        None => format!("; known: {known}"),
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
    let Some(child) = not_done(results, wanted) else { return explained(results, wanted, frame) };
    let sentence = format!("{child} is not done yet with the settings and files of the study; do `keepstill run`.");
    match explained(results, wanted, frame) {
        Ok(text) => Ok(format!("{sentence} What follows is of an earlier run.\n{text}")),
        Err(WhyError::NotFound { .. }) => Ok(sentence + "\n"),
        Err(error) => Err(error),
    }
}

/// The child of a name whose row of the cohort table says that it is not done yet.
fn not_done(results: &Path, wanted: &str) -> Option<String> {
    let table = CohortTable::open(results).ok()?;
    let ids = ["participant_id", "session_id", "run_id"].map(|name| table.column(name));
    let verdict = table.column("verdict")?;
    let open = table.rows().filter_map(Result::ok).filter(|row| row.cells[verdict] == Verdict::NotDone.key());
    let names = open.map(|row| {
        let ids: Vec<&str> = ids.iter().filter_map(|at| table.text(&row, (*at)?)).collect();
        ids.join("_")
    });
    // The table has no task.
    let wanted: Vec<&str> = wanted.split('_').filter(|part| !part.starts_with("task-")).collect();
    let wanted = wanted.join("_");
    names.into_iter().find(|name| belongs(&wanted, name))
}

fn explained(results: &Path, wanted: &str, frame: Option<usize>) -> Result<String, WhyError> {
    let found = look(results)?;
    let scan = found.frames.iter().find(|(stem, _)| stem == wanted);
    let child = found.reports.iter().find(|(stem, _)| stem == wanted);
    match (scan, child, frame) {
        (Some((stem, table)), _, Some(frame)) => explain_frame(stem, table, &settings_of(&found, stem)?, frame),
        (_, Some((stem, report)), None) => {
            let report = Report::read(report)?;
            let note = unlike_tr(results, &report.settings).map_or_else(String::new, |note| format!("Note: {note}.\n"));
            Ok(explain_child(stem, &report)? + &note)
        }
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
            // A child with several sessions: explain each.
            let sessions = found.reports.iter().filter(|(stem, _)| belongs(stem, wanted));
            sessions.map(|(stem, report)| explain_child(stem, &Report::read(report)?)).collect()
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
        for run in Report::read(report)?.runs {
            let ids = [Some(&run.participant_id), run.session_id.as_ref(), run.run_id.as_ref()];
            let is_it = ids.into_iter().flatten().all(|id| wanted.split('_').any(|part| part == id));
            if run.verdict == Verdict::Failed && is_it {
                let problem = run.problem.as_ref().map_or("n/a", |problem| problem.text.as_str());
                return Ok(Some(format!("{wanted} failed, so none of its frames were judged: {problem}\n")));
            }
        }
    }
    Ok(None)
}

/// Whether a stem has every part of what was asked for, perhaps with others between: `sub-1_task-rest_run-1` has those
/// of `sub-1_run-1`.
fn holds_parts(stem: &str, wanted: &str) -> bool {
    wanted.split('_').all(|part| stem.split('_').any(|own| own == part))
}

/// Whether a run's stem is a child's stem followed by more entities.
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
            } else if let Some(file) = FileName::parse(&name) {
                match file.contents {
                    Contents::ReportForMachines => found.reports.push((file.stem.to_owned(), path)),
                    Contents::FramesTable => found.frames.push((file.stem.to_owned(), path)),
                    _ => {}
                }
            }
        }
    }
    found.reports.sort();
    found.frames.sort();
    Ok(found)
}

/// The settings that were in force for a scan.
fn settings_of(found: &Found, scan: &str) -> Result<Settings, WhyError> {
    let report = found.reports.iter().rev().find(|(child, _)| belongs(scan, child));
    let (_, path) = report.ok_or_else(|| WhyError::NoReport { scan: scan.to_owned() })?;
    Ok(Report::read(path)?.settings)
}

/// What is said of a cohort whose repetition times are unlike; nothing where there is no cohort table to compare with.
fn unlike_tr(results: &Path, settings: &Settings) -> Option<String> {
    let table = CohortTable::open(results).ok()?;
    let column = table.column("tr_s")?;
    let trs_s: Vec<f64> = table.rows().filter_map(|row| table.number(&row.ok()?, column).ok()?).collect();
    repetition_time::unlike(trs_s, settings.motion.fd_span_s)
}

fn explain_child(stem: &str, report: &Report) -> Result<String, WhyError> {
    let (row, enough) = (&report.joined.row, &report.settings.enough);
    let (minutes, asked) = (figures(row.minutes_kept, 1), figures(enough.minutes, 1));
    let mut out = match row.verdict {
        Verdict::Enough => {
            format!("{stem} has enough data: {minutes} minutes are kept, and at least {asked} are asked for.\n")
        }
        Verdict::LookFirst => format!(
            "{stem} has enough data ({minutes} minutes are kept), but a person must look first: see what was noticed. \
             `keepstill stack` leaves it out until a reviewer says include.\n"
        ),
        Verdict::TooShort => {
            format!("{stem} is set aside as too_short: {minutes} minutes are kept, but {asked} are asked for.\n")
        }
        Verdict::TooFewDof if row.dof.is_finite() => format!(
            "{stem} is set aside as too_few_dof: cleaning leaves {} degrees of freedom ({} if frames were \
             independent), but {} are asked for.\n",
            figures(row.dof, 1),
            figures(row.dof_white, 1),
            figures(enough.dof, 0)
        ),
        Verdict::TooFewDof => format!(
            "{stem} is set aside as too_few_dof: no run leaves more than the 2 degrees of freedom that a run needs.\n"
        ),
        Verdict::PoorCoverage => format!(
            "{stem} is set aside as poor_coverage: only {} of {} parcels have enough of their voxels inside the brain \
             mask and alive.\n",
            row.parcels_used, row.parcels
        ),
        Verdict::Failed => format!("{stem} failed: no run could be done.\n"),
        Verdict::NotDone => format!("{stem} is not done yet with the settings that the study has now.\n"),
    };
    if let Some(problem) = &row.problem {
        let _ = writeln!(out, "Problem: {problem}");
    }
    for remark in &row.warnings {
        let _ = match remark.noticed {
            Some(noticed) => writeln!(out, "Noticed ({}): {remark}", noticed.key()),
            None => writeln!(out, "Warning: {remark}"),
        };
    }
    report.runs.iter().for_each(|run| explain_run(&mut out, run));
    Ok(out)
}

fn explain_run(out: &mut String, run: &ReportRow) {
    let name = run.run_id.as_deref().unwrap_or("its run");
    if run.verdict == Verdict::Failed {
        let _ = writeln!(out, "{name}: failed.");
        return;
    }
    let over_span = match run.mean_fd_span_mm {
        mm if mm.is_finite() => format!(" ({} mm over motion.fd_span_s)", figures(mm, 3)),
        _ => String::new(),
    };
    let _ = writeln!(
        out,
        "{name}: {} of {} minutes are kept; mean FD is {} mm{over_span}; {} of {} frames are dropped.",
        figures(run.minutes_kept, 1),
        figures(run.minutes, 1),
        figures(run.mean_fd_mm, 3),
        run.frames.saturating_sub(run.frames_kept),
        run.frames
    );
    for (reason, dropped) in run.dropped.iter().filter(|(_, dropped)| **dropped > 0) {
        let _ = writeln!(out, "  {dropped} {}: {}", reason.key(), reason_words(reason));
    }
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
    for reason in Reason::ALL {
        let first = |cells: &[String]| cells[reasons].split(';').next() == Some(reason.key());
        let count = table.rows.iter().filter(|r| first(&r.cells)).count();
        if count > 0 {
            let _ = writeln!(out, "  {count} {}: {}", reason.key(), reason_words(reason));
        }
    }
    Ok(out)
}

fn explain_frame(stem: &str, path: &Path, settings: &Settings, frame: usize) -> Result<String, WhyError> {
    let table = tables::read_tsv(path)?;
    let Some(row) = table.rows.get(frame) else {
        let last = table.rows.len().saturating_sub(1);
        return Err(WhyError::NoFrame { scan: stem.to_owned(), frame, last });
    };
    let cell = |name| Ok::<_, WhyError>(row.cells[column(&table, name)?].as_str());
    let (time, reasons, dvars) = (cell("time_s")?, cell("reasons")?, cell("dvars_percent")?);
    let (form, fd_column) = match settings.motion.displacement {
        Displacement::Sum => ("sum", "fd_sum_mm"),
        Displacement::Rms => ("rms", "fd_rms_mm"),
    };
    let span_s = settings.motion.fd_span_s;
    let fd_column = if span_s > 0.0 { "fd_span_mm" } else { fd_column };
    let fd = cell(fd_column)?;
    let censor = &settings.censor;
    let trans = column(&table, "translation_x_mm")?;
    let since = match (0..frame).rev().find(|&i| table.rows[i].cells[trans] != "n/a") {
        Some(earlier) if earlier + 1 < frame => format!("frame {earlier}, the latest before it with a pose"),
        _ => "the frame before".to_owned(),
    };
    let since = if span_s > 0.0 { format!("{span_s} s before (motion.fd_span_s)") } else { since };
    if reasons == "n/a" {
        return Ok(format!(
            "Frame {frame} of {stem} ({time} s) is kept: FD {fd} mm, limit {} mm; DVARS {dvars} %.\n",
            censor.fd_mm
        ));
    }
    let mut out = format!("Frame {frame} of {stem} ({time} s) is dropped:\n");
    for reason in reasons.split(';') {
        let why = match reason {
            "settling" => match censor.settling {
                Settling::Frames(frames) => {
                    format!("it is among the first {frames} frames, which are cut while the signal settles")
                }
                Settling::Auto => {
                    "it is among the first frames, whose brightness stands out while the signal settles".to_owned()
                }
            },
            "unaligned" => {
                "no pose was found that aligns it with the reference frame, so the distance that the head moved is \
                not known"
                    .to_owned()
            }
            "moved" => format!(
                "the head moved {fd} mm (FD, {form} form) since {since}, above the limit of {} mm",
                censor.fd_mm
            ),
            "signal_jump" => {
                format!(
                    "the image changed by {dvars} % (DVARS) since the frame before, above the limit of {} %",
                    censor.dvars_percent
                )
            }
            "logged" => "its acquisition overlaps an interval of the watch log".to_owned(),
            "beside_motion" => beside(&table, fd_column, frame, censor)?,
            "short_stretch" => {
                format!("the stretch of kept frames around it is shorter than {}", censor.shortest_stretch)
            }
            other => other.to_owned(),
        };
        let _ = writeln!(out, "  {reason}: {why}");
    }
    Ok(out)
}

/// Names the neighbours of a frame that moved, jumped or could not be aligned.
fn beside(
    table: &TextTable,
    fd_column: &'static str,
    frame: usize,
    censor: &CensorSettings,
) -> Result<String, WhyError> {
    // Lengths in seconds become frames by the repetition time, which is when frame 1 starts.
    let time = column(table, "time_s")?;
    let tr = table.rows.get(1).and_then(|row| row.cells[time].parse().ok()).map_or(Seconds(f64::NAN), Seconds);
    let (before, after) = (censor.before.frames(tr), censor.after.frames(tr));
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
    let (before, after) = Length::around(censor.before, censor.after);
    Ok(format!("it lies within {before} before or {after} after {}", sources.join(", ")))
}
