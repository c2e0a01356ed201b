//! From a checked study to the list of scans and children, with every problem of every scan in one pass.
//!
//! Two ways in: a scan table ([`table`]) or a BIDS dataset ([`bids`]). Both give the same [`Cohort`]. A problem that
//! belongs to one scan is kept with that scan, so that a run goes on without it and says so.

pub mod bids;
mod child;
mod children;
pub mod guess;
mod paths;
mod problem;
mod scan;
mod sessions;
mod sidecar;
pub mod table;

use self::paths::tidy;
pub use child::{Child, Children, Sex};
pub use scan::{GivenTr, Scan, ScanId};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

pub use problem::{CohortProblem, DiscoverError, ScanProblem};

use crate::remark::Remark;
use crate::study::settings::{Join, MotionSource, Tissue};
use crate::study::{ScanSource, Study};
use children::ParticipantsTable;

/// All scans of a study, in the order participant, session, task, run, and their children.
#[derive(Debug, Clone, PartialEq)]
pub struct Cohort {
    pub scans: Vec<Scan>,
    pub children: Children,
    /// Columns of the participants table besides `participant_id` and `session_id`, carried into the cohort table.
    pub child_columns: Vec<String>,
}

/// Finds the scans and children of a study. What is wrong with one scan is in its `problems`, all of it; images are
/// not opened.
///
/// # Errors
/// What stops everything, all of it: tables that cannot be read or lack a column, no scans, tasks that must not be
/// joined, a results folder among the scans.
pub fn discover(study: &Study) -> Result<Cohort, DiscoverError> {
    let mut problems = Vec::new();
    let mut scans = match &study.scans {
        ScanSource::Table(path) => table::scans(path, &mut problems),
        ScanSource::Bids { root, entities, patterns } => {
            refuse_results_among_scans(&study.results, root, &mut problems);
            bids::scans(root, entities, patterns, study.folder(), &mut problems)
        }
    };
    let people = ParticipantsTable::read(study, &mut problems);
    scans.sort_by_cached_key(|scan| {
        let ScanId { participant, session, task, run } = scan.id.clone();
        // Run 2 comes before run 10: runs are joined in this order.
        let number = run.as_ref().and_then(|run| run.parse::<u64>().ok());
        (participant, session, task, number, run, scan.bold.clone())
    });
    refuse_several_tasks(study, &scans, &mut problems);
    if !problems.is_empty() {
        return Err(DiscoverError { problems });
    }
    refuse_shared_files(&mut scans);
    for scan in &mut scans {
        scan.tr.study_s = study.tr_s;
        if scan.tr.table_s.or(study.tr_s).is_none() {
            // Nothing better tells the time.
            scan.problems.append(&mut scan.tr.sidecar_faults);
        }
        people.judge(scan);
        let needed = needed(study, scan);
        scan.problems.extend(needed.iter().map(Remark::from));
    }
    Ok(Cohort { scans, children: people.children, child_columns: people.columns })
}

/// Files that the settings need and the scan does not have.
fn needed(study: &Study, scan: &Scan) -> Vec<ScanProblem> {
    let mut wanted: Vec<(&'static str, &Option<PathBuf>, &'static str)> = Vec::new();
    if study.motion.from == MotionSource::Table {
        wanted.push(("motion", &scan.motion, "which motion.from = \"table\" asks for"));
    }
    let clean = &study.clean;
    for tissue in [Tissue::WhiteMatter, Tissue::Csf] {
        let file = match tissue {
            Tissue::WhiteMatter => &scan.white_matter,
            Tissue::Csf => &scan.csf,
        };
        if clean.tissue_means.contains(&tissue) {
            wanted.push((tissue.key(), file, "which clean.tissue_means asks for"));
        } else if clean.tissue_components > 0 && clean.tissue_means.is_empty() {
            wanted.push((tissue.key(), file, "which clean.tissue_components asks for"));
        }
    }
    if !clean.confound_columns.is_empty() {
        wanted.push(("confounds", &scan.confounds, "which clean.confound_columns asks for"));
    }
    let in_table = matches!(study.scans, ScanSource::Table(_));
    let lacking = wanted.into_iter().filter(|(_, file, _)| file.is_none());
    lacking
        .map(|(what, _, wanted)| {
            let mut instead = if in_table {
                format!("fill in the column '{what}' of the scan table")
            } else {
                format!("set the pattern scans.{what}")
            };
            if what == "motion" {
                instead.push_str(", or measure motion from the images with motion.from = \"images\"");
            }
            ScanProblem::Needed { what, wanted, instead }
        })
        .collect()
}

