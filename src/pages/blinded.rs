//! The same data without what tells group, sex or age, for a reviewer who must not know them.

use serde_json::Value;

use super::data::{ChildData, CohortData, CohortLine};
use crate::remark::Remark;

impl CohortData {
    /// Without what tells group, sex or age.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let blinded = |row: &CohortLine| CohortLine {
            covariates: Vec::new(),
            problem: row.problem.as_ref().map(blinded_remark),
            ..row.clone()
        };
        let rows = self.rows.iter().map(blinded).collect();
        Self { covariates: Vec::new(), rows, ..self.clone() }
    }
}

impl ChildData {
    /// Without what tells group, sex or age. The sphere radius and the breathing rates depend on age, so they go; so do
    /// the settings that name the participants table and its columns.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let mut data = Self { blinded: true, ..self.clone() };
        // A filter by age leaves a hole in the spectrum, which shows its band.
        let filtered = data.settings["motion"]["respiration"] != "leave";
        if let Value::Object(settings) = &mut data.settings {
            settings.remove("children");
        }
        let radius_tells = data.settings["motion"]["sphere_radius"] == "by-age";
        let rows = data.runs.iter_mut().map(|run| &mut run.row).chain([&mut data.joined]);
        for row in rows {
            if radius_tells {
                row.sphere_radius_mm = f64::NAN;
                row.sphere_radius_from = "hidden".to_owned();
            }
            row.problem = row.problem.as_ref().map(blinded_remark);
            row.warnings.iter_mut().for_each(|warning| *warning = blinded_remark(warning));
            row.warnings.dedup();
            if let Some(motion) = &mut row.motion {
                motion.breathing.clear();
                motion.breathing_band_hz = None;
                motion.other_radii.clear();
                if filtered {
                    motion.mean_fd_unfiltered_mm = f64::NAN;
                }
            }
        }
        if filtered {
            data.runs.iter_mut().for_each(|run| run.spectrum = None);
        }
        for spectrum in data.runs.iter_mut().filter_map(|run| run.spectrum.as_mut()) {
            spectrum.breathing_band_hz = None;
        }
        data
    }
}

/// A problem or warning as a blinded reviewer sees it: if it tells of the child, only the fact that there is one.
fn blinded_remark(remark: &Remark) -> Remark {
    if remark.tells_child {
        Remark::about_data("there is a message here that is hidden together with group, sex and age")
    } else {
        remark.clone()
    }
}
