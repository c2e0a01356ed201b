//! The settings of each results folder's study, and in what they are unlike.
//!
//! They are those of the first child in the stack of each folder, whose report has the settings of the study's last
//! run.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

use crate::results::Report;
use crate::results::report::Settings;
use crate::stack::gather::children::{Child, GatheredChildren};
use crate::stack::gather::folders::Folders;
use crate::tables::and;

/// Sections of settings that change matrices, or who has enough.
const SECTIONS: [&str; 7] = ["motion", "censor", "clean", "parcels", "connectivity", "enough", "notice"];
/// How a site's tables are written, which says nothing of the numbers that are read from them.
const OF_TABLES: [&str; 4] = ["columns", "translation_unit", "rotation_unit", "rotation_order"];

/// The study of a results folder with a child in the stack.
#[derive(Debug)]
pub(crate) struct Study {
    /// Place of the folder.
    pub results: usize,
    /// The folder's name; empty where there is only one.
    pub name: String,
    /// Of its first child's report; if it cannot be read, why, in words.
    pub settings: Result<Settings, String>,
}

/// All of them, in the order of the folders.
#[derive(Debug)]
pub(crate) struct Studies {
    pub all: Vec<Study>,
}

/// A child's report; why not, in words that give the file's name and not its folder.
pub(super) fn report(results: &Folders, child: &Child) -> Result<Report, String> {
    let path = child.report(results);
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    Report::read(&path).map_err(|error| format!("{name}: {}", error.reason()))
}

impl Studies {
    pub(crate) fn read(results: &Folders, found: &GatheredChildren) -> Self {
        let mut all: Vec<Study> = Vec::new();
        for child in &found.children {
            if all.iter().any(|study| study.results == child.results) {
                continue;
            }
            let report = report(results, child);
            let name = results.name(child.results).unwrap_or_default().to_owned();
            all.push(Study { results: child.results, name, settings: report.map(|report| report.settings) });
        }
        Self { all }
    }

    /// Of all whose settings are known.
    pub(crate) fn known(&self) -> impl Iterator<Item = (&str, &Settings)> {
        self.all.iter().filter_map(|study| Some((study.name.as_str(), study.settings.as_ref().ok()?)))
    }

    /// Why the settings are not known, if those of some folder are not.
    pub(crate) fn unknown(&self) -> Option<String> {
        let why = |study: &Study| study.settings.as_ref().err().map(|why| study.of(why));
        if self.all.is_empty() { Some("there is no child".to_owned()) } else { self.all.iter().find_map(why) }
    }

    /// What all studies have in common; what they have instead, in words, where they differ.
    pub(crate) fn agreed<T: PartialEq>(
        &self,
        of: impl Fn(&Settings) -> T,
        words: impl Fn(&T) -> String,
    ) -> Option<Result<T, String>> {
        let mut values: Vec<(&str, T)> = self.known().map(|(name, settings)| (name, of(settings))).collect();
        if values.windows(2).any(|pair| pair[0].1 != pair[1].1) {
            let told: Vec<String> = values.iter().map(|(name, value)| format!("{} in {name}", words(value))).collect();
            return Some(Err(and(&told)));
        }
        values.pop().map(|(_, value)| Ok(value))
    }

    /// The names of the studies, for people.
    pub(crate) fn title(&self) -> Option<String> {
        let own = |settings: &Settings| settings.sections["study"]["name"].as_str().map(str::to_owned);
        match self.all.as_slice() {
            [only] => only.settings.as_ref().ok().and_then(own),
            several => Some(and(&several.iter().map(|study| study.name.as_str()).collect::<Vec<_>>())),
        }
    }

