//! `keepstill run`.

use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;
use keepstill::batch::{self, Options};
use keepstill::discover;
use keepstill::study::Study;
use serde_json::json;

use super::exit::{self, Failure};
use super::progress::Progress;
use super::{Common, out};

/// Do the whole cohort: only what is missing or changed, many scans at once.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill run study.toml
  keepstill run study.toml --only sub-03 --redo
  keepstill run study.toml --jobs 1 --json > summary.json

Ctrl-C ends the run; what is finished is kept, and the same command goes on.")]
pub(crate) struct Run {
    /// The study file.
    study: PathBuf,
    /// Scans at once [default: all cores].
    #[arg(long, value_name = "N", value_parser = jobs)]
    jobs: Option<NonZeroUsize>,
    /// Only this child; may be given more than once.
    #[arg(long, value_name = "PARTICIPANT")]
    only: Vec<String>,
    /// Do scans again that are already done.
    #[arg(long)]
    redo: bool,
    /// Hash inputs again instead of trusting their size and modification time.
    #[arg(long)]
    verify: bool,
    /// Only part M of N of the children, counted from 1.
    #[arg(long, value_name = "M/N", value_parser = part)]
    part: Option<(usize, usize)>,
    /// Memory that the run may use, GiB [default: 80 % of what is free].
    #[arg(long, value_name = "X", value_parser = memory)]
    memory_gib: Option<u64>,
}

fn jobs(text: &str) -> Result<NonZeroUsize, String> {
    text.parse().map_err(|_| "expected a whole number, 1 or more".to_owned())
}

/// GiB as bytes.
fn memory(text: &str) -> Result<u64, String> {
    let gib = text.parse::<f64>().ok().filter(|gib| *gib > 0.0 && gib.is_finite());
    gib.map(|gib| (gib * f64::from(1 << 30)) as u64)
        .ok_or_else(|| "expected a number above 0, such as 4 or 0.5".to_owned())
}

fn part(text: &str) -> Result<(usize, usize), String> {
    let (m, n) = text.split_once('/').ok_or("expected M/N, such as 2/8")?;
    let number = |t: &str| t.parse::<usize>().map_err(|_| format!("\"{t}\" is not a whole number"));
    let (m, n) = (number(m)?, number(n)?);
    if m >= 1 && m <= n { Ok((m, n)) } else { Err(format!("part {m} of {n} does not exist; M goes from 1 to N")) }
}

pub(crate) fn main(args: &Run, common: &Common) -> Result<u8, Failure> {
    let study = Study::read(&args.study).map_err(Failure::nothing_done)?;
    let cohort = discover::discover(&study).map_err(Failure::nothing_done)?;
    let interrupt = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&interrupt);
    ctrlc::set_handler(move || {
        // The second time, the user means it.
        if flag.swap(true, Ordering::Relaxed) {
            std::process::exit(i32::from(exit::INTERRUPTED));
        }
    })
    .map_err(|e| Failure::nothing_done(format!("cannot listen for Ctrl-C: {e}")))?;

    let cores = std::thread::available_parallelism().map_or(1, NonZeroUsize::get);
    let options = Options {
        jobs: args.jobs.map_or(cores, NonZeroUsize::get),
        only: args.only.clone(),
        redo: args.redo,
        verify: args.verify,
        part: args.part,
        memory_bytes: args.memory_gib,
    };
    let progress = Progress::new(common);
    let summary = batch::run(&study, &cohort, &options, &interrupt, &|event| progress.show(event))
        .map_err(Failure::nothing_done)?;

    if common.json {
        let failed: Vec<_> =
            summary.failed.iter().map(|(scan, problem)| json!({ "scan": scan, "problem": problem })).collect();
        let verdicts: serde_json::Map<_, _> =
            summary.verdicts.iter().map(|(word, count)| ((*word).to_owned(), json!(count))).collect();
        out::json(&json!({
            "scans": summary.scans,
            "done": summary.done,
            "unchanged": summary.unchanged,
            "failed": failed,
            "interrupted": summary.interrupted,
            "children": verdicts,
            "cohort": study.results.join("cohort.tsv").display().to_string(),
        }))?;
    } else {
        let verdicts: Vec<String> =
            summary.verdicts.iter().filter(|(_, n)| *n > 0).map(|(word, n)| format!("{n} {word}")).collect();
        out::text(&format!(
            "{}: {} done, {} unchanged, {} failed. Children: {}.\nSee {} and {}.\n",
            super::out::counted(summary.scans, "scan", "scans"),
            summary.done,
            summary.unchanged,
            summary.failed.len(),
            if verdicts.is_empty() { "none".to_owned() } else { verdicts.join(", ") },
            study.results.join("cohort.html").display(),
            study.results.join("cohort.tsv").display()
        ))?;
    }
    if summary.interrupted {
        out::note("Interrupted: what is finished is kept; the same command goes on.");
        Ok(exit::INTERRUPTED)
    } else if summary.failed.is_empty() {
        Ok(exit::ALL_DONE)
    } else {
        Ok(exit::SOME_FAILED)
    }
}
