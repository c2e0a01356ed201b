//! What is noticed about a study as a whole: one line for what many scans share.

use std::collections::BTreeSet;

use crate::batch::alike::{Alike, NAMED};
use crate::discover::{Cohort, Scan};
use crate::study::{ScanSource, Study};
use crate::tables::{counted, first_few};

/// So many scans share a message before it is told once for all of them (own convention).
const MANY: usize = 3;

/// Messages that many scans share, in the order of their first scans. Each scan comes with what its problems and its
/// warnings have in common with those of others.
pub(super) fn shared<'a>(scans: impl Iterator<Item = (&'a str, &'a [String], &'a [String])>) -> Vec<Alike> {
    let mut found: Vec<Alike> = Vec::new();
    for (scan, problems, warnings) in scans {
        let keys = problems.iter().map(|key| (key, true));
        for (key, problem) in keys.chain(warnings.iter().map(|key| (key, false))) {
            match found.iter_mut().find(|other| other.message == *key && other.problem == problem) {
                Some(other) if other.scans.last().is_some_and(|last| last == scan) => {}
                Some(other) => other.scans.push(scan.to_owned()),
                None => found.push(Alike { scans: vec![scan.to_owned()], message: key.clone(), problem }),
            }
        }
    }
    found.retain(|alike| alike.scans.len() >= MANY);
    found
}

/// What tables and patterns leave out.
pub(super) fn notes(study: &Study, cohort: &Cohort) -> Vec<String> {
    participants(cohort).into_iter().chain(patterns(study, &cohort.scans)).collect()
}

/// Children of the participants table without a scan, and the reverse.
fn participants(cohort: &Cohort) -> Vec<String> {
    if cohort.children.is_empty() {
        return Vec::new();
    }
    let scanned: BTreeSet<&str> = cohort.scans.iter().map(|scan| scan.id.participant.as_str()).collect();
    let listed: BTreeSet<&str> = cohort.children.participants().collect();
    let line = |only: Vec<&&str>, one: &str, many: &str| {
        let names: Vec<String> = only.iter().map(|label| format!("sub-{label}")).collect();
        let words = if names.len() == 1 { one } else { many };
        (!names.is_empty())
            .then(|| format!("{} {words}: {}", counted(names.len(), "child", "children"), first_few(&names, NAMED)))
    };
    let unscanned = "of the participants table";
    [
        line(
            listed.difference(&scanned).collect(),
            &format!("{unscanned} has no scan"),
            &format!("{unscanned} have no scan"),
        ),
        line(
            scanned.difference(&listed).collect(),
            "with a scan has no row in the participants table",
            "with scans have no row in the participants table",
        ),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// Patterns that find a file for some runs and not for others.
fn patterns(study: &Study, scans: &[Scan]) -> Vec<String> {
    let ScanSource::Bids { patterns, .. } = &study.scans else { return Vec::new() };
    let files = [
        ("motion", &patterns.motion, scans.iter().map(|scan| &scan.motion).collect::<Vec<_>>()),
        ("confounds", &patterns.confounds, scans.iter().map(|scan| &scan.confounds).collect()),
        ("brain_mask", &patterns.brain_mask, scans.iter().map(|scan| &scan.brain_mask).collect()),
        ("white_matter", &patterns.white_matter, scans.iter().map(|scan| &scan.white_matter).collect()),
        ("csf", &patterns.csf, scans.iter().map(|scan| &scan.csf).collect()),
        ("watch_log", &patterns.watch_log, scans.iter().map(|scan| &scan.watch_log).collect()),
    ];
    let some = |(name, pattern, files): (&str, &Option<String>, Vec<&Option<std::path::PathBuf>>)| {
        pattern.as_ref()?;
        let there = |file: &Option<std::path::PathBuf>| file.as_ref().is_some_and(|path| path.is_file());
        let lacking: Vec<String> =
            scans.iter().zip(&files).filter(|(_, file)| !there(file)).map(|(scan, _)| scan.id.to_string()).collect();
        let found = scans.len() - lacking.len();
        (found > 0 && !lacking.is_empty()).then(|| {
            format!(
                "scans.{name} finds a file for {found} of {} runs; not for {}",
                scans.len(),
                first_few(&lacking, NAMED)
            )
        })
    };
    files.into_iter().filter_map(some).collect()
}
