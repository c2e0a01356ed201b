//! `keepstill stack`.

mod further;

use std::fmt::Write;
use std::path::PathBuf;

use clap::Args;
use keepstill::stack::{
    self as library, Condition, Format, Missing, SameId, StackFrom, StackRequest, Stacked, Weights,
};
use serde_json::{Value, json};

use super::exit::{self, Failure};
use super::offers::{Offering, keys};
use super::progress::Steps;
use super::{Common, out};

/// Gather the children who have enough data into one array, with tables in the same order.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill stack results
  keepstill stack results --as npy,parquet --fisher-z
  keepstill stack results --where sex=f --where site!=harbour --min-minutes 8
  keepstill stack results --as mat --missing drop-parcel
  keepstill stack results --equal-minutes 6 --match motion --group site
  keepstill stack results --reliability
  keepstill stack results --adjust-sites site --keep \"age_months + sex\"
  keepstill stack site-a/results site-b/results --names a,b --out both
  keepstill stack results --test \"z ~ age_months + sex + mean_fd_mm\" --permutations 1000

Children with the verdict \"enough\" whom no review excludes are taken, in the order of cohort.tsv;
those with the verdict \"look_first\" only once a reviewer has included them.
The files, a table of who was left out and why, and stack.json, which says what each array holds,
are written to stack/ in the results folder, or to the folder of --out.")]
pub(crate) struct Stack {
    /// The results folder; several are stacked together, in this order.
    #[arg(required = true, value_hint = clap::ValueHint::DirPath)]
    results: Vec<PathBuf>,
    /// File formats: npy, tsv, parquet, mat; with commas between, or given more than once.
    #[arg(long = "as", value_name = "FORMAT", value_delimiter = ',', default_value = "npy", hide_possible_values = true,
        value_parser = Offering::new(format, || keys(&Format::ALL.map(Format::key))))]
    formats: Vec<Format>,
    /// Take children with the verdict look_first, though no reviewer has included them.
    #[arg(long)]
    take_unlooked: bool,
    /// Take all children who have a matrix, whatever their verdict.
    #[arg(long)]
    all: bool,
    /// How many kept minutes a child needs, in place of the study's setting.
    #[arg(long, value_name = "X", value_parser = minutes, allow_negative_numbers = true)]
    min_minutes: Option<f64>,
    /// Only children whose cell in this column of cohort.tsv is (=) or is not (!=) VALUE; if given more than once, all
    /// must hold.
    #[arg(long = "where", value_name = "COLUMN=VALUE")]
    conditions: Vec<Condition>,
    /// What to do about parcels that are missing in at least one child: keep, drop-parcel, drop-child.
    #[arg(long, value_name = "WHAT", default_value = "keep", hide_possible_values = true,
        value_parser = Offering::new(missing, || keys(&MISSING.map(Missing::key))))]
    missing: Missing,
    /// Write Fisher's z in place of correlations; file names then have Z.
    #[arg(long)]
    fisher_z: bool,
    /// How much each child counts in QC-FC, mean matrices and tests. variance: the less data is left after cleaning,
    /// the less; equal: all alike, which finds motion where there is none.
    #[arg(long, value_name = "WHAT", default_value = "variance", hide_possible_values = true,
        value_parser = Offering::new(weights, || keys(&Weights::ALL.map(Weights::key))))]
    weights: Weights,
    /// Column of cohort.tsv that says who belongs together, such as families: in QC-FC and tests they are not taken to
    /// be independent. Rows of one child belong together without it.
    #[arg(long, value_name = "COLUMN")]
    blocks: Option<String>,
    /// Write the stack to this folder instead of stack/ in the results folder; needed with several.
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// What several results folders are called in the column results, in their order, with commas between, in place of
    /// their own names.
    #[arg(long, value_name = "NAME", value_delimiter = ',')]
    names: Vec<String>,
    /// What it means that a participant_id is in several results folders: one-child (the same child, whose rows belong
    /// together) or two-children (others; all ids then get the name of their folder in front).
    #[arg(long, value_name = "WHAT", value_parser = same_id)]
    same_id: Option<SameId>,
    #[command(flatten)]
    further: further::Options,
}

fn format(text: &str) -> Result<Format, String> {
    let known = Format::ALL.into_iter().find(|format| format.key() == text.trim());
    known.ok_or_else(|| "expected npy, tsv, parquet or mat".to_owned())
}

