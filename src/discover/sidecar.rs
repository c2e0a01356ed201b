//! The repetition time in an image's JSON sidecar: BIDS `RepetitionTime`, s.

use std::path::Path;

use serde_json::Value;

use super::problem::ScanProblem;
use crate::units::usable_tr;

/// What the sidecar beside an image says: the image's name with `.json`. None where there is no such file, or it does
/// not give the time.
pub(super) fn beside(image: &Path) -> Result<Option<f64>, ScanProblem> {
    let name = image.file_name().and_then(|name| name.to_str()).unwrap_or_default();
    let stem = name.strip_suffix(".gz").unwrap_or(name);
    let sidecar = stem.strip_suffix(".nii").map(|stem| image.with_file_name(format!("{stem}.json")));
    sidecar.filter(|path| path.is_file()).map_or(Ok(None), |path| time_in(&path))
}

/// What one sidecar says; none where it does not give the time.
pub(super) fn time_in(path: &Path) -> Result<Option<f64>, ScanProblem> {
    let wrong = |reason: String| ScanProblem::Sidecar { path: path.to_owned(), reason };
    let bytes = std::fs::read(path).map_err(|e| wrong(format!("cannot read the sidecar: {e}")))?;
    let text = String::from_utf8(bytes).map_err(|_| wrong("not UTF-8 text".to_owned()))?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let json: Value = serde_json::from_str(text).map_err(|e| wrong(format!("not valid JSON: {e}")))?;
    match json.get("RepetitionTime") {
        None | Some(Value::Null) => Ok(None),
        Some(value) => match value.as_f64().and_then(usable_tr) {
            Some(tr_s) => Ok(Some(tr_s)),
            None => {
                let place = format!("{} RepetitionTime", path.display());
                Err(ScanProblem::repetition_time(place, value.to_string(), value.as_f64()))
            }
        },
    }
}
