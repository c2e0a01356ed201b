//! The same children before censoring by motion: a try of `keepstill run` with the study's settings, except that the
//! limits of motion are off.
//!
//! A try can be used only if it has the matrices of every child in the stack, made from the same inputs with the same
//! settings (all that change a matrix). Otherwise the notes say why none can be used, and how to make one.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde_json::{Value, json};

use super::facts::{ChildFacts, Kept};
use super::studies::{Studies, Study, report};
use crate::results::{CohortTable, Layout, Report};
use crate::stack::gather::children::{Child, GatheredChildren};
use crate::stack::gather::folders::Folders;
use crate::study::settings::CensorSettings;
use crate::tables::TextRow;

/// Sections that must agree; in `censor`, only what is not about motion.
const SAME: [&str; 6] = ["scans", "children", "motion", "clean", "parcels", "connectivity"];
/// Keys of `censor` that a limit of motion gives its meaning.
const OF_MOTION: [&str; 8] =
    ["fd_mm", "dvars_percent", "before", "before_s", "after", "after_s", "shortest_stretch", "shortest_stretch_s"];

/// A try without censoring by motion.
#[derive(Debug)]
pub(super) struct Uncensored {
    /// Its folder below `tries`.
    pub name: String,
    pub results: Folders,
    /// For each child of the stack.
    pub kept: Vec<Kept>,
}

/// What there is to compare with.
#[derive(Debug)]
pub(super) enum Before {
    Try(Uncensored),
    /// The study itself drops nothing for motion: its own results are those before censoring.
    Study,
    /// In words.
    None(String),
}

impl Before {
    /// The command that makes what is missing.
    pub(super) fn command(&self, studies: &Studies) -> Option<String> {
        let Self::None(_) = self else { return None };
        let jumps = studies.known().any(|(_, settings)| settings.censor.dvars_percent != 0.0);
        let also = if jumps { " censor.dvars_percent=0" } else { "" };
        Some(format!("keepstill run STUDY --try censor.fd_mm=0{also}"))
    }

    /// What `quality.json` says.
    pub(super) fn told(&self, studies: &Studies) -> Value {
        let (status, name, why) = match self {
            Self::Try(found) => ("compared", Some(found.name.as_str()), None),
            Self::Study => ("study_without_censoring", None, None),
            Self::None(why) => ("none", None, Some(why.as_str())),
        };
        json!({ "status": status, "try": name, "why_not": why, "command": self.command(studies) })
    }
}

/// Whether settings drop no frame for motion.
fn without_limits(censor: &CensorSettings) -> bool {
    censor.fd_mm == 0.0 && censor.dvars_percent == 0.0
}

/// The first setting that differs, where it may not.
fn difference(study: &Value, tried: &Value) -> Option<String> {
    let keys = |section: &str| -> BTreeSet<String> {
        let of = |settings: &Value| {
            settings[section].as_object().map(|o| o.keys().cloned().collect::<Vec<_>>()).unwrap_or_default()
        };
        of(study).into_iter().chain(of(tried)).collect()
    };
    for section in SAME.into_iter().chain(["censor"]) {
        if study[section] == tried[section] {
            continue;
        }
        let free = |key: &String| section == "censor" && OF_MOTION.contains(&key.as_str());
        match keys(section).into_iter().find(|key| !free(key) && study[section][key] != tried[section][key]) {
            Some(key) => return Some(format!("{section}.{key}")),
            None if section == "censor" => {}
            // Lists of tables, such as the parcels, have no keys of their own.
            None => return Some(section.to_owned()),
        }
    }
    None
}

/// Digests of what each run was made from.
fn inputs(report: &Report) -> Vec<&BTreeMap<String, String>> {
    report.runs.iter().map(|run| &run.inputs).collect()
}

/// Why a child's results in a try cannot be used, if they cannot.
fn unfit(results: &Folders, tried: &Folders, found: &GatheredChildren, child: &Child) -> Option<String> {
    for kind in 0..found.kinds.len() {
        let (path, _) = child.matrix(tried, &found.kinds, kind);
        if !path.is_file() {
            return Some(format!("lacks {}", path.file_name().unwrap_or_default().to_string_lossy()));
        }
    }
    let both = report(results, child).and_then(|own| Ok((own, report(tried, child)?)));
    let (own, other) = match both {
        Ok(both) => both,
        Err(error) => return Some(format!("cannot be compared: {error}")),
    };
    if !without_limits(&other.settings.censor) {
        return Some(format!("has limits of motion for {}", child.stem));
    }
    if let Some(key) = difference(&own.settings.sections, &other.settings.sections) {
        return Some(format!("differs from the study in {key} too"));
    }
    (inputs(&own) != inputs(&other)).then(|| format!("was made from other files of {}", child.stem))
}

