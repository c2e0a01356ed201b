//! Everything that the quality files report.

use super::before::Before;
use super::context::QualityContext;
use super::means::MeanMatrix;
use super::rows::QcFcRow;
use super::sites::SitesShown;
use super::studies::Studies;
use super::weighting::Weighting;

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
    pub(super) fn studies(&self) -> &Studies {
        &self.quality.studies
    }
}
