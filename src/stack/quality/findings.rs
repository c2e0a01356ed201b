//! Everything that the quality files report.

use serde_json::Value;

use super::before::Before;
use super::context::QualityContext;
use super::means::MeanMatrix;
use super::rows::QcFcRow;
use super::sites::SitesShown;
use super::weighting::Weighting;
use crate::results::report::Settings;

/// Everything that the files report.
pub(super) struct Findings<'a> {
    pub quality: &'a QualityContext<'a>,
    pub before: Before,
    /// By kind: first those after censoring, then those before, each plain and adjusted.
    pub rows: Vec<QcFcRow>,
    /// Of each kind, those after censoring; then those before.
    pub weightings: Vec<Weighting>,
    pub means: Vec<MeanMatrix>,
    pub sites: Vec<SitesShown>,
    pub answer: String,
    pub notes: Vec<String>,
}

impl Findings<'_> {
    pub(super) fn settings(&self) -> Option<&Settings> {
        self.quality.settings.as_ref().ok()
    }

    /// The settings that matrices depend on: not how they are written, nor how much of them is enough.
    pub(super) fn settings_told(&self) -> Option<Value> {
        let mut settings = self.settings()?.sections.clone();
        if let Some(sections) = settings.as_object_mut() {
            ["output", "enough"].iter().for_each(|section| drop(sections.shift_remove(*section)));
        }
        Some(settings)
    }
}
