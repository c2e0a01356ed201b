//! Scans from a BIDS dataset, raw or derivative: `sub-*/[ses-*/]func/*_bold.nii[.gz]`.
//!
//! A file name is `key-label` pairs joined by underscores, then the suffix (BIDS specification, "File name structure").
//! The repetition time comes from JSON sidecars by the inheritance principle of the same specification: a sidecar
//! applies to a run when it lies in the run's folder or above and all its entities are among the run's; the nearest one
//! that has the field wins.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::paths::check_file;
use super::problem::{CohortProblem, ScanProblem};
use super::scan::{GivenTr, Scan, ScanId};
use super::sidecar::time_in;
use crate::remark::Remark;
use crate::study::BidsPatterns;
use crate::study::bids_words::{ENTITIES, is_label};

/// Entities whose labels are numbers, so that `1` and `01` are the same (BIDS specification, "index").
const INDEX_ENTITIES: [&str; 6] = ["run", "echo", "flip", "inv", "split", "chunk"];

/// A file name split into its parts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BidsName {
    /// Entity keys and labels.
    pub entities: BTreeMap<String, String>,
    /// Keys in the order of the name.
    pub order: Vec<String>,
    /// The last part, without extension.
    pub suffix: String,
    /// From the first point of the suffix on.
    pub extension: String,
    /// Parts that are not a `key-label` pair.
    pub odd_parts: Vec<String>,
}

impl BidsName {
    /// Splits any file name; a name that does not follow the standard has `odd_parts` or an odd suffix.
    #[must_use]
    pub fn parse(name: &str) -> Self {
        let (stem, extension) = name.find('.').map_or((name, ""), |at| name.split_at(at));
        let mut parts: Vec<&str> = stem.split('_').collect();
        let suffix = parts.pop().unwrap_or_default().to_owned();
        let (mut entities, mut order, mut odd_parts) = (BTreeMap::new(), Vec::new(), Vec::new());
        for part in parts {
            match part.split_once('-') {
                Some((key, label)) if !key.is_empty() && !label.is_empty() && !entities.contains_key(key) => {
                    entities.insert(key.to_owned(), label.to_owned());
                    order.push(key.to_owned());
                }
                _ => odd_parts.push(part.to_owned()),
            }
        }
        Self { entities, order, suffix, extension: extension.to_owned(), odd_parts }
    }

    fn matches(&self, wanted: &BTreeMap<String, String>) -> bool {
        wanted.iter().all(|(key, label)| {
            self.entities.get(key).is_some_and(|found| {
                let index = INDEX_ENTITIES.contains(&key.as_str());
                found == label
                    || index && matches!((found.parse::<u64>(), label.parse::<u64>()), (Ok(a), Ok(b)) if a == b)
            })
        })
    }
}

/// A run's image file, before it becomes a scan.
struct RunFile {
    path: PathBuf,
    name: BidsName,
    id: ScanId,
    /// Folders from the dataset's root to the file's, nearest last.
    folders: Vec<PathBuf>,
    problems: Vec<ScanProblem>,
}

