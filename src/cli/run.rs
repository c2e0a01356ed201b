//! `keepstill run`.

use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use clap::Args;
use keepstill::batch::tries::{self, Compared, Try, TryError};
use keepstill::batch::{self, Counts, Options};
use keepstill::discover;
use keepstill::pipeline::repetition_time;
use keepstill::report::figures;
use keepstill::results::Layout;
use keepstill::study::Study;
use keepstill::study::settings::Join;
use serde_json::json;

use super::exit::{self, Failure};
use super::offers::Offering;
use super::progress::Progress;
use super::{Common, out};

/// Do the whole cohort: only what is missing or changed, many scans at once.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill run study.toml
  keepstill run study.toml --only sub-03 --redo
  keepstill run study.toml --try fd_mm=0.3 global_signal=true --try fd_mm=0.5
  keepstill run study.toml --jobs 1 --json > summary.json

Ctrl-C ends the run; what is finished is kept, and the same command goes on.")]
pub(crate) struct Run {
    /// The study file.
    #[arg(value_hint = clap::ValueHint::FilePath)]
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
    #[command(flatten)]
    tries: Tries,
}

/// `--try KEY=VALUE…`, any number of times; each time is one try. clap's derive flattens repeated options of several
/// values, so the groups are taken from the matches here.
#[derive(Debug)]
struct Tries(Vec<Vec<String>>);

impl Args for Tries {
    fn augment_args(command: clap::Command) -> clap::Command {
        command.arg(
            clap::Arg::new("try")
                .long("try")
                .value_name("KEY=VALUE")
                .num_args(1..)
                .value_parser(Offering::new(pair, offered))
                .hide_possible_values(true)
                .action(clap::ArgAction::Append)
                .help(
                    "A try beside the main results, with other [motion], [censor], [clean] or [enough] keys; \
                    repeatable",
                ),
        )
    }

    fn augment_args_for_update(command: clap::Command) -> clap::Command {
        Self::augment_args(command)
    }
}

impl clap::FromArgMatches for Tries {
    fn from_arg_matches(matches: &clap::ArgMatches) -> Result<Self, clap::Error> {
        let groups = matches.get_occurrences::<String>("try").into_iter().flatten();
        Ok(Self(groups.map(|group| group.cloned().collect()).collect()))
    }

