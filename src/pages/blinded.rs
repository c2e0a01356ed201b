//! The same data without what tells group, sex or age, for a reviewer who is not to know.

use serde_json::Value;

use super::data::{ChildData, CohortData, CohortLine};

impl CohortData {
    /// Without what tells group, sex or age.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let blinded = |row: &CohortLine| CohortLine {
            covariates: Vec::new(),
            problem: row.problem.as_deref().map(blinded_text),
            ..row.clone()
        };
        let rows = self.rows.iter().map(blinded).collect();
        Self { covariates: Vec::new(), rows, ..self.clone() }
    }
}

impl ChildData {
    /// Without what tells group, sex or age: the radius of the head and the rates of breathing go by age. Names of the
    /// participants table and its columns go too.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let mut data = Self { blinded: true, ..self.clone() };
        // A filter by age leaves its band's hole in the spectrum.
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
            row.problem = row.problem.as_deref().map(blinded_text);
            row.warnings.iter_mut().for_each(|warning| *warning = blinded_text(warning));
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

/// A problem or warning without what it may tell of age, sex or group: of those that speak of any, only that there is
/// one.
fn blinded_text(text: &str) -> String {
    /// Words of the messages that go by the participants table (`discover`, `motion/respiration`, `motion/sphere`).
    const TELLING: [&str; 21] = [
        "participants",
        "participant",
        "column",
        "columns",
        "age",
        "ages",
        "sex",
        "group",
        "boy",
        "girl",
        "male",
        "female",
        "month",
        "months",
        "year",
        "years",
        "weeks",
        "breath",
        "breaths",
        "breathing",
        "radius",
    ];
    let words = text.split(|c: char| !c.is_alphabetic()).map(str::to_lowercase);
    if words.into_iter().any(|word| TELLING.contains(&word.as_str())) {
        "there is a message here that is hidden together with group, sex and age".to_owned()
    } else {
        text.to_owned()
    }
}
