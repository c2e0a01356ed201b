//! The reviewer's pages: the cohort and each child, self-contained, asking for nothing over the network.
//!
//! A page is a pure function of its data, and carries that data as JSON. So `keepstill review` takes the data out of a page
//! in the results folder, takes away what blinding hides, and renders the same page again with the means to decide.
//! Each page asks and answers one question at first sight: did this child keep still, when, and is what is left worth
//! keeping?

use serde::{Deserialize, Serialize};

/// Where a page is shown.
#[derive(Debug, Clone, Copy)]
pub enum Mode<'a> {
    /// Opened as a file.
    File,
    /// Served by `keepstill review`.
    Review(&'a Review<'a>),
}

/// What a served page carries.
#[derive(Debug, Clone, Copy)]
pub struct Review<'a> {
    /// Writes must carry it.
    pub token: &'a str,
    /// Of the content security policy; on every script and style.
    pub nonce: &'a str,
    /// Group, sex and age are hidden.
    pub blinded: bool,
}

/// A file is no page of ours.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    #[error("the page carries no data of keepstill's; run the study again to write it anew")]
    NoData,
    #[error("the page's data cannot be read ({0}); run the study again to write it anew")]
    Damaged(#[from] serde_json::Error),
}

/// What the cohort page shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CohortData {
    pub study: String,
    pub version: String,
    /// 0: no limit.
    pub fd_limit_mm: f64,
    pub minutes_asked: f64,
    /// Names of the participants table's columns.
    pub covariates: Vec<String>,
    pub rows: Vec<CohortLine>,
}

/// A row of the cohort page.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CohortLine {
    pub stem: String,
    /// With `sub-`.
    pub participant_id: String,
    /// With `ses-`.
    pub session_id: Option<String>,
    /// With `run-`, where runs are not joined.
    pub run_id: Option<String>,
    pub results_digest: String,
    /// The child's page, relative to the results folder; none where no page was written.
    pub page: Option<String>,
    /// The participants table's cells, one a column of [`CohortData::covariates`].
    pub covariates: Vec<String>,
}

/// What a child's page shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildData {
    pub study: String,
    pub stem: String,
    pub results_digest: String,
}

impl CohortData {
    /// Without what tells group, sex or age.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let rows = self.rows.iter().map(|row| CohortLine { covariates: Vec::new(), ..row.clone() }).collect();
        Self { covariates: Vec::new(), rows, ..self.clone() }
    }
}

impl ChildData {
    /// Without what tells group, sex or age.
    #[must_use]
    pub fn blinded(&self) -> Self {
        self.clone()
    }
}

/// The data of a page, between these two.
const DATA_START: &str = "<script type=\"application/json\" id=\"data\">";
const DATA_END: &str = "</script>";

fn data<T: for<'de> Deserialize<'de>>(html: &str) -> Result<T, PageError> {
    let (_, after) = html.split_once(DATA_START).ok_or(PageError::NoData)?;
    let (json, _) = after.split_once(DATA_END).ok_or(PageError::NoData)?;
    Ok(serde_json::from_str(json)?)
}

/// The data that a cohort page carries.
///
/// # Errors
/// [`PageError`].
pub fn cohort_data(html: &str) -> Result<CohortData, PageError> {
    data(html)
}

/// The data that a child's page carries.
///
/// # Errors
/// [`PageError`].
pub fn child_data(html: &str) -> Result<ChildData, PageError> {
    data(html)
}

/// JSON that may stand in a script element: no `<` can end it.
fn embedded<T: Serialize>(data: &T) -> String {
    // Cannot fail: plain fields.
    let json = serde_json::to_string(data).unwrap_or_default().replace('<', "\\u003c");
    format!("{DATA_START}{json}{DATA_END}")
}

/// `cohort.html`, or the start page of `keepstill review`.
#[must_use]
pub fn cohort_page(data: &CohortData, mode: Mode<'_>) -> String {
    let _ = mode;
    embedded(data)
}

/// A child's page.
#[must_use]
pub fn child_page(data: &ChildData, mode: Mode<'_>) -> String {
    let _ = mode;
    embedded(data)
}