/// An image, motion or confounds table that two scans name is a mistake in a row, or a pattern without `{run}`.
fn refuse_shared_files(scans: &mut [Scan]) {
    type Pick = fn(&Scan) -> Option<&PathBuf>;
    let picks: [(&'static str, Pick); 3] = [
        ("bold", |scan| Some(&scan.bold)),
        ("motion", |scan| scan.motion.as_ref()),
        ("confounds", |scan| scan.confounds.as_ref()),
    ];
    for (what, pick) in picks {
        let mut users: BTreeMap<PathBuf, Vec<usize>> = BTreeMap::new();
        for (i, scan) in scans.iter().enumerate() {
            if let Some(path) = pick(scan).filter(|path| !path.as_os_str().is_empty()) {
                users.entry(tidy(path)).or_default().push(i);
            }
        }
        for group in users.into_values().filter(|group| group.len() > 1) {
            // Several files of one run, and rows that appear twice, have been reported already.
            let ids: BTreeSet<&ScanId> = group.iter().map(|&i| &scans[i].id).collect();
            if ids.len() < group.len() {
                continue;
            }
            for &i in &group {
                let other = if i == group[0] { group[1] } else { group[0] };
                let (path, other) = (pick(&scans[i]).cloned().unwrap_or_default(), scans[other].id.to_string());
                scans[i].problems.push(Remark::from(&ScanProblem::SharedFile { what, path, other }));
            }
        }
    }
}

/// Joining a child's runs of several tasks into one matrix is never meant.
fn refuse_several_tasks(study: &Study, scans: &[Scan], problems: &mut Vec<CohortProblem>) {
    let mut tasks: BTreeMap<(&str, Option<&str>), BTreeSet<&str>> = BTreeMap::new();
    for scan in scans {
        let session = match study.connectivity.join {
            Join::None => return,
            Join::Runs => scan.id.session.as_deref(),
            Join::Sessions => None,
        };
        if let Some(task) = scan.id.task.as_deref() {
            tasks.entry((&scan.id.participant, session)).or_default().insert(task);
        }
    }
    let Some(((participant, session), tasks)) = tasks.into_iter().find(|(_, tasks)| tasks.len() > 1) else { return };
    let session = session.map_or(String::new(), |session| format!("_ses-{session}"));
    let tasks: Vec<&str> = tasks.into_iter().collect();
    let instead = match study.scans {
        ScanSource::Table(_) => "keep one task's rows in the scan table".to_owned(),
        ScanSource::Bids { .. } => format!("choose one, as in scans.where = {{ task = \"{}\" }}", tasks[0]),
    };
    let child = format!("sub-{participant}{session}");
    problems.push(CohortProblem::SeveralTasks { child, tasks: tasks.join(", "), instead });
}

/// Results in the dataset's root or in a child's folder would be taken for scans, or overwrite them.
fn refuse_results_among_scans(results: &Path, root: &Path, problems: &mut Vec<CohortProblem>) {
    let (inside, outside) = (tidy(results), tidy(root));
    let among = inside.strip_prefix(&outside).is_ok_and(|rest| match rest.components().next() {
        None => true,
        Some(first) => first.as_os_str().to_str().is_some_and(|name| name.starts_with("sub-")),
    });
    if among {
        problems.push(CohortProblem::ResultsAmongScans { results: results.to_owned(), root: root.to_owned() });
    }
}

#[cfg(test)]
mod tests;
