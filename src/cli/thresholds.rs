//! `keepstill thresholds`.

use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;
use keepstill::batch;
use keepstill::censor::usual_limits;
use keepstill::discover;
use keepstill::report::figures;
use keepstill::results::Layout;
use keepstill::study::Study;
use keepstill::study::settings::{Displacement, Length};
use keepstill::thresholds::{self as library, MINIMUMS_MIN, Thresholds as Found};

use super::exit::{self, Failure};
use super::{Common, out};

/// Show how many children and minutes other limits of displacement would keep, from motion tables, or from what a run
/// has measured.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill thresholds study.toml
  keepstill thresholds study.toml --limits 0.2,0.3,0.5,none

Both forms of displacement are tried, with and without the neighbours of moved frames.
All other censoring is as in the study file.
The tables and a page with the picture are written below thresholds/ in the results folder.
The exit code is 3 when a scan had to be left out.")]
pub(crate) struct Thresholds {
    /// The study file.
    #[arg(value_hint = clap::ValueHint::FilePath)]
    study: PathBuf,
    /// Limits to try, in mm, with commas between them; "none" for no limit [default: 0.1 to 1.0 in steps of 0.05, the
    /// study's own, none].
    #[arg(long, value_name = "MM,…", value_delimiter = ',', value_parser = limit)]
    limits: Vec<Limit>,
}

/// A limit in mm; none: no limit.
#[derive(Debug, Clone, Copy)]
struct Limit(Option<f64>);

fn limit(text: &str) -> Result<Limit, String> {
    if text.trim() == "none" {
        return Ok(Limit(None));
    }
    match text.trim().parse::<f64>() {
        Ok(mm) if mm > 0.0 && mm.is_finite() => Ok(Limit(Some(mm))),
        _ => Err("expected millimetres above 0, such as 0.2,0.3, or \"none\" for no limit".to_owned()),
    }
}

pub(crate) fn main(args: &Thresholds, common: &Common) -> Result<u8, Failure> {
    let study = Study::read(&args.study).map_err(Failure::nothing_done)?;
    let cohort = discover::discover(&study).map_err(Failure::nothing_done)?;
    batch::require_own_folder(&study, &cohort).map_err(Failure::nothing_done)?;
    let limits = if args.limits.is_empty() {
        usual_limits(&study.censor)
    } else {
        args.limits.iter().map(|limit| limit.0).collect()
    };
    let found = library::thresholds(&study, &cohort, &limits);
    for scan in &found.scans {
        for problem in &scan.problems {
            out::note(&format!("{}: left out: {problem}", scan.scan));
        }
        for warning in scan.warnings.iter().filter(|_| !common.quiet) {
            out::note(&format!("{}: note: {warning}", scan.scan));
        }
    }
    if found.children.iter().all(|child| child.runs_read == 0) {
        return Err(Failure::nothing_done(
            "no scan's headers and tables are sound, so there is nothing to count; mend the problems above",
        ));
    }
    let json = library::json(&study, &found);
    library::write(&study, &found, &json).map_err(Failure::nothing_done)?;
    if common.json {
        out::json(&json)?;
    } else {
        let mut text = table(&study, &found);
        for note in &found.notes {
            let _ = writeln!(text, "{note}");
        }
        let folder = Layout::new(&study.results).thresholds();
        let _ = writeln!(text, "See {}.", folder.join("thresholds.html").display());
        out::text(&text)?;
    }
    Ok(if found.left_out().next().is_none() { exit::ALL_DONE } else { exit::SOME_FAILED })
}

/// The study's own form, with neighbours.
fn table(study: &Study, found: &Found) -> String {
    let form = match study.motion.displacement {
        Displacement::Sum => "sum",
        Displacement::Rms => "RMS",
    };
    let span = match study.motion.fd_span_s {
        span_s if span_s > 0.0 => format!(" over {span_s} s"),
        _ => String::new(),
    };
    let (before, after) = Length::around(study.censor.before, study.censor.after);
    let rows = found.rows_of(study.motion.displacement, true);
    let counted = rows.first().map_or(0, |row| row.children);
    let mut text = format!(
        "{} (FD {form} form{span}, {before} before and {after} after a moved frame dropped too): how many keep at \
        least\n",
        out::counted(counted, "child", "children"),
    );
    let _ = write!(text, "{:>10}", "limit, mm");
    for minimum in MINIMUMS_MIN {
        let _ = write!(text, "{:>9}", format!("{minimum} min"));
    }
    text.push_str("   median min\n");
    let mut starred = false;
    for row in rows {
        let limit = row.choice.limit_mm;
        let _ = write!(text, "{:>10}", limit.map_or("none".to_owned(), |mm| mm.to_string()));
        for count in row.children_above {
            let _ = write!(text, "{count:>9}");
        }
        let own = limit == found.own_limit_mm;
        starred |= own;
        let _ = writeln!(text, "{:>13}{}", figures(row.median_minutes_kept, 1), if own { " *" } else { "" });
    }
    if starred {
        text.push_str("* the study's own limit\n");
    }
    text
}
