//! What each column means: data dictionaries in the BIDS form (`Description`, `Units`, `Levels`).

use serde_json::{Map, Value, json};

use crate::censor::Reason;
use crate::motion::ImageMotion;

/// Columns of the frames table: name, description, unit (empty: none).
pub(super) const FRAME_COLUMNS: [(&str, &str, &str); 16] = [
    ("frame", "frame number, counted from 0", ""),
    ("time_s", "start of the frame's acquisition, from the start of the run", "s"),
    ("translation_x_mm", "head translation along x; n/a where no pose was found", "mm"),
    ("translation_y_mm", "head translation along y; n/a where no pose was found", "mm"),
    ("translation_z_mm", "head translation along z; n/a where no pose was found", "mm"),
    ("rotation_x_rad", "head rotation about x; n/a where no pose was found", "rad"),
    ("rotation_y_rad", "head rotation about y; n/a where no pose was found", "rad"),
    ("rotation_z_rad", "head rotation about z; n/a where no pose was found", "rad"),
    (
        "fd_sum_mm",
        "framewise displacement, sum form (Power et al. 2012, NeuroImage 59:2142), against the latest earlier frame with a pose; n/a in the first frame",
        "mm",
    ),
    (
        "fd_rms_mm",
        "framewise displacement, root mean square form (Jenkinson 1999, TR99MJ1), against the latest earlier frame with a pose; n/a in the first frame",
        "mm",
    ),
    (
        "fd_unfiltered_mm",
        "framewise displacement in the form that censoring uses, breathing left in the motion parameters",
        "mm",
    ),
    (
        "fd_radius_50_mm",
        "framewise displacement in the form that censoring uses, rotations on a sphere of 50 mm whatever the radius used",
        "mm",
    ),
    (
        "dvars_percent",
        "root mean square frame-to-frame change over the brain mask, in percent of the median of the mean image (Power et al. 2012; Nichols 2017, arXiv:1704.01469); n/a in the first frame",
        "%",
    ),
    ("global_signal", "mean over the brain mask's voxels that change over time", ""),
    ("kept", "1: the frame is kept; 0: it is dropped", ""),
    ("reasons", "why the frame is dropped, separated by ';'; n/a for kept frames", ""),
];

/// What each reason means.
#[must_use]
pub fn reason_words(reason: Reason) -> &'static str {
    match reason {
        Reason::Settling => "cut from the start of the run, while the signal settles (censor.settling)",
        Reason::Unaligned => "no pose was found that aligns the frame with the reference frame",
        Reason::Moved => "framewise displacement above censor.fd_mm",
        Reason::SignalJump => "DVARS above censor.dvars_percent",
        Reason::Logged => "inside an interval of the watch log",
        Reason::BesideMotion => {
            "censor.before frames before or censor.after frames after a moved or jumped frame, or one without a pose"
        }
        Reason::ShortStretch => "in a kept stretch shorter than censor.shortest_stretch frames",
    }
}

fn entry(description: &str, unit: &str) -> Value {
    if unit.is_empty() {
        json!({ "Description": description })
    } else {
        json!({ "Description": description, "Units": unit })
    }
}

/// The sidecar of a frames table; motion measured from the images adds what its parameters are about.
#[must_use]
pub fn frames_dictionary(found: Option<&ImageMotion>) -> Value {
    let mut columns: Map<String, Value> =
        FRAME_COLUMNS.iter().map(|(name, text, unit)| ((*name).to_owned(), entry(text, unit))).collect();
    let words: Map<String, Value> =
        Reason::ALL.iter().map(|r| (r.key().to_owned(), Value::from(reason_words(*r)))).collect();
    columns.insert("reasons".to_owned(), json!({ "Description": FRAME_COLUMNS[15].1, "Levels": words }));
    columns.insert(
        "kept".to_owned(),
        json!({ "Description": FRAME_COLUMNS[14].1, "Levels": { "0": "dropped", "1": "kept" } }),
    );
    if let Some(found) = found {
        columns.insert("reference_frame".to_owned(), json!(found.reference_frame));
        columns.insert("pivot_mm".to_owned(), json!(found.pivot_mm));
        let text = "x maps to R(x - pivot) + pivot + translation, R = Rz Ry Rx; world mm, frames counted from 0";
        columns.insert("motion_parameters".to_owned(), json!(text));
    }
    Value::Object(columns)
}