/// Reads the scans of a dataset, in the order of file names.
pub(super) fn scans(
    root: &Path,
    wanted: &BTreeMap<String, String>,
    patterns: &BidsPatterns,
    study_folder: &Path,
    problems: &mut Vec<CohortProblem>,
) -> Vec<Scan> {
    if !root.is_dir() {
        problems.push(CohortProblem::NoDataset { path: root.to_owned() });
        return Vec::new();
    }
    let all = runs(root, problems);
    if all.is_empty() && problems.is_empty() {
        problems.push(CohortProblem::NoRuns { path: root.to_owned() });
    }
    let count = all.len();
    let found = wanted.keys().map(|key| labels_found(key, all.iter().map(|run| &run.name))).collect::<Vec<_>>();
    let mut runs: Vec<RunFile> = all.into_iter().filter(|run| run.name.matches(wanted)).collect();
    if runs.is_empty() && count > 0 {
        let wanted: Vec<String> = wanted.iter().map(|(key, label)| format!("{key} = \"{label}\"")).collect();
        problems.push(CohortProblem::NothingMatches {
            path: root.to_owned(),
            count,
            wanted: wanted.join(", "),
            found: found.join("; "),
        });
    }
    refuse_several_files(&mut runs);
    let mut sidecars = Sidecars::default();
    let mut watch_logs = WatchLogs::default();
    let scans = runs
        .into_iter()
        .map(|mut run| {
            let (sidecar_s, faults) = sidecars.repetition_time(&run);
            let tr =
                GivenTr { sidecar_s, sidecar_faults: faults.iter().map(Remark::from).collect(), ..GivenTr::default() };
            let stem = run.path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
            let stem = stem.strip_suffix(".gz").unwrap_or(stem);
            let stem = stem.strip_suffix(".nii").unwrap_or(stem);
            let stem = stem.strip_suffix("_bold").unwrap_or(stem);
            let place = |pattern: &Option<String>| {
                pattern.as_ref().map(|pattern| study_folder.join(fill(pattern, &run.id, stem)))
            };
            let problems = &mut run.problems;
            let mut file = |what, pattern: &Option<String>| {
                let path = place(pattern)?;
                problems.extend(check_file(what, &path, || format!("the pattern scans.{what}")));
                Some(path)
            };
            let motion = file("motion", &patterns.motion);
            let confounds = file("confounds", &patterns.confounds);
            let brain_mask = file("brain_mask", &patterns.brain_mask);
            let white_matter = file("white_matter", &patterns.white_matter);
            let csf = file("csf", &patterns.csf);
            let watch_log = watch_logs.take(place(&patterns.watch_log), &mut run.problems);
            Scan {
                id: run.id,
                bold: run.path,
                tr,
                motion,
                confounds,
                brain_mask,
                white_matter,
                csf,
                watch_log,
                problems: run.problems.iter().map(Remark::from).collect(),
            }
        })
        .collect();
    if let (false, Some(path)) = (watch_logs.any, watch_logs.first) {
        problems.push(CohortProblem::NoWatchLogs { path });
    }
    scans
}

/// Not every scan has a watch log, so a pattern may find nothing for some; a pattern that never finds any is a mistake.
#[derive(Default)]
struct WatchLogs {
    any: bool,
    first: Option<PathBuf>,
}

impl WatchLogs {
    fn take(&mut self, path: Option<PathBuf>, problems: &mut Vec<ScanProblem>) -> Option<PathBuf> {
        let path = path?;
        self.first.get_or_insert_with(|| path.clone());
        match check_file("watch_log", &path, String::new) {
            None => {}
            Some(ScanProblem::NoFile { .. }) => return None,
            Some(problem) => problems.push(problem),
        }
        self.any = true;
        Some(path)
    }
}

fn runs(root: &Path, problems: &mut Vec<CohortProblem>) -> Vec<RunFile> {
    let mut runs = Vec::new();
    for participant in folders(root, "sub-", problems) {
        let mut above = vec![vec![root.to_owned(), participant.clone()]];
        for session in folders(&participant, "ses-", problems) {
            above.push(vec![root.to_owned(), participant.clone(), session]);
        }
        for mut folders in above {
            let func = folders[folders.len() - 1].join("func");
            if !func.is_dir() {
                continue;
            }
            folders.push(func.clone());
            for path in listed(&func, problems) {
                let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
                if name.starts_with('.') || !(name.ends_with("_bold.nii") || name.ends_with("_bold.nii.gz")) {
                    continue;
                }
                runs.push(run(&path, BidsName::parse(name), folders.clone()));
            }
        }
    }
    runs
}

