//! What must be done: which scans have no valid record, which children no valid receipt.

use std::fs;
use std::path::PathBuf;

use serde_json::{Value, json};

use super::error::BatchError;
use super::options::Options;
use super::receipt;
use crate::discover::{Cohort, Scan, ScanId};
use crate::pipeline::Atlases;
use crate::pipeline::joined::Group;
use crate::pipeline::prepared::input_files;
use crate::record::failure::Failure;
use crate::record::{self, Provenance};
use crate::remark;
use crate::results::Layout;
use crate::study::Study;
use crate::tables::first_few;

/// Children that a message has room for (own convention).
const KNOWN_NAMED: usize = 20;

/// A run's plan.
pub(super) struct Plan {
    pub groups: Vec<GroupPlan>,
    /// (group, scan in the group), in the study's order.
    pub tasks: Vec<(usize, usize)>,
}

/// A child and its scans.
pub(super) struct GroupPlan {
    pub group: Group,
    /// Whether this run was asked to do it.
    pub selected: bool,
    pub scans: Vec<ScanPlan>,
    /// Whether the child's own files must be made.
    pub must_join: bool,
    /// Whether the receipt on disk, and the row in it, are of these settings and inputs.
    pub receipt_holds: bool,
}

/// A scan and what is known of it.
pub(super) struct ScanPlan {
    /// Position in [`Cohort::scans`].
    pub index: usize,
    pub id: ScanId,
    pub fingerprint: String,
    /// Where it is decided with these settings and inputs: hashes of the inputs that the record was made from, or why
    /// it failed.
    pub decided: Option<Vec<String>>,
    /// Whether it must be done, if its child is asked for. What failed is tried again.
    pub to_do: bool,
}

/// A receipt on disk, compared with what the study is now.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Held {
    /// It is of other settings or inputs, or there is none.
    No,
    /// The child's own files could not be made; its row says so.
    Failed,
    /// All that it vouches for is there.
    Made,
}

impl Plan {
    pub(super) fn make(
        study: &Study,
        cohort: &Cohort,
        atlases: &Atlases,
        options: &Options,
    ) -> Result<Self, BatchError> {
        let mut groups: Vec<(Group, Vec<usize>)> = Vec::new();
        for (index, scan) in cohort.scans.iter().enumerate() {
            let group = Group::of(&scan.id, study.connectivity.join);
            match groups.iter_mut().rev().find(|(g, _)| *g == group) {
                Some((_, members)) => members.push(index),
                None => groups.push((group, vec![index])),
            }
        }
        let only = labels(cohort, &options.only)?;
        let wanted = |position: usize, group: &Group| {
            let part = options.part.is_none_or(|(m, n)| position % n == m - 1);
            part && (only.is_empty() || only.contains(&group.participant))
        };
        let groups: Vec<GroupPlan> = groups
            .into_iter()
            .enumerate()
            .map(|(position, (group, members))| {
                let selected = wanted(position, &group);
                plan_group(study, cohort, atlases, options, group, &members, selected)
            })
            .collect();
        let tasks = groups
            .iter()
            .enumerate()
            .filter(|(_, group)| group.selected)
            .flat_map(|(g, group)| {
                let open = (0..group.scans.len()).filter(|&s| group.scans[s].to_do);
                open.map(move |s| (g, s))
            })
            .collect();
        Ok(Self { groups, tasks })
    }

    /// Scans of the children that this run was asked to do.
    pub(super) fn scans(&self) -> usize {
        self.groups.iter().filter(|g| g.selected).map(|g| g.scans.len()).sum()
    }
}

impl GroupPlan {
    pub(super) fn unchanged_scans(&self) -> impl Iterator<Item = &ScanId> {
        self.scans.iter().filter(|s| self.selected && !s.to_do).map(|s| &s.id)
    }
}

/// Labels given by `--only`, without `sub-`.
fn labels(cohort: &Cohort, only: &[String]) -> Result<Vec<String>, BatchError> {
    only.iter()
        .map(|given| {
            let label = given.strip_prefix("sub-").unwrap_or(given);
            if cohort.scans.iter().any(|s| s.id.participant == label) {
                return Ok(label.to_owned());
            }
            let mut known: Vec<&str> = cohort.scans.iter().map(|s| s.id.participant.as_str()).collect();
            known.dedup();
            let known: Vec<String> = known.into_iter().map(|label| format!("sub-{label}")).collect();
            Err(BatchError::NoSuchChild { label: given.clone(), known: first_few(&known, KNOWN_NAMED) })
        })
        .collect()
}

fn plan_group(
    study: &Study,
    cohort: &Cohort,
    atlases: &Atlases,
    options: &Options,
    group: Group,
    members: &[usize],
    selected: bool,
) -> GroupPlan {
    let redo = options.redo && selected;
    let scans: Vec<ScanPlan> = members
        .iter()
        .map(|&index| plan_scan(study, cohort, atlases, index, redo, options.verify && selected && !redo))
        .collect();
    let held = held(study, atlases, &group, &scans);
    let must_join = selected && (redo || held != Held::Made);
    GroupPlan { group, selected, must_join, scans, receipt_holds: held != Held::No }
}

fn plan_scan(study: &Study, cohort: &Cohort, atlases: &Atlases, index: usize, redo: bool, verify: bool) -> ScanPlan {
    let scan = &cohort.scans[index];
    let fingerprint = scan_fingerprint(study, cohort, atlases, scan);
    let record = valid_record(study, scan, &fingerprint, verify);
    let to_do = redo || record.is_none();
    let decided = record.or_else(|| valid_failure(study, scan, &fingerprint));
    ScanPlan { index, id: scan.id.clone(), fingerprint, decided, to_do }
}

