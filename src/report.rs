//! The retained-data report of a child as JSON; [`crate::pages`] show the same to people.

mod why;

use serde_json::{Value, json};

use crate::atlas::Atlas;
use crate::connectivity::percent::COVARIANCE_UNIT;
use crate::outputs::CAUTION;
use crate::pipeline::joined::{Joined, RunResult};
use crate::study::Study;
use crate::study::settings::Measure;

pub use why::{WhyError, explain};

pub use crate::tables::figures;

/// `S_report.json`: version, caution, settings, one row per run, and the joined row.
#[must_use]
pub fn report_json(
    study: &Study,
    atlases: &[Atlas],
    runs: &[RunResult],
    joined: &Joined,
    results_digest: &str,
) -> Value {
    let rows: Vec<Value> = runs.iter().map(|run| run.row().reported()).collect();
    let mut whole = joined.row.reported();
    whole["runs"] = json!(runs.len());
    whole["runs_joined"] = json!(joined.runs_joined);
    whole["results_digest"] = json!(results_digest);
    // Each run names its own inputs.
    if let Some(fields) = whole.as_object_mut() {
        fields.shift_remove("inputs");
    }
    let shrinkage: Vec<Value> = joined
        .matrices
        .iter()
        .filter_map(|m| {
            let shrinkage = m.connectivity.shrinkage?;
            Some(json!({ "atlas": atlases[m.atlas].name, "measure": m.measure.key(), "shrinkage": shrinkage }))
        })
        .collect();
    whole["shrinkage"] = json!(shrinkage);
    let has_covariances = joined.matrices.iter().any(|m| m.measure == Measure::Covariance);
    whole["covariance_unit"] = json!(has_covariances.then_some(COVARIANCE_UNIT));
    json!({
        "version": env!("CARGO_PKG_VERSION"),
        "caution": CAUTION,
        "settings": study.settings_json(),
        "runs": rows,
        "joined": whole,
    })
}