/// Names the run by its file name, and checks that against the folders.
fn run(path: &Path, name: BidsName, folders: Vec<PathBuf>) -> RunFile {
    let mut problems = Vec::new();
    problems.extend(name.odd_parts.iter().map(|part| {
        let part = part.clone();
        ScanProblem::FileName { path: path.to_owned(), part }
    }));
    let folder_label = |prefix: &str| {
        let names = folders.iter().skip(1).filter_map(|folder| folder.file_name()?.to_str());
        names.filter_map(|name| name.strip_prefix(prefix)).map(str::to_owned).next()
    };
    let (in_participant, in_session) = (folder_label("sub-"), folder_label("ses-"));
    for (key, folder) in [("sub", &in_participant), ("ses", &in_session)] {
        let in_name = name.entities.get(key);
        if in_name != folder.as_ref() {
            let told = |label: Option<&String>| label.map_or(format!("no {key}-"), |label| format!("{key}-{label}"));
            let folder = match folder {
                Some(label) => format!("{key}-{label}"),
                None => format!("no folder {key}-*"),
            };
            problems.push(ScanProblem::Misplaced { path: path.to_owned(), found: told(in_name), folder });
        }
    }
    // Ids become file names; an invalid label is made harmless by keeping its letters and digits only.
    let mut label = |key: &'static str, fallback: Option<String>| {
        let label = name.entities.get(key).cloned().or(fallback)?;
        if is_label(&label) {
            return Some(label);
        }
        let place = path.display().to_string();
        problems.push(ScanProblem::Label { place, what: key, found: label.clone() });
        Some(label.chars().filter(char::is_ascii_alphanumeric).collect())
    };
    let participant = label("sub", in_participant).filter(|label| !label.is_empty());
    let id = ScanId {
        participant: participant.unwrap_or_else(|| "unnamed".to_owned()),
        session: label("ses", in_session),
        task: label("task", None),
        run: label("run", None),
    };
    problems.extend(check_file("bold", path, || "the dataset".to_owned()));
    RunFile { path: path.to_owned(), name, id, folders, problems }
}

/// Files that are the same run by participant, session, task and run: spaces, echoes, parts. All are refused, since
/// any choice between them would be a guess.
fn refuse_several_files(runs: &mut [RunFile]) {
    let mut same: BTreeMap<ScanId, Vec<usize>> = BTreeMap::new();
    for (i, run) in runs.iter().enumerate() {
        same.entry(run.id.clone()).or_default().push(i);
    }
    for group in same.values().filter(|group| group.len() > 1) {
        let names = || group.iter().map(|&i| &runs[i].name);
        let differing: Vec<&str> = ENTITIES
            .iter()
            .map(|(key, _)| *key)
            .filter(|key| names().any(|name| name.entities.get(*key) != runs[group[0]].name.entities.get(*key)))
            .collect();
        let advice = match differing.first() {
            Some(key) => {
                let found: Vec<String> = differing.iter().map(|key| labels_found(key, names())).collect();
                let label = names().find_map(|name| name.entities.get(*key)).cloned().unwrap_or_default();
                format!("{}; choose, as in scans.where = {{ {key} = \"{label}\" }}", found.join("; "))
            }
            None => "keep one of them".to_owned(),
        };
        let mut files: Vec<String> =
            group.iter().filter_map(|&i| Some(runs[i].path.file_name()?.to_str()?.to_owned())).collect();
        let count = files.len();
        if count > 4 {
            files.truncate(4);
            files.push("…".to_owned());
        }
        let problem = ScanProblem::SeveralFiles { count, files: files.join(", "), advice };
        for &i in group {
            runs[i].problems.push(problem.clone());
        }
    }
}

/// In words, which labels an entity has among some names.
fn labels_found<'a>(key: &str, names: impl Iterator<Item = &'a BidsName>) -> String {
    let mut labels: Vec<String> =
        names.map(|name| name.entities.get(key).map_or("none".to_owned(), |label| format!("\"{label}\""))).collect();
    labels.sort();
    labels.dedup();
    format!("{key} is {}", labels.join(" or "))
}

