//! `keepstill why`.

use std::path::PathBuf;

use clap::Args;
use keepstill::report;
use serde_json::json;

use super::exit::{self, Failure};
use super::{Common, out};

/// Say in words why a frame was dropped or a child set aside.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill why results sub-03                 the child's verdict
  keepstill why results sub-03_ses-1_run-2     what was dropped of a run
  keepstill why results sub-03_ses-1_run-2 41  why frame 41 (counted from 0) was dropped")]
pub(crate) struct Why {
    /// The results folder.
    #[arg(value_hint = clap::ValueHint::DirPath)]
    results: PathBuf,
    /// A child or a scan, as its files are called: sub-XX, sub-XX_ses-YY, sub-XX_ses-YY_run-N.
    scan: String,
    /// A frame, counted from 0.
    #[arg(value_parser = frame)]
    frame: Option<usize>,
}

fn frame(text: &str) -> Result<usize, String> {
    text.parse().map_err(|_| "expected a whole number; frames are counted from 0".to_owned())
}

pub(crate) fn main(args: &Why, common: &Common) -> Result<u8, Failure> {
    let text = report::explain(&args.results, &args.scan, args.frame).map_err(Failure::nothing_done)?;
    if common.json {
        out::json(&json!({ "scan": args.scan, "frame": args.frame, "why": text.trim_end() }))?;
    } else {
        out::text(&text)?;
    }
    Ok(exit::ALL_DONE)
}