/// Columns of the cohort table, after `participant_id` and `session_id` and before the participants table's own.
pub const COHORT_COLUMNS: [(&str, &str, &str); 34] = [
    ("run_id", "run, where runs are not joined", ""),
    ("verdict", "whether the child's data are enough", ""),
    ("problem", "what went wrong, in words", ""),
    ("runs", "runs found", ""),
    ("runs_joined", "runs that the joined result is made of", ""),
    ("tr_s", "repetition time", "s"),
    ("frames", "frames acquired in the joined runs; in all readable runs when none could be joined", ""),
    ("frames_kept", "frames kept", ""),
    ("minutes", "time acquired in the joined runs; in all readable runs when none could be joined", "min"),
    ("minutes_kept", "time kept", "min"),
    ("kept_share", "share of frames kept", ""),
    (
        "mean_fd_mm",
        "mean framewise displacement in the form that censoring uses, over all frames but the first after settling",
        "mm",
    ),
    ("mean_fd_kept_mm", "the same over kept frames", "mm"),
    ("max_fd_mm", "largest framewise displacement", "mm"),
    ("median_dvars_percent", "median DVARS", "%"),
    ("sphere_radius_mm", "radius of the sphere that turns rotations into millimetres", "mm"),
    ("sphere_radius_from", "how the radius was got", ""),
    ("dropped_settling", "frames dropped whose first reason is settling", ""),
    ("dropped_unaligned", "frames dropped whose first reason is that no pose was found", ""),
    ("dropped_moved", "frames dropped whose first reason is displacement above its limit", ""),
    ("dropped_signal_jump", "frames dropped whose first reason is DVARS above its limit", ""),
    ("dropped_logged", "frames dropped whose first reason is the watch log", ""),
    ("dropped_beside_motion", "frames dropped whose first reason is a moved or jumped neighbour", ""),
    ("dropped_short_stretch", "frames dropped whose first reason is a kept stretch that is too short", ""),
    ("longest_stretch_s", "longest kept stretch", "s"),
    ("dof", "degrees of freedom left after cleaning", ""),
    ("parcels_used", "parcels with enough coverage, over all atlases", ""),
    ("parcels", "parcels, over all atlases", ""),
    ("tsnr_median", "median over the brain mask of mean/SD over time of the raw image", ""),
    ("warnings", "what was noticed and stops nothing, separated by '; '", ""),
    ("review", "what reviewers decided on these results (keepstill review)", ""),
    ("reviewers", "initials of those who decided on these results, separated by ';'", ""),
    ("review_reason", "their reasons, each with its note after a colon, separated by '; '", ""),
    ("results_digest", "changes when what the results are made of does; decisions hold for the one that they name", ""),
];

/// The data dictionary of the cohort table; `carried` are the participants table's own columns.
#[must_use]
pub fn cohort_dictionary(carried: &[String]) -> Value {
    let mut columns = Map::new();
    columns.insert("participant_id".to_owned(), entry("child, as in BIDS", ""));
    columns.insert("session_id".to_owned(), entry("session; n/a where there is none or sessions are joined", ""));
    for (name, text, unit) in COHORT_COLUMNS {
        columns.insert(name.to_owned(), entry(text, unit));
    }
    let verdicts = json!({
        "enough": "at least enough.minutes kept, enough.dof left and enough.coverage of parcels",
        "too_short": "less time kept than enough.minutes",
        "too_few_dof": "no run leaves degrees of freedom after cleaning, or fewer are left than enough.dof",
        "poor_coverage": "too few parcels have enough of their weight inside the brain mask and alive",
        "failed": "no run could be done; see problem",
    });
    columns.insert(
        "verdict".to_owned(),
        json!({ "Description": "whether the child's data are enough", "Levels": verdicts }),
    );
    let reviews = json!({
        "include": "all who decided say include, or a disagreement was settled so",
        "exclude": "the same for exclude",
        "unsure": "the same for unsure",
        "disagreement": "reviewers differ, and it is not settled yet",
        "out_of_date": "all decisions were made on results that have changed since",
        "n/a": "nobody has decided",
    });
    columns.insert(
        "review".to_owned(),
        json!({ "Description": "what reviewers decided on these results (keepstill review)", "Levels": reviews }),
    );
    for name in carried {
        columns.insert(name.clone(), entry("carried from the participants table", ""));
    }
    Value::Object(columns)
}
