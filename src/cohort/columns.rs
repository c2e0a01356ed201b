//! The columns of `cohort.tsv`: what each is called, what it means, its unit and what stands in its cells.
//!
//! This is the only place that knows them. The table, its data dictionary (`cohort.json`) and the names that a
//! participants table's columns must not take follow from it; a test holds docs/outputs.md to it.

use serde_json::{Map, Value};

use super::row::CohortRow;
use crate::censor::Reason;
use crate::outputs::{entry, number_cell};
use crate::record::{ReportRow, Verdict};
use crate::remark;
use crate::review::standing::Standing;

/// The columns that are known of a child that is not done yet; no number may pass for one of these settings.
const WITHOUT_RESULT: [&str; 9] =
    ["participant_id", "session_id", "run_id", "verdict", "problem", "runs", "review", "reviewers", "review_reason"];

/// What a row's cells are taken from.
#[derive(Clone, Copy)]
pub(super) struct Line<'a> {
    pub child: &'a CohortRow,
    /// The same child's part that a report has too.
    pub row: &'a ReportRow,
    pub standing: &'a Standing,
}

/// A column of the cohort table.
pub struct CohortColumn {
    pub name: &'static str,
    pub meaning: &'static str,
    /// Empty: none.
    pub unit: &'static str,
    /// The words that a column of few words can hold, each with its meaning.
    pub levels: &'static [(&'static str, &'static str)],
    cell: fn(Line<'_>) -> String,
}

impl CohortColumn {
    const fn of(self, levels: &'static [(&'static str, &'static str)]) -> Self {
        Self { levels, ..self }
    }