    /// The settings that matrices depend on: not how they are written, nor how much of them is enough. With several
    /// results folders, by the name of each.
    pub(crate) fn told(&self) -> Option<Value> {
        let of = |settings: &Settings| {
            let mut sections = settings.sections.clone();
            if let Some(sections) = sections.as_object_mut() {
                ["output", "enough"].iter().for_each(|section| drop(sections.shift_remove(*section)));
            }
            sections
        };
        match self.all.as_slice() {
            [only] => only.settings.as_ref().ok().map(of),
            _ => Some(Value::Object(self.known().map(|(name, settings)| (name.to_owned(), of(settings))).collect())),
        }
    }

    /// What to know where studies are unlike.
    pub(crate) fn note(&self) -> Option<String> {
        let known: Vec<(&str, Map<String, Value>)> =
            self.known().map(|(name, settings)| (name, flat(&settings.sections))).collect();
        let keys: BTreeSet<&String> = known.iter().flat_map(|(_, flat)| flat.keys()).collect();
        let unlike: Vec<String> = keys.into_iter().filter_map(|key| unlike(key, &known)).collect();
        if unlike.is_empty() {
            return None;
        }
        Some(format!(
            "the results folders were made with unlike settings: {}; children whose data were treated in different \
             ways differ in connectivity and in noise, so make the settings alike and do `keepstill run` again",
            unlike.join("; ")
        ))
    }
}

impl Study {
    /// With the folder's name in front, where there are several.
    pub(crate) fn of(&self, words: &str) -> String {
        if self.name.is_empty() { words.to_owned() } else { format!("{}: {words}", self.name) }
    }
}

/// The settings that are compared, as `section.key`; those of an atlas as `parcels.NAME.key`.
fn flat(sections: &Value) -> Map<String, Value> {
    let mut flat = Map::new();
    for section in SECTIONS {
        for (key, value) in sections[section].as_object().into_iter().flatten() {
            if section != "motion" || !OF_TABLES.contains(&key.as_str()) {
                flat.insert(format!("{section}.{key}"), value.clone());
            }
        }
        for atlas in sections[section].as_array().into_iter().flatten() {
            let name = atlas["name"].as_str().unwrap_or_default();
            for (key, value) in atlas.as_object().into_iter().flatten() {
                flat.insert(format!("{section}.{name}.{key}"), value.clone());
            }
        }
    }
    flat
}

/// A setting with the value of each folder, if these are unlike.
fn unlike(key: &str, known: &[(&str, Map<String, Value>)]) -> Option<String> {
    let values: Vec<Option<&Value>> = known.iter().map(|(_, flat)| flat.get(key)).collect();
    if values.windows(2).all(|pair| pair[0] == pair[1]) {
        return None;
    }
    let word = |value: &Option<&Value>| value.map_or("not known".to_owned(), Value::to_string);
    let told: Vec<String> =
        known.iter().zip(&values).map(|((name, _), value)| format!("{} in {name}", word(value))).collect();
    Some(format!("{key} ({})", told.join(", ")))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn what_changes_numbers_is_compared_and_how_tables_are_written_is_not() {
        let settings = |fd: f64, unit: &str, least: f64| {
            flat(&json!({
                "motion": { "translation_unit": unit, "displacement": "sum" },
                "censor": { "fd_mm": fd },
                "parcels": [{ "name": "a", "least_coverage": least }],
                "output": { "pages": fd > 0.2 },
            }))
        };
        let told = |one: Map<String, Value>, other: Map<String, Value>| -> Vec<String> {
            let keys: Vec<String> = one.keys().cloned().collect();
            let known = [("east", one), ("west", other)];
            keys.iter().filter_map(|key| unlike(key, &known)).collect()
        };
        assert!(told(settings(0.2, "mm", 0.5), settings(0.2, "m", 0.5)).is_empty());
        assert_eq!(
            told(settings(0.2, "mm", 0.5), settings(0.3, "mm", 0.6)),
            ["censor.fd_mm (0.2 in east, 0.3 in west)", "parcels.a.least_coverage (0.5 in east, 0.6 in west)"]
        );
    }
}
