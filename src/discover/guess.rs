//! A first study file from what lies in a folder: `keepstill init`.
//!
//! Everything here is a guess, and the notes and the comments of the study file say so. Where only a person can choose,
//! the key is left in a comment that says so, and `keepstill check` then asks for it.

mod bids_study;
mod files;
mod loose;
mod motion_columns;

use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

use super::tidy;
use crate::tables::{missing, read_tsv};
use files::{Image, Kind, image_stem, words};

/// A study file to start from.
#[derive(Debug, Clone, PartialEq)]
pub struct Guess {
    /// Text of the study file.
    pub study_toml: String,
    /// Text of the scan table, to be written as `runs.tsv` beside the study file; none for a BIDS dataset.
    pub scan_table: Option<String>,
    /// What was guessed, in plain words.
    pub notes: Vec<String>,
}

/// Why nothing could be guessed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GuessError {
    #[error("{} is not a folder; name the folder that holds the scans", path.display())]
    NotAFolder { path: PathBuf },
    #[error("cannot list {}: {reason}; check the permissions", path.display())]
    Unlistable { path: PathBuf, reason: String },
    #[error("more than {limit} files; name the folder that holds this study's scans alone")]
    TooManyFiles { limit: usize },
    #[error("{} holds no 4-D image (.nii, .nii.gz or .hdr with .img); name the folder that holds the scans",
        path.display())]
    NoRuns { path: PathBuf },
}

/// Looks through a folder and describes what it seems to hold. `study_dir` is where the study file will lie; paths in
/// the texts are relative to it.
///
/// # Errors
/// A folder that cannot be read or holds no run.
pub fn guess(data: &Path, study_dir: &Path) -> Result<Guess, GuessError> {
    if !data.is_dir() {
        return Err(GuessError::NotAFolder { path: data.to_owned() });
    }
    // Links are followed once, here, so that `..` in the written paths leads where it says.
    let (data, study_dir) = (&real(data), &real(study_dir));
    let all = files::below(data)?;
    let images = files::images(&all);
    let found = Contents { data, study_dir, files: &all, images: &images };
    if let Some(guess) = bids_study::guess(&found) {
        return Ok(guess);
    }
    loose::guess(&found).ok_or_else(|| GuessError::NoRuns { path: data.to_owned() })
}

/// What every guess says, so that nothing is missed in silence.
const NOT_LOOKED_FOR: &str = "watch logs and confounds tables are not searched for: if there are any, name them by \
    hand";

/// The folder's contents, as the guesses for datasets and loose files need them.
struct Contents<'a> {
    data: &'a Path,
    study_dir: &'a Path,
    files: &'a [PathBuf],
    images: &'a [Image],
}

