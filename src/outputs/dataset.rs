//! The files that make the results folder a BIDS derivative dataset (BIDS 1.11, "Derivatives").

use serde_json::{Value, json};

use crate::study::Study;

/// What every report says.
pub const CAUTION: &str = "Research software: these numbers are not for diagnosis. An odd finding goes to a licensed \
clinician under the site's rules. Consent and data protection follow local law.";

/// Suffixes that the standard lacks, for its validator to pass over.
const IGNORED: &str = ".keepstill/\nrun-log.jsonl\ncohort.*\ntries/\ntries.*\nreview/\nstack/\nthresholds/\n\
**/*_frames.*\n**/*_series.*\n**/*_parcels.*\n**/*_matrix.*\n**/*_report.*\n";

/// Name and contents of each file at the top of the results folder.
#[must_use]
pub fn dataset_files(study: &Study) -> Vec<(&'static str, String)> {
    let description: Value = json!({
        "Name": format!("{}: connectivity of resting-state runs", study.name),
        "BIDSVersion": "1.11.0",
        "DatasetType": "derivative",
        "GeneratedBy": [{ "Name": "keepstill", "Version": env!("CARGO_PKG_VERSION") }],
    });
    let readme = format!(
        "# {}\n\nMade by keepstill {}. cohort.tsv has one row per child and session (its columns are described in \
        cohort.json). Each child's folder holds frames tables, cleaned parcel series, parcels tables, matrices and the \
        retained-data report.\n\n{CAUTION}\n",
        study.name,
        env!("CARGO_PKG_VERSION")
    );
    vec![("dataset_description.json", pretty(&description)), (".bidsignore", IGNORED.to_owned()), ("README.md", readme)]
}

/// JSON as text, indented, with a line end.
#[must_use]
pub fn pretty(value: &Value) -> String {
    // `{:#}` of a `Value` is serde_json's indented form and cannot fail.
    format!("{value:#}\n")
}
