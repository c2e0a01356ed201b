//! `keepstill init`.

use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use keepstill::discover::guess::{self, Wishes};
use keepstill::record::files::write_whole;
use keepstill::study::DEFAULTS;
use serde_json::json;

use super::exit::{self, Failure};
use super::{Common, out};

/// Look through a folder (BIDS or loose files) and write a commented study file.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  keepstill init dataset -o study.toml
  keepstill init dataset -o study.toml --table
  keepstill init --defaults               every default, with unit and source")]
pub(crate) struct Init {
    /// The folder with the scans.
    #[arg(required_unless_present = "defaults", value_hint = clap::ValueHint::DirPath)]
    data: Option<PathBuf>,
    /// The study file to write.
    #[arg(short, long, default_value = "study.toml", value_hint = clap::ValueHint::FilePath)]
    output: PathBuf,
    /// Print every default and do nothing else.
    #[arg(long, conflicts_with = "data")]
    defaults: bool,
    /// Write a scan table for a BIDS dataset, in place of patterns.
    #[arg(long, conflicts_with = "defaults")]
    table: bool,
    /// Overwrite an existing study file.
    #[arg(long)]
    overwrite: bool,
}

/// The scan table's name goes with the study file's, so that two studies can lie in one folder.
fn table_name(study: &Path) -> String {
    match study.file_stem().map(|stem| stem.to_string_lossy().into_owned()) {
        Some(stem) if stem != "study" && !stem.is_empty() => format!("{stem}-runs.tsv"),
        _ => "runs.tsv".to_owned(),
    }
}

pub(crate) fn main(args: &Init, common: &Common) -> Result<u8, Failure> {
    let Some(data) = &args.data else {
        out::text(DEFAULTS)?;
        return Ok(exit::ALL_DONE);
    };
    let folder = match args.output.parent() {
        Some(parent) if parent != Path::new("") => parent.to_owned(),
        _ => PathBuf::from("."),
    };
    let wishes = Wishes { table_name: table_name(&args.output), table: args.table };
    let guess = guess::guess(data, &folder, &wishes).map_err(Failure::nothing_done)?;
    let table = guess.scan_table.as_ref().map(|text| (folder.join(&wishes.table_name), text));
    for path in std::iter::once(&args.output).chain(table.iter().map(|(path, _)| path)) {
        if path.exists() && !args.overwrite {
            let message =
                format!("{}: the file exists already; give another name with -o, or use --overwrite", path.display());
            return Err(Failure::nothing_done(message));
        }
    }
    fs::create_dir_all(&folder).map_err(|e| Failure::nothing_done(format!("{}: {e}", folder.display())))?;
    if let Some((path, text)) = &table {
        write_whole(path, text.as_bytes()).map_err(Failure::nothing_done)?;
    }
    write_whole(&args.output, guess.study_toml.as_bytes()).map_err(Failure::nothing_done)?;
    let study = args.output.display().to_string();
    if common.json {
        let table = table.map(|(path, _)| path.display().to_string());
        out::json(&json!({ "study": study, "scan_table": table, "notes": guess.notes }))?;
    } else {
        let notes: String = guess.notes.iter().map(|note| format!("{note}\n")).collect();
        out::text(&format!("{notes}Wrote {study}. Next: read it, then `keepstill check {study}`.\n"))?;
    }
    Ok(exit::ALL_DONE)
}
