//! Where each child's matrices and coverage tables lie.
//!
//! Results are found by their names alone, as `keepstill run` gives them: `S_atlas-A_desc-M_matrix.npy` or `.tsv` in
//! the child's folder. A matrix written both ways is read from the `.npy`, which holds the same 32-bit floats.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use rayon::prelude::*;

use super::children::{Child, GatheredChildren, RunFiles};
use super::error::{FoldersError, RunsError, StackError};
use super::folders::Folders;
use super::kind::Kind;
use super::left_out::LeftOut;
use super::who::{Candidate, JudgedCohort};
use crate::pipeline;
use crate::record::Verdict;
use crate::results::layout;
use crate::results::{Contents, FileName, Form, Layout, Report};
use crate::study::settings::EnoughSettings;
use crate::tables::absent;

/// Children whose folders are looked through at once; afterwards, only their own rows are kept in memory (own choice).
const AT_ONCE: usize = 256;

/// A matrix of no atlas or measure in particular, for messages.
const ANY_MATRIX: Contents<'static> = Contents::Matrix { atlas: "…", measure: "…", form: Form::Tsv };

/// Finds what each candidate has.
pub(crate) fn find(results: &Folders, judged: JudgedCohort) -> Result<GatheredChildren, StackError> {
    let mut found = GatheredChildren {
        header: judged.header,
        kinds: Vec::new(),
        children: Vec::new(),
        left_out: judged.left_out,
        equal: None,
        shrinkage: Vec::new(),
        sites: None,
    };
    let mut first: Option<(String, usize)> = None;
    let mut kinds: BTreeSet<Kind> = BTreeSet::new();
    let mut candidates = judged.candidates.into_iter();
    loop {
        let some: Vec<Candidate> = candidates.by_ref().take(AT_ONCE).collect();
        if some.is_empty() {
            break;
        }
        let looked: Vec<Result<Looked, StackError>> =
            some.into_par_iter().map(|candidate| look(results, candidate)).collect();
        for looked in looked {
            let (child, forms) = match looked? {
                Looked::LeftOut(child) => {
                    found.left_out.push(child);
                    continue;
                }
                Looked::Child(child, forms) => (*child, forms),
            };
            let (like, of) = first.get_or_insert_with(|| {
                kinds.extend(forms.keys().cloned());
                (child.stem.clone(), child.results)
            });
            let lacks = |child: &Child, kind: &Kind, like: &str, alike: bool| {
                let (path, like) = (child.file(results, kind.matrix(Form::Tsv)), like.to_owned());
                if alike {
                    StackError::NoMatrix { path, like: format!("{like} has one") }
                } else {
                    FoldersError::Unlike { path, like }.into()
                }
            };
            let alike = *of == child.results;
            if let Some(kind) = kinds.iter().find(|kind| !forms.contains_key(kind)) {
                return Err(lacks(&child, kind, like, alike));
            }
            if let Some(kind) = forms.keys().find(|kind| !kinds.contains(kind)) {
                return Err(lacks(&found.children[0], kind, &child.stem, alike));
            }
            found.children.push(Child { forms: forms.into_values().collect(), ..child });
        }
    }
    found.kinds = kinds.into_iter().collect();
    found.left_out.sort_by_key(|child| child.row);
    Ok(found)
}

enum Looked {
    Child(Box<Child>, BTreeMap<Kind, Form>),
    LeftOut(LeftOut),
}