/// Fills a pattern in. A placeholder that the scan has no value for falls away with its label: from the underscore,
/// placeholder or start of the path component before it. A component left empty falls away too.
pub(super) fn fill(pattern: &str, id: &ScanId, stem: &str) -> String {
    let value = |word: &str| match word {
        "participant" => Some(id.participant.as_str()),
        "session" => id.session.as_deref(),
        "task" => id.task.as_deref(),
        "run" => id.run.as_deref(),
        _ => Some(stem),
    };
    let components = pattern.split('/').filter_map(|component| {
        let (mut filled, mut rest) = (String::new(), component);
        let mut lacked = false;
        while let Some((before, word, after)) =
            rest.split_once('{').and_then(|(before, inner)| inner.split_once('}').map(|(w, a)| (before, w, a)))
        {
            match value(word) {
                Some(value) => {
                    filled.push_str(before);
                    filled.push_str(value);
                    rest = after;
                }
                None => {
                    lacked = true;
                    // What stands before the label and its underscore stays; the label itself goes.
                    filled.push_str(before.rfind('_').map_or("", |at| &before[..at]));
                    rest = if filled.is_empty() { after.strip_prefix('_').unwrap_or(after) } else { after };
                }
            }
        }
        filled.push_str(rest);
        (!filled.is_empty() || !lacked).then_some(filled)
    });
    components.collect::<Vec<_>>().join("/")
}

/// JSON sidecars, each folder listed and each file read once.
#[derive(Default)]
struct Sidecars {
    by_folder: BTreeMap<PathBuf, Vec<(BidsName, PathBuf)>>,
    /// Repetition time or what is wrong, by file; none where the file does not give it.
    times: BTreeMap<PathBuf, Result<Option<f64>, ScanProblem>>,
}

impl Sidecars {
    /// The time, and what is wrong with the sidecars that apply.
    fn repetition_time(&mut self, run: &RunFile) -> (Option<f64>, Vec<ScanProblem>) {
        let mut faults = Vec::new();
        for folder in run.folders.iter().rev() {
            let files = self.by_folder.entry(folder.clone()).or_insert_with(|| sidecars_in(folder));
            let mut applying: Vec<&(BidsName, PathBuf)> = files
                .iter()
                .filter(|(name, _)| name.entities.iter().all(|(key, label)| run.name.entities.get(key) == Some(label)))
                .collect();
            // Within one folder the more specific sidecar wins.
            applying.sort_by_key(|(name, _)| std::cmp::Reverse(name.entities.len()));
            let mut found: Option<(usize, f64, &Path)> = None;
            for (name, path) in applying {
                match self.times.entry(path.clone()).or_insert_with(|| time_in(path)) {
                    Ok(None) => {}
                    Ok(Some(tr_s)) => match found {
                        None => found = Some((name.entities.len(), *tr_s, path)),
                        Some((entities, first_s, first)) if entities == name.entities.len() && first_s != *tr_s => {
                            let (first, second) = (first.to_owned(), path.clone());
                            faults.push(ScanProblem::TwoSidecars { first, second, first_s, second_s: *tr_s });
                        }
                        Some(_) => {}
                    },
                    Err(problem) => faults.push(problem.clone()),
                }
            }
            if let Some((_, tr_s, _)) = found {
                return (Some(tr_s), faults);
            }
        }
        (None, faults)
    }
}

fn sidecars_in(folder: &Path) -> Vec<(BidsName, PathBuf)> {
    // A folder that cannot be listed has been noted by the search for runs, or lies above them and is passed through.
    let mut problems = Vec::new();
    let files = listed(folder, &mut problems).into_iter().filter_map(|path| {
        let name = BidsName::parse(path.file_name()?.to_str()?);
        (name.suffix == "bold" && name.extension == ".json" && name.odd_parts.is_empty()).then_some((name, path))
    });
    files.collect()
}

fn folders(parent: &Path, prefix: &str, problems: &mut Vec<CohortProblem>) -> Vec<PathBuf> {
    let named = |path: &PathBuf| path.file_name().and_then(|n| n.to_str()).is_some_and(|n| n.starts_with(prefix));
    listed(parent, problems).into_iter().filter(named).filter(|path| path.is_dir()).collect()
}

/// The entries of a folder, sorted.
fn listed(folder: &Path, problems: &mut Vec<CohortProblem>) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).and_then(|entries| entries.map(|e| Ok(e?.path())).collect());
    let mut paths: Vec<PathBuf> = entries.unwrap_or_else(|e: std::io::Error| {
        problems.push(CohortProblem::Unlistable { path: folder.to_owned(), reason: e.to_string() });
        Vec::new()
    });
    paths.sort();
    paths
}