/// Whether the row of a child's receipt is of the records and settings that are there now. A run asks this again of
/// children that it began and did not finish.
pub(super) fn receipt_holds(study: &Study, cohort: &Cohort, atlases: &Atlases, plan: &GroupPlan) -> bool {
    let scans: Vec<ScanPlan> =
        plan.scans.iter().map(|scan| plan_scan(study, cohort, atlases, scan.index, false, false)).collect();
    held(study, atlases, &plan.group, &scans) != Held::No
}

fn held(study: &Study, atlases: &Atlases, group: &Group, scans: &[ScanPlan]) -> Held {
    let contents: Option<Vec<Vec<String>>> = scans.iter().map(|scan| scan.decided.clone()).collect();
    let (Some(contents), Some(receipt)) = (contents, receipt::read(&receipt::path(study, group))) else {
        return Held::No;
    };
    let fingerprint = child_fingerprint(study, atlases, scans, &contents);
    if receipt.fingerprint == receipt::not_made(&fingerprint) {
        Held::Failed
    } else if receipt.fingerprint == fingerprint && outputs_are_there(study, &receipt.outputs) {
        Held::Made
    } else {
        Held::No
    }
}

/// Hash of everything but its inputs' contents that a scan's result depends on.
fn scan_fingerprint(study: &Study, cohort: &Cohort, atlases: &Atlases, scan: &Scan) -> String {
    // Reports say what a radius by age would change, whatever radius is used.
    let child = cohort.children.of_scan(&scan.id);
    hash(&json!({
        "version": env!("CARGO_PKG_VERSION"),
        "id": scan.id,
        "tr": scan.tr,
        "child": child.map(|c| json!({ "age_months": c.age_months, "sex": c.sex })),
        "motion": study.motion,
        "censor": study.censor,
        "clean": study.clean,
        "enough": study.enough,
        "notice": study.notice,
        "atlases": atlas_facts(study, atlases),
        "series": study.output.series,
    }))
}

fn atlas_facts(study: &Study, atlases: &Atlases) -> Value {
    let facts = atlases.list.iter().zip(&study.parcels).map(|(a, p)| json!({ "content": a.content, "settings": p }));
    Value::Array(facts.collect())
}

/// Hash of what a child's own files depend on; `contents` are the input hashes of each scan, or why it failed.
pub(super) fn child_fingerprint(
    study: &Study,
    atlases: &Atlases,
    scans: &[ScanPlan],
    contents: &[Vec<String>],
) -> String {
    hash(&json!({
        "version": env!("CARGO_PKG_VERSION"),
        "study": study.name,
        "settings": study.settings_json(),
        "atlases": atlas_facts(study, atlases),
        "scans": scans.iter().map(|s| s.fingerprint.as_str()).collect::<Vec<_>>(),
        "contents": contents,
    }))
}

pub(super) fn hash(value: &Value) -> String {
    blake3::hash(value.to_string().as_bytes()).to_hex().to_string()
}

/// Where a scan's record lies.
pub(super) fn record_path(study: &Study, id: &ScanId) -> PathBuf {
    Layout::new(&study.results).record(&id.to_string())
}

/// The input hashes of a record that is sound, of these settings, and whose inputs and outputs are as they were.
fn valid_record(study: &Study, scan: &Scan, fingerprint: &str, verify: bool) -> Option<Vec<String>> {
    if !scan.problems.is_empty() {
        return None;
    }
    let path = record_path(study, &scan.id);
    if record::provenance(&path).ok()?.fingerprint != fingerprint {
        return None;
    }
    let (_, provenance) = record::read(&path).ok()?;
    let files = input_files(scan, study);
    let same = provenance.fingerprint == fingerprint
        && provenance.inputs.len() == files.len()
        && files
            .iter()
            .zip(&provenance.inputs)
            .all(|((role, path), state)| state.role == *role && state.is_same(path, verify))
        && outputs_are_there(study, &provenance.outputs);
    same.then(|| contents(&provenance))
}

/// Why a scan failed when it was last tried, if settings and inputs are as they were then.
fn valid_failure(study: &Study, scan: &Scan, fingerprint: &str) -> Option<Vec<String>> {
    let failure = Failure::read(&failure_path(study, &scan.id))?;
    let same = failure.fingerprint == failure_fingerprint(scan, fingerprint)
        && failure.inputs_are_same(&input_files(scan, study));
    same.then(|| failed_contents(&failure.problem))
}

/// What stands for the input hashes of a scan that failed.
pub(super) fn failed_contents(problem: &str) -> Vec<String> {
    vec![format!("failed:{problem}")]
}

/// Where the note of a failed scan lies.
pub(super) fn failure_path(study: &Study, id: &ScanId) -> PathBuf {
    Layout::new(&study.results).failure(&id.to_string())
}

/// What a failure depends on beside the inputs: the scan's own fingerprint, and what discovery found wrong.
pub(super) fn failure_fingerprint(scan: &Scan, fingerprint: &str) -> String {
    hash(&json!({ "scan": fingerprint, "problems": remark::texts(&scan.problems) }))
}

/// A record's input hashes, in a fixed order.
pub(super) fn contents(provenance: &Provenance) -> Vec<String> {
    provenance.inputs.iter().map(|i| format!("{}:{}", i.role, i.content)).collect()
}

fn outputs_are_there(study: &Study, outputs: &[(String, u64)]) -> bool {
    outputs.iter().all(|(name, bytes)| fs::metadata(study.results.join(name)).is_ok_and(|m| m.len() == *bytes))
}