    pub(super) fn cell(&self, line: Line<'_>) -> String {
        let unknown = line.row.verdict == Verdict::NotDone && !WITHOUT_RESULT.contains(&self.name);
        if unknown { String::new() } else { (self.cell)(line) }
    }
}

const fn column(
    name: &'static str,
    unit: &'static str,
    meaning: &'static str,
    cell: fn(Line<'_>) -> String,
) -> CohortColumn {
    CohortColumn { name, meaning, unit, levels: &[], cell }
}

const VERDICTS: &[(&str, &str)] = &[
    ("enough", "at least enough.minutes kept, enough.dof left and enough.coverage of parcels"),
    ("look_first", "the same, but something that was noticed may mean wrong data; a person must look"),
    ("too_short", "less time kept than enough.minutes"),
    ("too_few_dof", "no run leaves degrees of freedom after cleaning, or fewer are left than enough.dof"),
    ("poor_coverage", "too few parcels have enough of their weight inside the brain mask and alive"),
    ("failed", "no run could be done; see problem"),
    ("not_done", "not done yet with the settings and files that the study has now; the row has no numbers"),
];

const REVIEWS: &[(&str, &str)] = &[
    ("include", "everyone who decided says include, or a disagreement was settled so"),
    ("exclude", "the same for exclude"),
    ("unsure", "the same for unsure"),
    ("disagreement", "reviewers differ, and it is not settled yet"),
    ("out_of_date", "all decisions were made on results that have changed since"),
    ("n/a", "nobody has decided"),
];

const BRAIN_MASKS: &[(&str, &str)] = &[
    ("file", "a file of the scan"),
    ("image", "the scan's own brightness, since it has no such file"),
    ("both", "a file in some of the joined runs, their own brightness in others"),
];

/// Columns of the cohort table, in order, before the participants table's own.
#[rustfmt::skip] // One column per line or two, as in a table.
pub const COHORT_COLUMNS: &[CohortColumn] = &[
    column("participant_id", "", "child, as in BIDS", |of| of.row.participant_id.clone()),
    column("session_id", "", "session; n/a where there is none or sessions are joined", |of| text(&of.row.session_id)),
    column("run_id", "", "run, where runs are not joined", |of| text(&of.row.run_id)),
    column("verdict", "", "whether the child's data are enough", |of| of.row.verdict.key().to_owned()).of(VERDICTS),
    column("problem", "", "what went wrong, in words", |of| {
        of.row.problem.as_ref().map_or_else(String::new, |problem| problem.text.clone())
    }),
    column("runs", "", "runs found", |of| of.child.runs.to_string()),
    column("runs_joined", "", "runs that the joined result is made of", |of| of.child.runs_joined.to_string()),
    column("tr_s", "s", "repetition time", |of| number_cell(of.row.tr_s)),
    column("voxel_mm", "mm", "sizes of the image's voxels along its three axes; n/a if joined runs differ",
        |of| of.row.voxel_mm.map_or_else(String::new, |sizes| sizes.map(|size| size.to_string()).join("x"))),
    column("brain_mask_from", "", "where the brain mask comes from", |of| of.row.brain_mask_from.clone())
        .of(BRAIN_MASKS),
    column("frames", "", "frames acquired in the joined runs; in all readable runs when none could be joined",
        |of| of.row.frames.to_string()),
    column("frames_kept", "", "frames kept", |of| of.row.frames_kept.to_string()),
    column("minutes", "min", "time acquired in the joined runs; in all readable runs when none could be joined",
        |of| number_cell(of.row.minutes)),
    column("minutes_kept", "min", "time kept", |of| number_cell(of.row.minutes_kept)),
    column("kept_share", "", "share of frames kept", |of| number_cell(of.row.kept_share)),
    column("mean_fd_mm", "mm",
        "mean framewise displacement in the form that censoring uses, over all frames but the first after settling",
        |of| number_cell(of.row.mean_fd_mm)),
    column("mean_fd_span_mm", "mm", "the same between frames motion.fd_span_s apart; n/a without a span",
        |of| number_cell(of.row.mean_fd_span_mm)),
    column("mean_fd_kept_mm", "mm", "mean_fd_mm over kept frames", |of| number_cell(of.row.mean_fd_kept_mm)),
    column("max_fd_mm", "mm", "largest framewise displacement", |of| number_cell(of.row.max_fd_mm)),
    column("median_dvars_percent", "%", "median DVARS", |of| number_cell(of.row.median_dvars_percent)),
    column("sphere_radius_mm", "mm", "radius of the sphere that turns rotations into millimetres",
        |of| number_cell(of.row.sphere_radius_mm)),
    column("sphere_radius_from", "", "where the radius comes from", |of| of.row.sphere_radius_from.clone()),
    column("dropped_settling", "", "frames dropped whose first reason is settling",
        |of| of.row.dropped[Reason::Settling].to_string()),
    column("dropped_unaligned", "", "frames dropped whose first reason is that no pose was found",
        |of| of.row.dropped[Reason::Unaligned].to_string()),
    column("dropped_moved", "", "frames dropped whose first reason is displacement above its limit",
        |of| of.row.dropped[Reason::Moved].to_string()),
    column("dropped_signal_jump", "", "frames dropped whose first reason is DVARS above its limit",
        |of| of.row.dropped[Reason::SignalJump].to_string()),
    column("dropped_logged", "", "frames dropped whose first reason is the watch log",
        |of| of.row.dropped[Reason::Logged].to_string()),
    column("dropped_beside_motion", "",
        "frames dropped whose first reason is a neighbour that moved, jumped or has no pose",
        |of| of.row.dropped[Reason::BesideMotion].to_string()),
    column("dropped_short_stretch", "", "frames dropped whose first reason is a kept stretch that is too short",
        |of| of.row.dropped[Reason::ShortStretch].to_string()),
    column("longest_stretch_s", "s", "longest kept stretch", |of| number_cell(of.row.longest_stretch_s)),
    column("dof", "", "degrees of freedom left after cleaning, with the autocorrelation of the run's own series",
        |of| number_cell(of.row.dof)),
    column("dof_white", "", "the same if frames were independent before cleaning", |of| number_cell(of.row.dof_white)),
    column("parcels_used", "", "parcels with enough coverage, over all atlases", |of| of.row.parcels_used.to_string()),
    column("parcels", "", "parcels, over all atlases", |of| of.row.parcels.to_string()),
    column("tsnr_median", "", "median over the brain mask of mean/SD over time of the raw image",
        |of| number_cell(of.row.tsnr_median)),
    column("warnings", "", "what was noticed without stopping the run, separated by '; '",
        |of| remark::texts(&of.row.warnings).join("; ")),
    column("noticed", "", "codes of what was noticed, separated by ';'; the words are in warnings",
        |of| remark::codes(&of.row.warnings).iter().map(|code| code.key()).collect::<Vec<_>>().join(";")),
    column("review", "", "what reviewers decided on these results (keepstill review)",
        |of| of.standing.review.key().to_owned()).of(REVIEWS),
    column("reviewers", "", "initials of those who decided on these results, separated by ';'",
        |of| of.standing.reviewers.join(";")),
    column("review_reason", "", "their reasons, each with its note after a colon, separated by '; '",
        |of| text(&of.standing.reason)),
    column("results_digest", "", "changes when the results do; a decision holds for the results whose digest it names",
        |of| of.child.results_digest.clone()),
];

/// The data dictionary of the cohort table; `carried` are the participants table's own columns.
#[must_use]
pub fn cohort_dictionary(carried: &[String]) -> Value {
    let own = COHORT_COLUMNS
        .iter()
        .map(|column| (column.name.to_owned(), entry(column.meaning, column.unit, column.levels.to_vec())));
    let carried =
        carried.iter().map(|name| (name.clone(), entry("carried from the participants table", "", Vec::new())));
    Value::Object(own.chain(carried).collect::<Map<String, Value>>())
}

fn text(text: &Option<String>) -> String {
    text.clone().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_reason_has_its_column_in_the_order_of_counting() {
        let names: Vec<&str> = COHORT_COLUMNS.iter().filter_map(|c| c.name.strip_prefix("dropped_")).collect();
        assert_eq!(names, Reason::ALL.map(Reason::key));
    }
}