const MISSING: [Missing; 3] = [Missing::Keep, Missing::DropParcel, Missing::DropChild];

fn missing(text: &str) -> Result<Missing, String> {
    let known = MISSING.into_iter().find(|what| what.key() == text);
    known.ok_or_else(|| "expected keep, drop-parcel or drop-child".to_owned())
}

fn weights(text: &str) -> Result<Weights, String> {
    let known = Weights::ALL.into_iter().find(|what| what.key() == text);
    known.ok_or_else(|| "expected variance or equal".to_owned())
}

fn same_id(text: &str) -> Result<SameId, String> {
    let known = SameId::ALL.into_iter().find(|what| what.key() == text);
    known.ok_or_else(|| "expected one-child or two-children".to_owned())
}

fn minutes(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(minutes) if minutes >= 0.0 && minutes.is_finite() => Ok(minutes),
        _ => Err("expected minutes, 0 or more, such as 5 or 7.5".to_owned()),
    }
}

pub(crate) fn main(args: &Stack, common: &Common) -> Result<u8, Failure> {
    let mut formats: Vec<Format> = Vec::new();
    for &format in &args.formats {
        if !formats.contains(&format) {
            formats.push(format);
        }
    }
    let request = StackRequest {
        take_unlooked: args.take_unlooked,
        all: args.all,
        min_minutes: args.min_minutes,
        conditions: args.conditions.clone(),
        missing: args.missing,
        formats,
        fisher_z: args.fisher_z,
        further: args.further.further(),
        group: args.further.group.clone(),
        weights: args.weights,
        blocks: args.blocks.clone(),
    };
    let steps = Steps::new(common);
    let from = StackFrom {
        results: args.results.clone(),
        names: args.names.clone(),
        out: args.out.clone(),
        same_id: args.same_id,
    };
    let stacked = library::stack(&from, &request, &|step| steps.show(step));
    steps.done();
    let stacked = stacked.map_err(Failure::nothing_done)?;
    if common.json {
        out::json(&told(&stacked))?;
    } else {
        if !common.quiet {
            stacked.notes.iter().for_each(|note| out::note(&format!("note: {note}")));
        }
        out::text(&text(&stacked))?;
    }
    Ok(exit::ALL_DONE)
}

/// `stack.json`, and each child left out.
fn told(stacked: &Stacked) -> Value {
    let mut value = stacked.about.clone();
    let child = |c: &library::LeftOut| json!({ "stem": c.stem, "reason": c.reason, "detail": c.detail });
    value["children_left_out"] = stacked.left_out.iter().map(child).collect();
    value
}

fn text(stacked: &Stacked) -> String {
    let mut text = if stacked.of == stacked.of_children {
        format!("{} of {} in the stack", stacked.children, out::counted(stacked.of, "child", "children"))
    } else {
        let all = out::counted(stacked.of_children, "child", "children");
        let some = stacked.children < stacked.of_children;
        let who = if some { format!("{} of {all}", stacked.children) } else { all };
        format!("{} of {} rows of cohort.tsv in the stack, of {who}", stacked.rows, stacked.of)
    };
    let reasons: Vec<String> = stacked.reasons().iter().map(|(reason, n)| format!("{n} {reason}")).collect();
    if reasons.is_empty() {
        text.push_str(", none left out.\n");
    } else {
        let _ = writeln!(text, "; left out: {} (see left_out.tsv).", reasons.join(", "));
    }
    let arrays = stacked.about["arrays"].as_array().map(Vec::as_slice).unwrap_or_default();
    for array in arrays {
        let files = array["files"].as_array().map(Vec::as_slice).unwrap_or_default();
        let names: Vec<&str> = files.iter().filter_map(|file| file["file"].as_str()).collect();
        let word = |key: &str| array[key].as_str().unwrap_or_default().to_owned();
        let _ = writeln!(
            text,
            "{} {}: {} parcels, {} edges: {}",
            word("atlas"),
            word("measure"),
            array["parcels"],
            array["edges"],
            names.join(", ")
        );
    }
    if let Some(answer) = stacked.quality["answer"].as_str() {
        let _ = writeln!(text, "Is it just motion? {answer}");
    }
    text.push_str(&further::text(stacked.matched.as_ref(), &stacked.about));
    let [about, page] = ["stack.json", "quality.html"].map(|name| stacked.folder.join(name));
    let _ = writeln!(text, "See {} and {}.", about.display(), page.display());
    text
}
