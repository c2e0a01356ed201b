//! A folder's contents, and paths in it as the study file writes them.

use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

use super::answer::Wishes;
use super::files::{Image, Kind, frames, image_stem, words};
use super::quoting::quoted;
use crate::discover::paths::tidy;
use crate::tables::{missing, read_tsv};

/// The folder's contents, as the guesses for datasets and loose files need them.
pub(super) struct Contents<'a> {
    pub(super) data: &'a Path,
    pub(super) study_dir: &'a Path,
    pub(super) files: &'a [PathBuf],
    pub(super) images: &'a [Image],
    pub(super) wishes: &'a Wishes,
}

/// `[children]`, and whether the participants table has an age for every child.
pub(super) struct GuessedChildren {
    pub(super) text: String,
    pub(super) ages: bool,
}

impl Contents<'_> {
    /// A path as the study file writes it.
    pub(super) fn relative(&self, path: &Path) -> String {
        relative(self.study_dir, path)
    }

    pub(super) fn of_kind(&self, kind: Kind) -> impl Iterator<Item = &Path> {
        self.images.iter().filter(move |image| image.kind == kind).map(|image| image.path.as_path())
    }

    /// `[children]`, for a participants table in the folder.
    pub(super) fn children(&self, in_dataset: bool, notes: &mut Vec<String>) -> GuessedChildren {
        let path = self.data.join("participants.tsv");
        let Some(table) = read_tsv(&path).ok().filter(|table| table.column("participant_id").is_some()) else {
            let text = "# [children]                 # no participants table was found; with one, ages can set the \
                sphere radius\n# table      = \"participants.tsv\"\n# age_column = \"age\"\n";
            return GuessedChildren { text: text.to_owned(), ages: false };
        };
        let mut ages = false;
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
            let of_child = |row: usize| table.column(age).and_then(|col| table.number(row, col).ok().flatten());
            ages = !table.rows.is_empty() && (0..table.rows.len()).all(|row| of_child(row).is_some());
            notes.push(if ages {
                "rotations are turned into mm by each child's own head size, by age (motion.sphere_radius)".to_owned()
            } else {
                "not every child has an age, so the sphere keeps its radius of 50 mm (motion.sphere_radius)".to_owned()
            });
        }
        if let Some(sex) = named(&["sex", "gender"]) {
            let _ = writeln!(text, "sex_column = {}", quoted(sex));
            notes.push(format!("sex is in column '{sex}'"));
        }
        let given = table.rows.iter().filter(|row| !row.cells.iter().all(|cell| missing(cell))).count();
        notes.push(format!("{given} children in {}", self.relative(&path)));
        GuessedChildren { text, ages }
    }

    /// `[[parcels]]`: the first atlas found, others in comments.
    pub(super) fn parcels(&self, notes: &mut Vec<String>) -> String {
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
            if frames(image).is_some_and(|volumes| volumes > 1) {
                let _ = writeln!(
                    text,
                    "{mark}                # CHECK: 4-D, so each volume is taken for one parcel's weights"
                );
            }
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

/// The full path without links, as far as it exists already.
pub(super) fn real(path: &Path) -> PathBuf {
    let full = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let there = full.ancestors().find_map(|part| Some((part, part.canonicalize().ok()?)));
    match there {
        Some((part, real)) => tidy(&real.join(full.strip_prefix(part).unwrap_or(Path::new("")))),
        None => tidy(&full),
    }
}

/// `path` as seen from `folder`, by its letters alone.
pub(super) fn relative(folder: &Path, path: &Path) -> String {
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
