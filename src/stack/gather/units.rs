//! Refuses covariances of results that an earlier version wrote, which stand for something else: their runs were scaled
//! to unit SD first. Each child's report says what its covariances are in.

use rayon::prelude::*;

use super::children::{Child, GatheredChildren};
use super::error::{RunsError, StackError};
use super::folders::Folders;
use crate::connectivity::percent::COVARIANCE_UNIT;
use crate::results::Report;
use crate::study::settings::Measure;

/// Makes sure that all children's covariances are in the unit of this version.
pub(crate) fn require(results: &Folders, found: &GatheredChildren) -> Result<(), StackError> {
    if !found.kinds.iter().any(|kind| kind.measure == Measure::Covariance) {
        return Ok(());
    }
    let look = |child: &Child| -> Result<(), StackError> {
        let path = child.report(results);
        let report = Report::read(&path).map_err(|source| RunsError::Report { source })?;
        match report.joined.covariance_unit.as_deref() {
            Some(COVARIANCE_UNIT) => Ok(()),
            _ => Err(StackError::CovarianceUnit { path }),
        }
    };
    // If there are several errors, the first child's is returned, whichever thread was faster.
    let looked: Vec<Result<(), StackError>> = found.children.par_iter().map(look).collect();
    looked.into_iter().collect()
}
