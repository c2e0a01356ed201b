//! Puts a page's data into the element that carries them, and reads them back.

use serde::{Deserialize, Serialize};

use super::data::{ChildData, CohortData};

/// Why a file is not one of our pages.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    #[error("the page carries no data of keepstill's; run the study again to write it anew")]
    NoData,
    #[error("the page's data cannot be read ({0}); run the study again to write it anew")]
    Damaged(#[from] serde_json::Error),
}

/// A page's data stand between these two.
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
pub(super) fn embedded<T: Serialize>(data: &T) -> String {
    // Cannot fail: plain fields.
    let json = serde_json::to_string(data).unwrap_or_default().replace('<', "\\u003c");
    format!("{DATA_START}{json}{DATA_END}")
}
