//! `keepstill synth`.

use std::io::IsTerminal;
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use indicatif::ProgressBar;
use keepstill::synth::{self, Grid, SynthSettings};
use serde_json::json;

use super::exit::{self, Failure};
use super::{Common, out};

/// Write a cohort of invented children with a known network structure, whose movements leave their traces in the
/// images.
#[derive(Debug, Args)]
#[command(after_help = "Example:
  keepstill synth OUT --children 12 --frames 300 --seed 1
  keepstill run OUT/study.toml

OUT/truth holds the true correlation matrix. Everything in OUT is invented.")]
pub(crate) struct Synth {
    /// The folder to write to; new or empty.
    #[arg(value_hint = clap::ValueHint::DirPath)]
    out: PathBuf,
    /// Number of invented children.
    #[arg(long, value_name = "N")]
    children: Option<usize>,
    /// Frames per run.
    #[arg(long, value_name = "N")]
    frames: Option<usize>,
    /// Repetition time, s.
    #[arg(long, value_name = "S")]
    tr: Option<f64>,
    /// Runs per child.
    #[arg(long, value_name = "N")]
    runs: Option<usize>,
    /// Parcels, an even number.
    #[arg(long, value_name = "N")]
    parcels: Option<usize>,
    /// How much the children move: 1 is usual, with 0 they lie still.
    #[arg(long, value_name = "X")]
    motion: Option<f64>,
    /// Let the head move through the voxels, as a scanner sees it; without this flag, images look as they do after
    /// realignment.
    #[arg(long)]
    move_images: bool,
    /// Size of the images.
    #[arg(long, value_enum, default_value_t = Size::Small)]
    grid: Size,
    /// Another seed gives other children.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Image sizes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Size {
    /// Quick to make and to read.
    Small,
    /// 64×64×36 voxels, as a scanner gives.
    Whole,
}

pub(crate) fn main(args: &Synth, common: &Common) -> Result<u8, Failure> {
    let mut settings = SynthSettings::demo(args.seed);
    settings.children = args.children.unwrap_or(settings.children);
    settings.frames = args.frames.unwrap_or(settings.frames);
    settings.tr_s = args.tr.unwrap_or(settings.tr_s);
    settings.runs = args.runs.unwrap_or(settings.runs);
    settings.parcels = args.parcels.unwrap_or(settings.parcels);
    settings.motion = args.motion.unwrap_or(settings.motion);
    settings.move_images = args.move_images;
    settings.grid = match args.grid {
        Size::Small => Grid::Small,
        Size::Whole => Grid::Whole,
    };
    let bar =
        if common.quiet || !std::io::stderr().is_terminal() { ProgressBar::hidden() } else { ProgressBar::no_length() };
    let progress = |done: usize, all: usize| {
        bar.set_length(all as u64);
        bar.set_position(done as u64);
    };
    let summary = synth::write_cohort(&settings, &args.out, &progress).map_err(Failure::nothing_done)?;
    bar.finish_and_clear();
    if common.json {
        out::json(&json!(summary))?;
    } else {
        out::text(&format!(
            "{} invented children, {} scans, {} parcels, {} MB of images.\nNext: keepstill run {}\n\
            The truth is in {}.\n",
            summary.children,
            summary.scans,
            summary.parcels,
            summary.image_bytes / 1_000_000,
            summary.study.display(),
            summary.truth.display()
        ))?;
    }
    Ok(exit::ALL_DONE)
}