/// Looks for results of the same children before censoring by motion: in each results folder a try, or the folder
/// itself where its study drops nothing for motion.
pub(super) fn find(results: &Folders, found: &GatheredChildren, facts: &[ChildFacts], studies: &Studies) -> Before {
    if let Some(error) = studies.unknown() {
        return Before::None(format!("the study's settings are not known ({error})"));
    }
    let free = |study: &&Study| study.settings.as_ref().is_ok_and(|settings| without_limits(&settings.censor));
    if studies.all.iter().all(|study| free(&study)) {
        return Before::Study;
    }
    let mut folders = results.paths().to_vec();
    let mut kept: Vec<Kept> = facts.iter().map(|facts| facts.kept).collect();
    let mut names: Vec<String> = Vec::new();
    for study in studies.all.iter().filter(|study| !free(study)) {
        match of_study(results, found, study) {
            Ok(tried) => {
                folders[study.results].clone_from(&tried.folder);
                tried.kept.into_iter().for_each(|(child, own)| kept[child] = own);
                if !names.contains(&tried.name) {
                    names.push(tried.name);
                }
            }
            Err(why) => return Before::None(study.of(&why)),
        }
    }
    Before::Try(Uncensored { name: names.join(" and "), results: results.at(folders), kept })
}

/// A try of one study that can be used.
struct Tried {
    name: String,
    folder: PathBuf,
    /// What it kept of each child of this study, by the child's place; empty where as much is used as after censoring.
    kept: Vec<(usize, Kept)>,
}

/// The first try of a study that can be used; why there is none, in words.
fn of_study(results: &Folders, found: &GatheredChildren, study: &Study) -> Result<Tried, String> {
    let folder = Layout::new(results.path(study.results)).attempts();
    let mut names: Vec<String> = fs::read_dir(&folder)
        .map(|entries| entries.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect())
        .unwrap_or_default();
    names.sort();
    let children: Vec<(usize, &Child)> =
        found.children.iter().enumerate().filter(|(_, child)| child.results == study.results).collect();
    let mut whys = Vec::new();
    for name in names {
        let folder = folder.join(&name);
        let mut folders = results.paths().to_vec();
        folders[study.results].clone_from(&folder);
        let tried = results.at(folders);
        // Tries of something else, by the first child's settings, are passed over in silence.
        let first = children.iter().find_map(|(_, child)| report(&tried, child).ok());
        if !first.is_some_and(|report| without_limits(&report.settings.censor)) {
            continue;
        }
        let why = children.par_iter().find_map_first(|(_, child)| unfit(results, &tried, found, child));
        // With equal data, as much is used before censoring as after.
        let kept = || match found.equal {
            Some(_) => Ok(Vec::new()),
            None => kept(&folder, &children),
        };
        match why.map_or_else(kept, Err) {
            Ok(kept) => return Ok(Tried { name, folder, kept }),
            Err(why) => whys.push(format!("the try {name} {why}")),
        }
    }
    Err(if whys.is_empty() { "no try of this study is without limits of motion".to_owned() } else { whys.join("; ") })
}

/// What a try kept of each child.
fn kept(tried: &Path, children: &[(usize, &Child)]) -> Result<Vec<(usize, Kept)>, String> {
    let table = CohortTable::open(tried).map_err(|error| format!("cannot be read: {error}"))?;
    let need = |column: &str| table.column(column).ok_or_else(|| format!("has no column {column} in its cohort.tsv"));
    let ids = [need("participant_id")?, need("session_id")?, need("run_id")?];
    let [minutes, share, dof] = Kept::COLUMNS;
    let columns = [need(minutes)?, need(share)?, need(dof)?];
    let mut rows: BTreeMap<[String; 3], TextRow> = BTreeMap::new();
    for row in table.rows() {
        let row = row.map_err(|error| format!("cannot be read: {error}"))?;
        rows.insert(ids.map(|at| row.cells[at].clone()), row);
    }
    children
        .iter()
        .map(|&(place, child)| {
            let none = || format!("has no row of {} in its cohort.tsv", child.stem);
            let row = rows.get(&child.own_ids).ok_or_else(none)?;
            let mut values = [f64::NAN; 3];
            for (value, &column) in values.iter_mut().zip(&columns) {
                *value = table.number(row, column).map_err(|error| error.to_string())?.unwrap_or(f64::NAN);
            }
            Ok((place, Kept::new(values)))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_limits_of_motion_may_differ() {
        let study = json!({
            "motion": { "from": "table" }, "clean": { "fill": "linear" }, "parcels": [{ "name": "a" }],
            "censor": {
                "fd_mm": 0.2, "dvars_percent": 0.0, "before": 1, "after": 1, "shortest_stretch": 5, "settling": "auto",
                "watch_log": true, "watch_log_types": [],
            },
            "enough": { "minutes": 5 },
        });
        let without_limits =
            |study: &Value| super::without_limits(&serde_json::from_value(study["censor"].clone()).unwrap());
        let changed = |section: &str, key: &str, value: Value| {
            let mut other = study.clone();
            other["censor"]["fd_mm"] = json!(0.0);
            other[section][key] = value;
            other
        };
        assert!(!without_limits(&study));
        let off = changed("enough", "minutes", json!(2));
        assert!(without_limits(&off) && difference(&study, &off).is_none());
        assert!(!without_limits(&changed("censor", "dvars_percent", json!(5.0))));
        assert_eq!(difference(&study, &changed("censor", "before", json!(0))), None);
        let differs =
            |section: &str, key: &str, value: Value| difference(&study, &changed(section, key, value)).unwrap();
        assert_eq!(differs("censor", "watch_log", json!(false)), "censor.watch_log");
        assert_eq!(differs("clean", "fill", json!("spectral")), "clean.fill");
        let mut other = off.clone();
        other["parcels"][0]["name"] = json!("b");
        assert_eq!(difference(&study, &other).unwrap(), "parcels");
    }
}
