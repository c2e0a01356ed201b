//! `keepstill check`.

use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;
use keepstill::batch::alike::NAMED;
use keepstill::batch::check::{self as checking, CheckedScan};
use keepstill::batch::forecast::{AtMost, Forecast, MOST_SCANS};
use keepstill::clean::LEAST_DOF;
use keepstill::discover;
use keepstill::report::figures;
use keepstill::study::Study;
use keepstill::study::settings::EnoughSettings;
use keepstill::tables::first_few;
use serde_json::json;

use super::exit::{self, Failure};
use super::out::counted;
use super::{Common, out};

/// Read every header and table, run nothing: list each scan, every problem, and what a run will cost.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  keepstill check study.toml\n\nExit code 3 when a scan has a problem.")]
pub(crate) struct Check {
    /// The study file.
    #[arg(value_hint = clap::ValueHint::FilePath)]
    study: PathBuf,
}

pub(crate) fn main(args: &Check, common: &Common) -> Result<u8, Failure> {
    let study = Study::read(&args.study).map_err(Failure::nothing_done)?;
    let cohort = discover::discover(&study).map_err(Failure::nothing_done)?;
    let check = checking::check(&study, &cohort);
    let with_problems = check.scans.iter().filter(|s| !s.problems.is_empty()).count();
    let jobs = std::thread::available_parallelism().map_or(1, std::num::NonZeroUsize::get);
    if common.json {
        out::json(&json!(check))?;
    } else {
        let mut text = String::new();
        for scan in &check.scans {
            describe(&mut text, scan, check.own(scan), common.quiet);
        }
        for alike in check.shared.iter().filter(|alike| alike.problem || !common.quiet) {
            let note = if alike.problem { "" } else { "note: " };
            let runs = counted(alike.scans.len(), "run", "runs");
            let _ = writeln!(text, "{runs} ({}): {note}{}", first_few(&alike.scans, NAMED), alike.message);
        }
        for note in check.notes.iter().filter(|_| !common.quiet) {
            let _ = writeln!(text, "note: {note}");
        }
        for problem in &check.problems {
            let _ = writeln!(text, "{problem}");
        }
        let mebibytes = |bytes: u64| bytes.div_ceil(1 << 20);
        let _ = writeln!(
            text,
            "{} of {}, {} minutes of data; {} with a problem{}.",
            counted(check.scans.len(), "scan", "scans"),
            counted(count_children(&check.scans), "child", "children"),
            figures(check.minutes_of_data, 0),
            counted(with_problems, "scan", "scans"),
            match check.problems.len() {
                0 => String::new(),
                n => format!(
                    ", and {} of the whole study: no run is possible until {} mended",
                    counted(n, "problem", "problems"),
                    if n == 1 { "it is" } else { "they are" }
                ),
            }
        );
        if !check.problems.is_empty() {
            out::text(&text)?;
            return Ok(exit::NOTHING_DONE);
        }
        let _ = writeln!(
            text,
            "A run will take about {} s on {jobs} cores, {} MiB of memory per scan ({jobs} at a time) and {} MiB for \
            the program, {} MiB of disk.",
            figures((check.core_seconds / jobs as f64).max(1.0), 0),
            mebibytes(check.memory_bytes_per_scan),
            mebibytes(check.memory_bytes_program),
            mebibytes(check.disk_bytes)
        );
        if let Some(unlike_tr) = &check.unlike_tr {
            let _ = writeln!(text, "Note: {unlike_tr}.");
        }
        if !check.at_most.is_empty() {
            let _ = writeln!(text, "{}", at_most_words(&check.at_most, &study.enough));
        }
        if let Some(forecast) = check.forecast {
            let _ = writeln!(text, "{}", forecast_words(forecast, count_children(&check.scans), &study.enough));
        }
        out::text(&text)?;
    }
    Ok(match (check.problems.is_empty(), with_problems) {
        (true, 0) => exit::ALL_DONE,
        (false, _) => exit::NOTHING_DONE,
        (true, _) => exit::SOME_FAILED,
    })
}

/// Who will not have enough, in words; `children`: how many there are, whatever their sessions.
fn forecast_words(forecast: Forecast, children: usize, enough: &EnoughSettings) -> String {
    let of = match forecast.children {
        rows if rows > children => format!("{rows} rows of cohort.tsv"),
        rows => counted(rows, "child", "children"),
    };
    let dof = match forecast.too_few_dof {
        None => format!("; degrees of freedom are forecast for at most {MOST_SCANS} scans"),
        Some(count) if enough.dof > LEAST_DOF => {
            format!(" and {count} too_few_dof (fewer than {} degrees of freedom)", figures(enough.dof, 0))
        }
        Some(count) => format!(" and {count} too_few_dof ({LEAST_DOF} or fewer degrees of freedom)"),
    };
    format!(
        "Forecast from the motion tables: of {of}, {} will be too_short (less than {} min kept){dof}. The images can \
         only add to these.",
        forecast.too_short,
        figures(enough.minutes, 1),
    )
}

/// Who cannot have enough whatever is kept, in words.
fn at_most_words(short: &[AtMost], enough: &EnoughSettings) -> String {
    let one = |of: &AtMost| {
        let minutes = figures(of.minutes, 1);
        let dof = of.dof_white.map_or_else(String::new, |dof| format!(", {} degrees of freedom", figures(dof, 0)));
        format!("{} ({minutes} min{dof})", of.child)
    };
    let names: Vec<String> = short.iter().map(one).collect();
    let dof = if enough.dof > LEAST_DOF { enough.dof } else { LEAST_DOF };
    format!(
        "{} cannot have enough, even if no frame is dropped: {}; {} min and {} degrees of freedom are \
         asked for.",
        if short.iter().any(|of| of.child.contains('_')) {
            counted(short.len(), "row of cohort.tsv", "rows of cohort.tsv")
        } else {
            counted(short.len(), "child", "children")
        },
        first_few(&names, NAMED),
        figures(enough.minutes, 1),
        if enough.dof > LEAST_DOF { figures(dof, 0) } else { format!("more than {}", figures(dof, 0)) }
    )
}

fn describe(text: &mut String, scan: &CheckedScan, own: (Vec<&str>, Vec<&str>), quiet: bool) {
    if scan.problems.is_empty() {
        if !quiet {
            let shape = scan.shape.map_or_else(String::new, |s| format!("{}×{}×{}", s[0], s[1], s[2]));
            let (frames, tr) = (scan.frames.unwrap_or(0), scan.tr_s.unwrap_or(f64::NAN));
            let memory = scan.memory_bytes.unwrap_or(0).div_ceil(1 << 20);
            let minutes = figures(frames as f64 * tr / 60.0, 1);
            let _ = writeln!(
                text,
                "{}: ok, {shape}, {frames} frames of {} s ({minutes} min), {memory} MiB of memory",
                scan.scan,
                figures(tr, 3)
            );
        }
    } else {
        let _ = writeln!(
            text,
            "{}: {} problem{}",
            scan.scan,
            scan.problems.len(),
            if scan.problems.len() == 1 { "" } else { "s" }
        );
    }
    let (problems, warnings) = own;
    for problem in problems {
        let _ = writeln!(text, "  {problem}");
    }
    for warning in warnings.into_iter().filter(|_| !quiet) {
        let _ = writeln!(text, "  note: {warning}");
    }
}

fn count_children(scans: &[CheckedScan]) -> usize {
    let mut children: Vec<&str> = scans.iter().map(|s| s.scan.split('_').next().unwrap_or(&s.scan)).collect();
    children.dedup();
    children.len()
}
