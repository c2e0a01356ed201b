//! The same children before censoring by motion: a try of `keepstill run` whose settings are the study's but for the
//! limits of motion, which are off.
//!
//! A try serves only if every child of the stack has its matrices in it, made from the same inputs under the same
//! settings of all that changes a matrix. Otherwise the notes say why not, and how to make one.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde_json::{Value, json};

use super::facts::{ChildFacts, Kept};
use crate::stack::gather::children::{Child, GatheredChildren};
use crate::tables;

/// Sections that must agree; of `censor` only what is not about motion.
const SAME: [&str; 6] = ["scans", "children", "motion", "clean", "parcels", "connectivity"];
/// Keys of `censor` that a limit of motion gives its meaning.
const OF_MOTION: [&str; 5] = ["fd_mm", "dvars_percent", "before", "after", "shortest_stretch"];

/// A try without censoring by motion.
#[derive(Debug)]
pub(super) struct Uncensored {
    /// Its folder below `tries`.
    pub name: String,
    pub results: PathBuf,
    /// Of each child of the stack.
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
    /// The command that makes what is lacking.
    pub(super) fn command(&self, settings: Option<&Value>) -> Option<String> {
        let Self::None(_) = self else { return None };
        let jumps = settings.is_some_and(|s| s["censor"]["dvars_percent"].as_f64() != Some(0.0));
        let also = if jumps { " censor.dvars_percent=0" } else { "" };
        Some(format!("keepstill run STUDY --try censor.fd_mm=0{also}"))
    }

    /// What `quality.json` says.
    pub(super) fn told(&self, settings: Option<&Value>) -> Value {
        let (status, name, why) = match self {
            Self::Try(found) => ("compared", Some(found.name.as_str()), None),
            Self::Study => ("study_without_censoring", None, None),
            Self::None(why) => ("none", None, Some(why.as_str())),
        };
        json!({ "status": status, "try": name, "why_not": why, "command": self.command(settings) })
    }
}

/// A child's report, as far as it is needed.
fn report(path: &Path) -> Result<Value, String> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let bytes = fs::read(path).map_err(|error| format!("{name}: {error}"))?;
    serde_json::from_slice(&bytes).map_err(|error| format!("{name}: {error}"))
}

/// The settings of the first child's report, which are those of the study's last run.
pub(super) fn settings(results: &Path, child: &Child) -> Result<Value, String> {
    let mut report = report(&child.report(results))?;
    match report["settings"].take() {
        settings @ Value::Object(_) => Ok(settings),
        _ => Err(format!("{}_report.json has no settings", child.stem)),
    }
}

/// Whether settings drop no frame for motion.
fn without_limits(settings: &Value) -> bool {
    let off = |key: &str| settings["censor"][key].as_f64() == Some(0.0);
    off("fd_mm") && off("dvars_percent")
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
fn inputs(report: &Value) -> Vec<&Value> {
    report["runs"].as_array().map(|runs| runs.iter().map(|run| &run["inputs"]).collect()).unwrap_or_default()
}

/// Why a child's results in a try do not serve, if they do not.
fn unfit(results: &Path, tried: &Path, found: &GatheredChildren, child: &Child) -> Option<String> {
    for kind in 0..found.kinds.len() {
        let (path, _) = child.matrix(tried, &found.kinds, kind);
        if !path.is_file() {
            return Some(format!("lacks {}", path.file_name().unwrap_or_default().to_string_lossy()));
        }
    }
    let both = report(&child.report(results)).and_then(|own| Ok((own, report(&child.report(tried))?)));
    let (own, other) = match both {
        Ok(both) => both,
        Err(error) => return Some(format!("cannot be compared: {error}")),
    };
    if !without_limits(&other["settings"]) {
        return Some(format!("has limits of motion for {}", child.stem));
    }
    if let Some(key) = difference(&own["settings"], &other["settings"]) {
        return Some(format!("differs from the study in {key} too"));
    }
    (inputs(&own) != inputs(&other)).then(|| format!("was made from other files of {}", child.stem))
}

/// Looks for results of the same children before censoring by motion.
pub(super) fn find(
    results: &Path,
    found: &GatheredChildren,
    facts: &[ChildFacts],
    settings: &Result<Value, String>,
) -> Before {
    match settings {
        Err(error) => return Before::None(format!("the study's settings are not known ({error})")),
        Ok(settings) if without_limits(settings) => return Before::Study,
        Ok(_) => {}
    }
    let folder = results.join("tries");
    let mut names: Vec<String> = fs::read_dir(&folder)
        .map(|entries| entries.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect())
        .unwrap_or_default();
    names.sort();
    let mut whys = Vec::new();
    for name in names {
        let tried = folder.join(&name);
        // Tries of something else are passed over in silence, by the first child's settings.
        let first = found.children.iter().find_map(|child| self::settings(&tried, child).ok());
        if !first.is_some_and(|settings| without_limits(&settings)) {
            continue;
        }
        let why = found.children.par_iter().find_map_first(|child| unfit(results, &tried, found, child));
        // Of equal minutes as much is used before censoring as after.
        let kept = || match found.equal {
            Some(_) => Ok(facts.iter().map(|facts| facts.kept).collect()),
            None => kept(&tried, &found.children),
        };
        match why.map_or_else(kept, Err) {
            Ok(kept) => return Before::Try(Uncensored { name, results: tried, kept }),
            Err(why) => whys.push(format!("the try {name} {why}")),
        }
    }
    if whys.is_empty() {
        Before::None("no try of this study is without limits of motion".to_owned())
    } else {
        Before::None(whys.join("; "))
    }
}

/// What a try kept of each child.
fn kept(tried: &Path, children: &[Child]) -> Result<Vec<Kept>, String> {
    let table = tables::read_tsv(&tried.join("cohort.tsv")).map_err(|error| format!("cannot be read: {error}"))?;
    let need = |column: &str| table.column(column).ok_or_else(|| format!("has no column {column} in its cohort.tsv"));
    let ids = [need("participant_id")?, need("session_id")?, need("run_id")?];
    let [minutes, share, dof] = Kept::COLUMNS;
    let columns = [need(minutes)?, need(share)?, need(dof)?];
    let mut rows: BTreeMap<[&str; 3], usize> = BTreeMap::new();
    for (row, line) in table.rows.iter().enumerate() {
        rows.insert(ids.map(|at| line.cells[at].as_str()), row);
    }
    children
        .iter()
        .map(|child| {
            let ids = child.ids.each_ref().map(String::as_str);
            let row = *rows.get(&ids).ok_or_else(|| format!("has no row of {} in its cohort.tsv", child.stem))?;
            let mut values = [f64::NAN; 3];
            for (value, &column) in values.iter_mut().zip(&columns) {
                *value = table.number(row, column).map_err(|error| error.to_string())?.unwrap_or(f64::NAN);
            }
            Ok(Kept::new(values))
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
            "censor": { "fd_mm": 0.2, "dvars_percent": 0.0, "before": 1, "watch_log": true }, "enough": { "minutes": 5 },
        });
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