    fn update_from_arg_matches(&mut self, matches: &clap::ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

impl Tries {
    /// The tries of a study, each once.
    fn of(&self, study: &Study) -> Result<Vec<Try>, Failure> {
        let mut tries: Vec<Try> = Vec::new();
        for pairs in &self.0 {
            let attempt = Try::new(study, pairs).map_err(|e| Failure::usage(e.to_string()))?;
            if tries.iter().any(|other| other.name == attempt.name) {
                return Err(Failure::usage(TryError::Twice { name: attempt.name }.to_string()));
            }
            tries.push(attempt);
        }
        Ok(tries)
    }
}

/// What a run did, in numbers that add up.
fn in_words(counts: &Counts, verdicts: &[(&'static str, usize)], no_reports: usize, join: Join) -> String {
    let mut text = format!(
        "{}: {} done, {} unchanged, {} failed",
        out::counted(counts.scans, "scan", "scans"),
        counts.done,
        counts.unchanged,
        counts.failed
    );
    if counts.left() > 0 {
        text += &format!(", {} not done yet", counts.left());
    }
    let rows = match join {
        _ if counts.rows == counts.children => "Children".to_owned(),
        Join::None => format!("{} runs of {}", counts.rows, out::counted(counts.children, "child", "children")),
        Join::Runs | Join::Sessions => {
            format!("{} sessions of {}", counts.rows, out::counted(counts.children, "child", "children"))
        }
    };
    let verdicts: Vec<String> =
        verdicts.iter().filter(|(_, n)| *n > 0).map(|(word, n)| format!("{n} {word}")).collect();
    text += &format!(". {rows}: {}.", if verdicts.is_empty() { "none".to_owned() } else { verdicts.join(", ") });
    if no_reports > 0 {
        text += &format!(" {} could not be written.", out::counted(no_reports, "report", "reports"));
    }
    text
}

/// Tries in a table for the terminal.
fn side_by_side(rows: &[Compared]) -> String {
    let width = rows.iter().map(|r| r.name.len()).max().unwrap_or(0).max(4);
    let mut text = format!("\n{:width$}  enough  failed  minutes kept  dof left  if white  matrices moved by\n", "try");
    for row in rows {
        let moved: Vec<String> = row.mean_absolute_difference.iter().map(|d| figures(d.value, 4)).collect();
        let (minutes, dof) = (figures(row.median_minutes_kept, 2), figures(row.median_dof, 1));
        let white = figures(row.median_dof_white, 1);
        let enough = format!("{}/{}", row.children_enough, row.children - row.failed);
        text += &format!(
            "{:width$}  {enough:>6}  {:>6}  {minutes:>12}  {dof:>8}  {white:>8}  {}\n",
            row.name,
            row.failed,
            moved.join(" ")
        );
    }
    text + "Enough: of the children who did not fail. Minutes and degrees of freedom are medians over the children; \
            \"if white\": if frames were independent.\n"
}

/// What completions offer for a pair: each key, up to its value.
fn offered() -> Vec<String> {
    tries::known_keys().into_iter().map(|key| format!("{key}=")).collect()
}

/// A pair; what follows `--try` without being one is most often the study file.
fn pair(text: &str) -> Result<String, String> {
    if text.contains('=') {
        return Ok(text.to_owned());
    }
    Err("expected KEY=VALUE, such as censor.fd_mm=0.3; the study file is named before --try".to_owned())
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
        digests_of: None,
        memory_bytes: args.memory_gib,
    };
    // A wrong try must not be found out after a night's work.
    let tries = args.tries.of(&study)?;
    let progress = Progress::new(common);
    let mut summary = batch::run(&study, &cohort, &options, &interrupt, &|event| progress.show(event))
        .map_err(Failure::nothing_done)?;
    let no_reports = summary.no_report.len();
    let mut failed_in_tries = 0;
    let mut tried = Vec::new();
    for attempt in tries {
        if summary.interrupted {
            break;
        }
        let options = Options { digests_of: Some(study.results.clone()), ..options.clone() };
        let done = batch::run(&attempt.study, &attempt.cohort, &options, &interrupt, &|event| progress.show(event))
            .map_err(Failure::nothing_done)?;
        summary.interrupted |= done.interrupted;
        // What fails in the main run in the same way has been said.
        let new = |list: &[(String, String)], main: &[(String, String)]| -> Vec<(String, String)> {
            let new = list.iter().filter(|failure| !main.contains(failure));
            new.map(|(name, problem)| (format!("{}: {name}", attempt.name), problem.clone())).collect()
        };
        let (failed, no_report) = (new(&done.failed, &summary.failed), new(&done.no_report, &summary.no_report));
        failed_in_tries += failed.len() + no_report.len();
        summary.failed.extend(failed);
        summary.no_report.extend(no_report);
        tried.push((attempt, done));
    }
    let compared = match tried.is_empty() || summary.interrupted {
        true => Vec::new(),
        false => tries::compare(&study, &summary, &tried).map_err(Failure::nothing_done)?,
    };

    let trs_s = summary.rows.iter().map(|(_, of)| of.row.tr_s);
    let unlike_tr = repetition_time::unlike(trs_s, study.motion.fd_span_s);
    let layout = Layout::new(&study.results);
    if common.json {
        let named = |key: &'static str, list: &[(String, String)]| -> Vec<serde_json::Value> {
            list.iter().map(|(name, problem)| json!({ key: name, "problem": problem })).collect()
        };
        let verdicts: serde_json::Map<_, _> =
            summary.verdicts.iter().map(|(word, count)| ((*word).to_owned(), json!(count))).collect();
        out::json(&json!({
            "scans": summary.counts.scans,
            "done": summary.counts.done,
            "unchanged": summary.counts.unchanged,
            "failed": named("scan", &summary.failed),
            "no_report": named("child", &summary.no_report),
            "interrupted": summary.interrupted,
            "children": verdicts,
            "tries": compared,
            "unlike_tr": unlike_tr,
            "cohort": layout.cohort_table().display().to_string(),
        }))?;
    } else {
        out::text(&format!(
            "{}\nSee {} and {}.\n",
            in_words(&summary.counts, &summary.verdicts, no_reports, study.connectivity.join),
            layout.cohort_page().display(),
            layout.cohort_table().display()
        ))?;
        if let Some(unlike_tr) = unlike_tr {
            out::text(&format!("Note: {unlike_tr}.\n"))?;
        }
        if !compared.is_empty() {
            out::text(&side_by_side(&compared))?;
            if failed_in_tries > 0 {
                let failures = super::out::counted(failed_in_tries, "failure", "failures");
                out::text(&format!("{failures} in the tries alone; each has its reason in tries/NAME/cohort.tsv.\n"))?;
            }
            out::text(&format!("See {}.\n", layout.tries_table().display()))?;
        }
    }
    if summary.interrupted {
        out::note("Interrupted: what is finished is kept; the same command goes on.");
        Ok(exit::INTERRUPTED)
    } else if summary.failed.is_empty() && summary.no_report.is_empty() {
        Ok(exit::ALL_DONE)
    } else {
        Ok(exit::SOME_FAILED)
    }
}
