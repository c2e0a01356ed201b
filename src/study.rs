//! The study file: as written (TOML) and as checked.
//!
//! [`Study::read`] parses the file, lays it over `study/defaults.toml`, refuses what is unknown (with the nearest known
//! key and the line) and hands on plain settings structs. Nothing else in the library sees TOML.

mod age_unit;
pub mod bids_words;
mod checked;
mod file;
mod problem;
mod read;
pub mod settings;

pub use checked::{BidsPatterns, ScanSource, Study};
use std::path::Path;

use serde_json::{Map, Value, json};

pub use problem::{Fault, Problem, StudyError};

/// Every default with its unit and source, as `keepstill init --defaults` prints it: the only place that holds
/// defaults.
pub const DEFAULTS: &str = include_str!("study/defaults.toml");

/// The keys of a section; none where there is no such section.
#[must_use]
pub fn keys(section: &str) -> &'static [&'static str] {
    file::SECTIONS.into_iter().find(|(name, _)| *name == section).map_or(&[], |(_, keys)| keys)
}

/// The key that gives the same as another one in the other form: frames for seconds, seconds for frames.
#[must_use]
pub fn other_form(section: &str, key: &str) -> Option<&'static str> {
    let seconds_of = |other: &&&str| other.strip_suffix("_s") == Some(key) || key.strip_suffix("_s") == Some(**other);
    keys(section).iter().find(seconds_of).copied()
}

impl Study {
    /// Reads and checks a study file over the defaults. Files that it names are not looked at.
    ///
    /// # Errors
    /// A file that cannot be read, or every problem in it: syntax, unknown keys, values that are not allowed.
    pub fn read(path: &Path) -> Result<Self, StudyError> {
        let unreadable = |reason: String| StudyError::Unreadable { path: path.to_owned(), reason };
        let bytes = std::fs::read(path).map_err(|e| unreadable(e.to_string()))?;
        let text = String::from_utf8(bytes).map_err(|e| {
            let line = 1 + e.as_bytes()[..e.utf8_error().valid_up_to()].iter().filter(|b| **b == b'\n').count();
            StudyError::NotUtf8 { path: path.to_owned(), line }
        })?;
        Self::parse(&text, path)
    }

    /// As [`Self::read`], from text; `path` says where the file lies, so that paths in it can be joined.
    ///
    /// # Errors
    /// Every problem in the text.
    pub fn parse(text: &str, path: &Path) -> Result<Self, StudyError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        file::Document::parse(text, DEFAULTS)
            .and_then(|document| read::study(path, document))
            .map_err(|problems| StudyError::Problems { path: path.to_owned(), problems })
    }

    /// The folder of the study file, from which its paths are taken.
    #[must_use]
    pub fn folder(&self) -> &Path {
        self.path.parent().unwrap_or(Path::new(""))
    }

    /// All settings in force, by section and key of the study file. Paths are relative to the study file; a full path
    /// outside its folder is reduced to the file name, so that reports name nobody's disk.
    #[must_use]
    pub fn settings_json(&self) -> Value {
        let mut children = section(&self.children);
        children.insert("table".to_owned(), json!(self.children.table.as_deref().map(|path| self.told(path))));
        let mut clean = section(&self.clean);
        if self.clean.band_hz.is_none() {
            // As the study file writes it.
            clean.insert("band_hz".to_owned(), json!([]));
        }
        let mut scans = self.scans_json();
        if let Some(tr_s) = self.tr_s {
            scans["tr_s"] = json!(tr_s);
        }
        let parcels: Vec<Map<String, Value>> = self
            .parcels
            .iter()
            .map(|parcels| {
                let mut block = section(parcels);
                block.insert("image".to_owned(), json!(self.told(&parcels.image)));
                block.insert("labels".to_owned(), json!(parcels.labels.as_deref().map(|path| self.told(path))));
                block
            })
            .collect();
        json!({
            "study": { "name": self.name, "results": self.told(&self.results) },
            "scans": scans,
            "children": children,
            "motion": section(&self.motion),
            "censor": section(&self.censor),
            "clean": clean,
            "parcels": parcels,
            "connectivity": section(&self.connectivity),
            "enough": section(&self.enough),
            "notice": section(&self.notice),
            "output": section(&self.output),
        })
    }

    fn scans_json(&self) -> Value {
        match &self.scans {
            ScanSource::Table(path) => json!({ "table": self.told(path) }),
            ScanSource::Bids { root, entities, patterns } => {
                let told = |pattern: &Option<String>| pattern.as_ref().map(|p| self.told(Path::new(p)));
                json!({
                    "bids": self.told(root),
                    "where": entities,
                    "motion": told(&patterns.motion),
                    "confounds": told(&patterns.confounds),
                    "brain_mask": told(&patterns.brain_mask),
                    "white_matter": told(&patterns.white_matter),
                    "csf": told(&patterns.csf),
                    "watch_log": told(&patterns.watch_log),
                })
            }
        }
    }

    /// A message as reports may show it: without the folders of the study file, of the tables and datasets that it
    /// names, and of `files`, where these were given in full. The names of the files themselves stay.
    #[must_use]
    pub fn told_message(&self, message: &str, files: &[&Path]) -> String {
        let source = match &self.scans {
            ScanSource::Table(path) => path,
            ScanSource::Bids { root, .. } => root,
        };
        let parcels = self.parcels.iter().flat_map(|p| [Some(p.image.as_path()), p.labels.as_deref()]).flatten();
        let named = [source.as_path(), &self.results].into_iter().chain(self.children.table.as_deref());
        let named = named.chain(parcels).chain(files.iter().copied()).filter(|path| path.is_absolute());
        let mut folders: Vec<&Path> = named.filter_map(Path::parent).filter(|f| f.parent().is_some()).collect();
        // The longest first, so that no half of a path is left; but within the study's folder, the way from it stays.
        folders.retain(|folder| self.folder().as_os_str().is_empty() || !folder.starts_with(self.folder()));
        folders.sort_by_key(|folder| std::cmp::Reverse(folder.as_os_str().len()));
        folders.push(self.folder());
        folders
            .into_iter()
            .fold(message.to_owned(), |text, folder| without_folder(&text, &folder.display().to_string()))
    }

    /// A path as reports may show it.
    fn told(&self, path: &Path) -> String {
        let inside = if self.folder().as_os_str().is_empty() { None } else { path.strip_prefix(self.folder()).ok() };
        let told = match inside {
            Some(inside) if inside.as_os_str().is_empty() => Path::new("."),
            Some(inside) => inside,
            None if path.is_absolute() => path.file_name().map_or(Path::new("/"), Path::new),
            None => path,
        };
        told.display().to_string()
    }
}

/// Text without `folder/` where a path starts with it.
fn without_folder(text: &str, folder: &str) -> String {
    if folder.is_empty() {
        return text.to_owned();
    }
    let (mut out, mut rest) = (String::new(), text);
    while let Some(at) = rest.find(&format!("{folder}/")) {
        let (before, after) = rest.split_at(at);
        out.push_str(before);
        let inside_a_path = out.chars().next_back().is_some_and(|c| c.is_alphanumeric() || "/._-".contains(c));
        if inside_a_path {
            out.push_str(&after[..=folder.len()]);
        }
        rest = &after[folder.len() + 1..];
    }
    out + rest
}

/// A settings struct as a JSON object.
fn section(settings: &impl serde::Serialize) -> Map<String, Value> {
    match serde_json::to_value(settings) {
        Ok(Value::Object(map)) => map,
        // Settings structs hold only text, numbers and lists, so they are always objects.
        _ => Map::new(),
    }
}

#[cfg(test)]
mod tests;