impl Contents<'_> {
    /// A path as the study file writes it.
    fn relative(&self, path: &Path) -> String {
        relative(self.study_dir, path)
    }

    fn of_kind(&self, kind: Kind) -> impl Iterator<Item = &Path> {
        self.images.iter().filter(move |image| image.kind == kind).map(|image| image.path.as_path())
    }

    /// `[children]`, for a participants table in the folder.
    fn children(&self, in_dataset: bool, notes: &mut Vec<String>) -> String {
        let path = self.data.join("participants.tsv");
        let Some(table) = read_tsv(&path).ok().filter(|table| table.column("participant_id").is_some()) else {
            return "# [children]                 # no participants table was found; with one, ages can set the sphere \
                radius\n# table      = \"participants.tsv\"\n# age_column = \"age\"\n"
                .to_owned();
        };
        let mut text = "[children]\n".to_owned();
        if !in_dataset {
            let _ = writeln!(text, "table      = {}", quoted(&self.relative(&path)));
        }
        let header = table.header.as_deref().unwrap_or_default();
        let named = |known: &[&str]| header.iter().find(|name| words(name).iter().any(|w| known.contains(&w.as_str())));
        if let Some(age) = named(&["age"]) {
            let words = words(age);
            let unit = ["months", "weeks", "days", "years"]
                .into_iter()
                .find(|unit| words.iter().any(|word| word == unit || format!("{word}s") == **unit));
            let (unit, why) = match unit {
                Some(unit) => (unit, "by the column's name"),
                // BIDS specification, "Participants file": age is in years unless a data dictionary says otherwise.
                None => ("years", "the BIDS convention; CHECK: could be months, weeks or days"),
            };
            let _ = writeln!(text, "age_column = {}", quoted(age));
            let _ = writeln!(text, "age_unit   = \"{unit}\"       # {why}");
            notes.push(format!("ages are in column '{age}', taken as {unit} ({why})"));
        }
        if let Some(sex) = named(&["sex", "gender"]) {
            let _ = writeln!(text, "sex_column = {}", quoted(sex));
            notes.push(format!("sex is in column '{sex}'"));
        }
        let given = table.rows.iter().filter(|row| !row.cells.iter().all(|cell| missing(cell))).count();
        notes.push(format!("{given} children in {}", self.relative(&path)));
        text
    }

    /// `[[parcels]]`: the first atlas found, others in comments.
    fn parcels(&self, notes: &mut Vec<String>) -> String {
        let mut text = String::new();
        for (i, image) in self.of_kind(Kind::Atlas).enumerate() {
            let stem = image_stem(image).unwrap_or_default();
            let mut name: String = stem.chars().filter(char::is_ascii_alphanumeric).collect();
            if name.is_empty() {
                name = format!("atlas{}", i + 1);
            }
            let mark = if i == 0 { "" } else { "# " };
            let told = self.relative(image);
            let _ = writeln!(text, "{mark}[[parcels]]");
            let _ = writeln!(text, "{mark}name   = {}", quoted(&name));
            let _ =
                writeln!(text, "{mark}image  = {}   # taken for an atlas because of its name; CHECK", quoted(&told));
            let labels = image.with_file_name(format!("{stem}.tsv"));
            if labels.is_file() {
                let _ = writeln!(text, "{mark}labels = {}", quoted(&self.relative(&labels)));
            }
            text.push('\n');
            if i == 0 {
                notes.push(format!("{told} is taken for the atlas because of its name"));
            }
        }
        if text.is_empty() {
            notes.push("no atlas was found: fill in the [[parcels]] block of the study file".to_owned());
            text.push_str(
                "# CHOOSE: no atlas was found. Take the marks off and name one; it must be in the space of the scans.\n\
                 # [[parcels]]\n# name   = \"myatlas\"         # letters and digits\n\
                 # image  = \"atlas.nii.gz\"    # 3-D integer labels, or 4-D weights, one parcel per volume\n\
                 # labels = \"atlas.tsv\"       # index, name; optional\n\n",
            );
        }
        text
    }
}

/// `[clean]`: tissue means for those tissues that every scan has a mask for.
fn clean(has_white_matter: bool, has_csf: bool, notes: &mut Vec<String>) -> String {
    let tissues: Vec<&str> = [("\"white_matter\"", has_white_matter), ("\"csf\"", has_csf)]
        .into_iter()
        .filter_map(|(name, has)| has.then_some(name))
        .collect();
    if tissues.len() == 2 {
        return String::new();
    }
    notes.push(
        "not every scan has masks of white matter and csf, so means of a tissue without them are not \
        removed"
            .to_owned(),
    );
    format!(
        "[clean]\ntissue_means = [{}]            # masks of the other tissues were not found for every scan\n\n",
        tissues.join(", ")
    )
}

/// The head of a study file; the study is named after the folder.
fn head(found: &Contents<'_>) -> String {
    let data = tidy(found.data);
    let name = data.file_name().map_or("study".to_owned(), |name| name.to_string_lossy().into_owned());
    let name = if name.trim().is_empty() { "study".to_owned() } else { name };
    format!(
        "# A first study file, guessed by `keepstill init`. Look at the lines marked CHECK and CHOOSE, then run\n\
         # `keepstill check` on it. `keepstill init --defaults` prints every other key with its default.\n\n\
         [study]\nname    = {}\nresults = \"results\"\n\n",
        quoted(&name)
    )
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}

/// The full path without links, as far as it exists already.
fn real(path: &Path) -> PathBuf {
    let full = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let there = full.ancestors().find_map(|part| Some((part, part.canonicalize().ok()?)));
    match there {
        Some((part, real)) => tidy(&real.join(full.strip_prefix(part).unwrap_or(Path::new("")))),
        None => tidy(&full),
    }
}

/// `path` as seen from `folder`, by its letters alone.
fn relative(folder: &Path, path: &Path) -> String {
    let (folder, path) = (tidy(folder), tidy(path));
    let (mut from, mut to) = (folder.components().peekable(), path.components().peekable());
    while from.peek().is_some() && from.peek() == to.peek() {
        from.next();
        to.next();
    }
    let up = from.filter(|component| *component != Component::CurDir).map(|_| "..".to_owned());
    let parts: Vec<String> = up.chain(to.map(|part| part.as_os_str().to_string_lossy().into_owned())).collect();
    if parts.is_empty() { ".".to_owned() } else { parts.join("/") }
}

#[cfg(test)]
mod tests;
