//! A scan whose headers and tables are sound, and which of its files count.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use ndarray::Array2;

use crate::discover::Scan;
use crate::motion::respiration::{BreathingBand, RespirationFilter};
use crate::motion::{MotionTrace, watch_log};
use crate::nifti::Header;
use crate::remark::Remark;
use crate::study::Study;
use crate::study::settings::{MotionSource, Tissue};
use crate::units::{Millimetres, Seconds};

/// A scan whose headers and tables are sound.
#[derive(Debug)]
pub struct Prepared {
    pub header: Header,
    pub tr: Seconds,
    /// From the motion table; none when motion is measured from the images.
    pub trace: Option<MotionTrace>,
    /// Chosen columns of the confounds table, frames × columns.
    pub confounds: Array2<f64>,
    /// The watch log, where frames are dropped by it.
    pub log: Vec<watch_log::Interval>,
    /// One flag per frame: inside a logged interval.
    pub logged: Vec<bool>,
    /// None: from the brain mask, which is read with the image.
    pub radius: Option<HeadSphere>,
    /// The radius by age, where the child's age is known.
    pub radius_by_age: Option<HeadSphere>,
    /// What takes breathing out of the motion trace; none: nothing does.
    pub filter: Option<RespirationFilter>,
    /// The rates at which the child is expected to breathe, where anything is known of them.
    pub breathing: Option<BreathingBand>,
    /// None: it is made from the image.
    pub brain_mask: Option<PathBuf>,
    /// Every tissue that the scan has a sound mask for, needed by these settings or not: the image must not be read
    /// again when the confounds change.
    pub tissues: Vec<TissueMask>,
    pub warnings: Vec<Remark>,
    /// Content hashes of the inputs besides the image, by role; empty from [`examine`](super::prepare::examine).
    pub inputs: BTreeMap<String, String>,
}

/// The sphere that turns rotations into millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadSphere {
    pub radius: Millimetres,
    /// How the radius was got, in words.
    pub from: String,
}

/// A tissue's mask.
#[derive(Debug, Clone)]
pub struct TissueMask {
    pub tissue: Tissue,
    pub path: PathBuf,
    /// Whether these settings need it.
    pub needed: bool,
}

impl Prepared {
    /// The tissues that these settings need, with their masks.
    pub fn tissues_needed(&self) -> impl Iterator<Item = (Tissue, &Path)> {
        self.tissues.iter().filter(|t| t.needed).map(|t| (t.tissue, t.path.as_path()))
    }
}

/// The tissues that cleaning needs: those named for means; with components and no name, both.
#[must_use]
pub fn tissues_needed(study: &Study) -> Vec<Tissue> {
    if study.clean.tissue_components > 0 && study.clean.tissue_means.is_empty() {
        vec![Tissue::WhiteMatter, Tissue::Csf]
    } else {
        study.clean.tissue_means.clone()
    }
}

/// The files of a scan that its result depends on, by role; the image itself comes first.
#[must_use]
pub fn input_files<'a>(scan: &'a Scan, study: &Study) -> Vec<(&'static str, &'a Path)> {
    let mut files: Vec<(&'static str, Option<&PathBuf>)> = vec![
        ("bold", Some(&scan.bold)),
        ("motion", scan.motion.as_ref().filter(|_| study.motion.from == MotionSource::Table)),
        ("brain_mask", scan.brain_mask.as_ref()),
        ("confounds", scan.confounds.as_ref().filter(|_| !study.clean.confound_columns.is_empty())),
        ("watch_log", scan.watch_log.as_ref().filter(|_| study.censor.watch_log)),
    ];
    for tissue in tissues_needed(study) {
        files.push((tissue.key(), mask_of(scan, tissue)));
    }
    files.into_iter().filter_map(|(role, path)| Some((role, path?.as_path()))).collect()
}

/// A tissue's mask, where the scan has one.
pub(super) fn mask_of(scan: &Scan, tissue: Tissue) -> Option<&PathBuf> {
    match tissue {
        Tissue::WhiteMatter => scan.white_matter.as_ref(),
        Tissue::Csf => scan.csf.as_ref(),
    }
}