fn look(folders: &Folders, candidate: Candidate) -> Result<Looked, StackError> {
    let label = |id: &str, prefix: &str| id.strip_prefix(prefix).unwrap_or(id).to_owned();
    let results = folders.path(candidate.results);
    let own = |stem: &str| folders.own(candidate.results, stem);
    let [participant, session, _] = &candidate.own_ids;
    let (participant, session) = (label(participant, "sub-"), (!absent(session)).then(|| label(session, "ses-")));
    let folder = layout::folder(&participant, session.as_deref());
    let names = names(&results.join(&folder))?;
    let short = candidate.short_stem();
    let mut by_stem: BTreeMap<&str, BTreeMap<Kind, Form>> = BTreeMap::new();
    for name in &names {
        if let Some((stem, kind, form)) = Kind::of_name(name).filter(|(stem, ..)| without_task(stem) == short) {
            let forms = by_stem.entry(stem).or_default();
            // The names are in order, so `.npy` comes before `.tsv`.
            forms.entry(kind).or_insert(form);
        }
    }
    if by_stem.len() > 1 {
        let stems = by_stem.keys().copied().collect::<Vec<_>>().join(" and ");
        return Err(StackError::Ambiguous { path: Layout::new(results).cohort_table(), line: candidate.line, stems });
    }
    let Some((stem, forms)) = by_stem.into_iter().next().map(|(stem, forms)| (stem.to_owned(), forms)) else {
        if candidate.joined {
            let path = Layout::new(results).file(&folder, &short, ANY_MATRIX);
            return Err(StackError::NoMatrix { path, like: "cohort.tsv says that runs were joined".to_owned() });
        }
        let detail = "no run of this child gives a series".to_owned();
        return Ok(Looked::LeftOut(candidate.leave_out(own(&short), "no_matrix", detail)));
    };
    if let Some(minutes) = candidate.judge_again {
        let verdict = judge_again(&Layout::new(results).file(&folder, &stem, Contents::ReportForMachines), minutes)?;
        let looked = verdict == Verdict::LookFirst && candidate.looked;
        if verdict != Verdict::Enough && !looked {
            let detail = format!("verdict with {minutes} minutes asked");
            return Ok(Looked::LeftOut(candidate.leave_out(own(&stem), verdict.key(), detail)));
        }
    }
    let runs = runs(results, &folder, &names, &participant, session.is_none(), &stem)?;
    let (own_stem, stem) = (stem.clone(), own(&stem));
    let Candidate { row, results, ids, own_ids, cells, review, unlooked, .. } = candidate;
    let child = Child {
        row,
        unlooked,
        results,
        ids,
        own_ids,
        stem,
        own_stem,
        cells,
        review,
        folder,
        forms: Vec::new(),
        runs,
        used: None,
    };
    Ok(Looked::Child(Box::new(child), forms))
}

/// What the study's other demands say of a child whom it calls too short.
fn judge_again(path: &Path, minutes: f64) -> Result<Verdict, StackError> {
    let report = Report::read(path).map_err(|source| RunsError::Report { source })?;
    let enough = EnoughSettings { minutes, ..report.settings.enough };
    Ok(pipeline::verdict(&report.joined.row, true, &enough))
}

/// Stems of the runs that belong to a child and have coverage tables, with their folders.
fn runs(
    results: &Path,
    folder: &str,
    names: &[String],
    participant: &str,
    without_session: bool,
    stem: &str,
) -> Result<Vec<RunFiles>, StackError> {
    let own = |folder: &str, names: &[String]| -> BTreeSet<RunFiles> {
        let files = names.iter().filter_map(|name| FileName::parse(name));
        let tables = files.filter(|file| matches!(file.contents, Contents::Parcels { .. }));
        let belongs = |run: &&str| run.strip_prefix(stem).is_some_and(|rest| rest.is_empty() || rest.starts_with('_'));
        let runs = tables.map(|file| file.stem).filter(belongs);
        runs.map(|run| RunFiles { folder: folder.to_owned(), stem: run.to_owned() }).collect()
    };
    let mut runs = own(folder, names);
    if without_session {
        // Sessions joined: each run's own files stay in its session's folder.
        for session in
            self::names(&results.join(format!("sub-{participant}")))?.iter().filter(|n| n.starts_with("ses-"))
        {
            let folder = layout::folder(participant, session.strip_prefix("ses-"));
            runs.extend(own(&folder, &self::names(&results.join(&folder))?));
        }
    }
    Ok(runs.into_iter().collect())
}

/// The cohort table has no column for the task.
fn without_task(stem: &str) -> String {
    stem.split('_').filter(|part| !part.starts_with("task-")).collect::<Vec<_>>().join("_")
}

/// Names in a folder, in order; a folder that is not there holds none.
fn names(folder: &Path) -> Result<Vec<String>, StackError> {
    let fail = |error: std::io::Error| StackError::Unreadable { path: folder.to_owned(), message: error.to_string() };
    let listed = match fs::read_dir(folder) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        listed => listed.map_err(fail)?,
    };
    let mut names = listed
        .map(|entry| Ok(entry.map_err(fail)?.file_name().to_string_lossy().into_owned()))
        .collect::<Result<Vec<String>, StackError>>()?;
    names.sort_unstable();
    Ok(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stem_is_compared_without_its_task() {
        assert_eq!(without_task("sub-1_ses-2_task-rest_run-1"), "sub-1_ses-2_run-1");
    }
}
