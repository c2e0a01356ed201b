//! The data of the cohort and its children, taken from the pages in the results folder. The cohort's data are kept
//! until its page changes.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::SystemTime;

use axum::http::StatusCode;

use super::answer::Refusal;
use super::error::ServeError;
use crate::pages::{ChildData, CohortData, child_data, cohort_data};
use crate::results::layout::{COHORT_PAGE, Layout};
use crate::review::RowId;
use crate::review::folder::FolderError;
use crate::review::overview::Subject;

/// Bytes of a page, at most; real ones are far smaller (own limit).
const LARGEST_PAGE: u64 = 64 << 20;

/// What is served of a cohort.
pub(super) struct Cohort {
    pub data: CohortData,
    /// The same without what blinding hides.
    pub blinded: CohortData,
    /// One per row.
    pub subjects: Vec<Subject>,
    places: HashMap<String, usize>,
}

impl Cohort {
    fn new(data: CohortData) -> Self {
        let subjects: Vec<Subject> = data
            .rows
            .iter()
            .map(|row| Subject {
                stem: row.stem.clone(),
                row: RowId {
                    participant_id: row.participant_id.clone(),
                    session_id: row.session_id.clone(),
                    run_id: row.run_id.clone(),
                },
                results_digest: row.results_digest.clone(),
            })
            .collect();
        let places = subjects.iter().enumerate().map(|(at, subject)| (subject.stem.clone(), at)).collect();
        Self { blinded: data.blinded(), data, subjects, places }
    }

    /// Place of the row of this stem.
    pub(super) fn place(&self, stem: &str) -> Result<usize, Refusal> {
        self.places.get(stem).copied().ok_or_else(|| {
            let words = "the cohort has no child of this name; go back to the cohort page and reload it";
            Refusal::new(StatusCode::NOT_FOUND, words)
        })
    }

    /// The data of a child's page. The cohort page names the file, which must be inside the results folder.
    pub(super) fn child(&self, results: &Path, place: usize) -> Result<ChildData, Refusal> {
        let row = &self.data.rows[place];
        let Some(page) = &row.page else {
            let words = format!("{} has no page; set output.pages = true in the study file and run it again", row.stem);
            return Err(Refusal::new(StatusCode::NOT_FOUND, words));
        };
        let gone = |source: io::Error| {
            let words = format!("{page}: cannot read: {source}; run the study again to write the page anew");
            Refusal::new(StatusCode::NOT_FOUND, words)
        };
        let path = results.join(page).canonicalize().map_err(gone)?;
        if !path.starts_with(results.canonicalize().map_err(gone)?) {
            let words = format!("the page of {} is not inside the results folder; run the study again", row.stem);
            return Err(Refusal::forbidden(words));
        }
        let html = read_page(&path).map_err(gone)?;
        let data = child_data(&html).map_err(|error| Refusal::fault(format!("{page}: {error}")))?;
        if data.stem != row.stem {
            let words = format!("{page}: is the page of {}, not of {}; run the study again", data.stem, row.stem);
            return Err(Refusal::fault(words));
        }
        Ok(data)
    }
}

fn read_page(path: &Path) -> io::Result<String> {
    let about = fs::metadata(path)?;
    if !about.is_file() || about.len() > LARGEST_PAGE {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "it is no file, or too large for a page"));
    }
    fs::read_to_string(path)
}

/// Distinguishes one version of a file from the next: each is written as a file of its own, then renamed.
type Stamp = (SystemTime, u64, u64);

/// The cohort as its page last was.
pub(super) struct CohortCache {
    results: PathBuf,
    seen: Mutex<Option<(Stamp, Arc<Cohort>)>>,
}

impl CohortCache {
    pub(super) fn new(results: &Path) -> Self {
        Self { results: results.to_owned(), seen: Mutex::new(None) }
    }

    /// The cohort as its page is now.
    pub(super) fn get(&self) -> Result<Arc<Cohort>, ServeError> {
        let path = &Layout::new(&self.results).cohort_page();
        let fail = |source: io::Error| FolderError::of(&self.results, COHORT_PAGE, source);
        let about = fs::metadata(path).map_err(fail)?;
        let stamp = (about.modified().map_err(fail)?, about.len(), about.ino());
        let mut seen = self.seen.lock().unwrap_or_else(|e| e.into_inner());
        if let Some((_, cohort)) = seen.as_ref().filter(|(known, _)| *known == stamp) {
            return Ok(Arc::clone(cohort));
        }
        let html = read_page(path).map_err(fail)?;
        let data = cohort_data(&html).map_err(|source| ServeError::Page { path: path.clone(), source })?;
        let cohort = Arc::new(Cohort::new(data));
        *seen = Some((stamp, Arc::clone(&cohort)));
        Ok(cohort)
    }
}
