//! `quality.json`: everything that the page shows, in double precision.

use serde_json::{Value, json};

use super::before::Before;
use super::facts::Kept;
use super::findings::Findings;
use super::means::MeanMatrix;
use super::rows::QcFcRow;
use super::sites::SitesShown;
use super::weighting::Weighting;
use super::words::{self, MEDIUM_R};
use crate::group::quantile;
use crate::outputs::CAUTION;

/// Number, least, median and largest of some numbers; what is not available is left out.
pub(super) struct Spread {
    pub children: usize,
    pub least: f64,
    pub median: f64,
    pub most: f64,
}

impl Spread {
    pub(super) fn of(values: impl Iterator<Item = f64>) -> Self {
        let mut sorted: Vec<f64> = values.filter(|v| v.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        let [least, median, most] = [0.0, 0.5, 1.0].map(|share| quantile(&sorted, share));
        Self { children: sorted.len(), least, median, most }
    }
}

/// Minutes, share of frames and degrees of freedom, as spreads.
pub(super) fn kept(kept: &[Kept]) -> [Spread; 3] {
    [0, 1, 2].map(|k| Spread::of(kept.iter().map(|kept| kept.values()[k])))
}

/// What is kept after censoring, and before where there is a try; with the censoring's key.
pub(super) fn all_kept(findings: &Findings<'_>) -> Vec<(&'static str, [Spread; 3])> {
    let own: Vec<Kept> = findings.quality.children.facts.iter().map(|facts| facts.kept).collect();
    let mut all = vec![(if matches!(findings.before, Before::Study) { "before" } else { "after" }, kept(&own))];
    if let Before::Try(uncensored) = &findings.before {
        all.push(("before", kept(&uncensored.kept)));
    }
    all
}

/// How many degrees of freedom censoring took from each child.
pub(super) fn dof_lost(findings: &Findings<'_>) -> Option<Spread> {
    let Before::Try(uncensored) = &findings.before else { return None };
    let pairs = uncensored.kept.iter().zip(&findings.quality.children.facts);
    Some(Spread::of(pairs.map(|(before, facts)| before.dof - facts.kept.dof)))
}

/// `counted`: children, or rows where some child has several.
fn spread(spread: &Spread, counted: &str) -> Value {
    json!({ counted: spread.children, "least": spread.least, "median": spread.median, "most": spread.most })
}

fn mean(mean: &MeanMatrix) -> Value {
    let rows: Vec<Vec<f64>> = mean.by_network.rows().into_iter().map(|row| row.to_vec()).collect();
    let mut files = ["mean.npy", "mean.tsv", "mean_weighted.npy", "mean_weighted.tsv", "qcfc.tsv"]
        .map(|what| format!("{}_{what}", mean.name))
        .to_vec();
    if !mean.networks.is_empty() {
        files.push(format!("{}_networks.tsv", mean.name));
    }
    json!({
        "atlas": mean.atlas,
        "measure": mean.measure,
        "values": if mean.fisher_z { "tanh of the mean Fisher z" } else { "mean, in percent^2" },
        "files": files,
        "networks": mean.networks,
        "network_means": rows,
        "parcels_without_network": mean.without_network,
    })
}

/// `quality.json`.
pub(super) fn json(findings: &Findings<'_>) -> Value {
    let quality = findings.quality;
    let counted = quality.blocks.counted();
    let kept: serde_json::Map<String, Value> = all_kept(findings)
        .iter()
        .map(|(censoring, spreads)| {
            let columns =
                Kept::COLUMNS.iter().zip(spreads).map(|(column, of)| ((*column).to_owned(), spread(of, counted)));
            ((*censoring).to_owned(), Value::Object(columns.collect()))
        })
        .collect();
    json!({
        "version": env!("CARGO_PKG_VERSION"),
        "caution": CAUTION,
        "question": "Is it just motion?",
        "answer": findings.answer,
        "stack": quality.chosen,
        "children": quality.blocks.children(),
        "rows_in_stack": quality.blocks.rows(),
        "motion": "mean_fd_mm",
        "children_needed": { "abs_r": MEDIUM_R, "p": 0.05, "children": words::needed() },
        "covariates": quality.children.covariates_told(),
        "before_censoring": findings.before.told(findings.studies()),
        "rows": findings.rows.iter().map(QcFcRow::told).collect::<Vec<_>>(),
        "weights": findings.weightings.iter().map(Weighting::told).collect::<Vec<_>>(),
        "kept": kept,
        "dof_lost": dof_lost(findings).as_ref().map(|lost| spread(lost, counted)),
        "groups": quality.groups.told(),
        "mean_matrices": findings.means.iter().map(mean).collect::<Vec<_>>(),
        "sites": findings.sites.iter().map(SitesShown::told).collect::<Vec<_>>(),
        "notes": findings.notes,
        "leaves_out": words::LEFT_OUT,
        "settings": {
            "group": quality.request.group,
            "study": findings.studies().told(),
        },
    })
}
