//! What headers and tables say of a scan, before its image is read; every problem, not the first.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use ndarray::Array2;

use super::{Atlases, memory};
use crate::clean::{confounds, filter};
use crate::discover::{Child, Scan, Sex};
use crate::motion::respiration::{BreathingBand, RespirationFilter};
use crate::motion::{MotionTrace, parameters, sphere, watch_log};
use crate::nifti::{self, Header};
use crate::record::inputs;
use crate::study::Study;
use crate::study::settings::{BreathsPerMin, MotionSource, Respiration, SphereRadius, Tissue};
use crate::units::{Millimetres, Seconds};

/// The largest difference allowed between the table's and the header's repetition time (interface.md).
const TR_TOLERANCE: f64 = 0.01;

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
    /// One flag a frame: inside a logged interval.
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
    /// Every tissue that the scan has a sound mask for, needed by these settings or not: a change of confounds must not
    /// read the image again.
    pub tissues: Vec<TissueMask>,
    pub warnings: Vec<String>,
    /// Content hashes of the inputs besides the image, by role; empty from [`examine`].
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

/// The tissues that cleaning needs: those named for means; for components, both when none is named.
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

fn mask_of(scan: &Scan, tissue: Tissue) -> Option<&PathBuf> {
    match tissue {
        Tissue::WhiteMatter => scan.white_matter.as_ref(),
        Tissue::Csf => scan.csf.as_ref(),
    }
}

/// Reads headers and tables, and hashes the inputs besides the image.
///
/// # Errors
/// Every problem found, each a sentence.
pub fn prepare(scan: &Scan, child: Option<&Child>, study: &Study) -> Result<Prepared, Vec<String>> {
    // Hashed before anything is read: a file that is changed in between must look changed to the next run.
    let hashes: Vec<_> = input_files(scan, study)
        .into_iter()
        .skip(1)
        .map(|(role, path)| (role, path, inputs::content_hash(path)))
        .collect();
    let mut prepared = examine(scan, child, study)?;
    let mut problems = Vec::new();
    for (role, path, hash) in hashes {
        if let Some(hash) = note(&mut problems, hash.map_err(|e| format!("{}: cannot read: {e}", path.display()))) {
            prepared.inputs.insert(role.to_owned(), hash);
        }
    }
    if problems.is_empty() { Ok(prepared) } else { Err(problems) }
}

/// Reads headers and tables alone: no image is read beyond its header, and nothing is hashed.
///
/// # Errors
/// Every problem found, each a sentence.
pub fn examine(scan: &Scan, child: Option<&Child>, study: &Study) -> Result<Prepared, Vec<String>> {
    let mut problems = scan.problems.clone();
    let mut warnings = Vec::new();
    // A path that discovery already found missing or a folder is not complained of twice.
    let exists = |path: &&PathBuf| path.exists() && !path.is_dir();

    let header = Some(&scan.bold).filter(exists).and_then(|path| note(&mut problems, nifti::read_header(path)));
    let tr = header.as_ref().and_then(|header| note(&mut problems, repetition_time(scan, header)));
    if let Some(header) = &header {
        run_shaped(&mut problems, &scan.bold, header);
    }
    if let (Some(tr), Some([_, high])) = (tr, study.clean.band_hz) {
        note(&mut problems, filter::require_below_nyquist(high, tr));
    }

    // Of an image that is no run, no rows can be too many.
    let frames = header.as_ref().map(|h| h.frames).filter(|&frames| frames > 1);
    let mut trace = None;
    let from_table = study.motion.from == MotionSource::Table;
    if from_table
        && let Some(path) = scan.motion.as_ref().filter(exists)
        && let Some(read) = note(&mut problems, parameters::read(path, &study.motion))
    {
        rows_match(&mut problems, path, read.frames(), frames, "motion table");
        warnings.extend(parameters::doubts(&read).into_iter().map(|d| format!("{}: {d}", path.display())));
        trace = Some(read);
    }

    let wanted = &study.clean.confound_columns;
    let mut columns = None;
    if !wanted.is_empty()
        && let Some(path) = scan.confounds.as_ref().filter(exists)
        && let Some(values) = note(&mut problems, confounds::read(path, wanted))
    {
        rows_match(&mut problems, path, values.nrows(), frames, "confounds table");
        columns = Some(values);
    }

    let mut log = Vec::new();
    let mut logged = vec![false; frames.unwrap_or(0)];
    if study.censor.watch_log
        && let Some(path) = scan.watch_log.as_ref().filter(exists)
        && let Some(read) = note(&mut problems, watch_log::read(path))
        && let (Some(frames), Some(tr)) = (frames, tr)
    {
        let run_s = frames as f64 * tr.0;
        let outside = read.iter().filter(|i| i.onset_s >= run_s || i.onset_s + i.duration_s < 0.0).count();
        if outside > 0 {
            let all = read.len();
            warnings
                .push(format!("{}: {outside} of {all} intervals lie outside the run of {run_s:.1} s", path.display()));
        }
        logged = watch_log::logged_frames(&read, &study.censor.watch_log_types, frames, tr);
        log = read;
    }

    if child.is_none() && study.children.table.is_some() {
        warnings.push(format!(
            "the participants table has no row for sub-{}, so the child has no age, sex or group",
            scan.id.participant
        ));
    }
    let radius_by_age = sphere_radius_by_age(child);
    let radius = match study.motion.sphere_radius {
        SphereRadius::Mm(mm) => {
            Some(HeadSphere { radius: Millimetres(mm), from: "motion.sphere_radius in the study file".to_owned() })
        }
        SphereRadius::FromMask => None,
        SphereRadius::ByAge => {
            // Discovery has told already what is wrong with the child's age.
            if radius_by_age.is_none() && scan.problems.is_empty() {
                problems.push(no_age(scan, "motion.sphere_radius is \"by-age\"", "give a radius in mm"));
            }
            radius_by_age.clone()
        }
    };
    let breathing = match study.motion.breaths_per_min {
        BreathsPerMin::Rates(rates) => note(&mut problems, BreathingBand::given(rates)),
        BreathsPerMin::ByAge => {
            let age = child.and_then(|c| c.age_months);
            if age.is_none() && study.motion.respiration == Respiration::Notch && scan.problems.is_empty() {
                let what = "motion.respiration is \"notch\" with rates by age";
                problems.push(no_age(scan, what, "give motion.breaths_per_min = [low, high]"));
            }
            age.and_then(|age| note(&mut problems, BreathingBand::by_age(age)))
        }
    };
    let filter = match (study.motion.respiration, tr, breathing) {
        (Respiration::LowPass, Some(tr), band) => {
            note(&mut problems, RespirationFilter::low_pass(study.motion.low_pass_hz, band, tr))
        }
        (Respiration::Notch, Some(tr), Some(band)) => note(&mut problems, RespirationFilter::notch(band, tr)),
        _ => None,
    };
    let needed = tissues_needed(study);
    let mut tissues = Vec::new();
    for tissue in [Tissue::WhiteMatter, Tissue::Csf] {
        let Some(path) = mask_of(scan, tissue).filter(exists) else { continue };
        let needed = needed.contains(&tissue);
        match mask_header(path) {
            Ok(()) => tissues.push(TissueMask { tissue, path: path.clone(), needed }),
            Err(problem) if needed => problems.push(problem),
            // A mask that nothing needs is nobody's trouble.
            Err(_) => {}
        }
    }
    if let Some(path) = scan.brain_mask.as_ref().filter(exists) {
        note(&mut problems, mask_header(path));
    }

    let motion_known = trace.is_some() || !from_table;
    match (header, tr) {
        (Some(header), Some(tr)) if problems.is_empty() && motion_known => {
            let confounds = columns.unwrap_or_else(|| Array2::zeros((header.frames, 0)));
            Ok(Prepared {
                header,
                tr,
                trace,
                confounds,
                log,
                logged,
                radius,
                radius_by_age,
                filter,
                breathing,
                brain_mask: scan.brain_mask.clone(),
                tissues,
                warnings,
                inputs: BTreeMap::new(),
            })
        }
        _ => {
            if problems.is_empty() {
                problems
                    .push(format!("{}: a file that this scan needs is not named or not there", scan.bold.display()));
            }
            Err(problems)
        }
    }
}

/// A mask is a 3-D image.
fn mask_header(path: &Path) -> Result<(), String> {
    let mask = nifti::read_header(path).map_err(|e| e.to_string())?;
    match mask.frames {
        1 => Ok(()),
        volumes => Err(format!(
            "{}: a mask must be a 3-D image, but this one has {volumes} volumes; take one out of it",
            path.display()
        )),
    }
}

/// Keeps an error as a sentence and goes on.
fn note<T, E: std::fmt::Display>(problems: &mut Vec<String>, result: Result<T, E>) -> Option<T> {
    result.map_err(|error| problems.push(error.to_string())).ok()
}

/// A run is a 4-D image of at least two frames.
fn run_shaped(problems: &mut Vec<String>, path: &Path, header: &Header) {
    if header.frames < 2 {
        let axes = header.axes;
        problems.push(format!(
            "{}: the image has {axes} axes and 1 frame, but a run needs a 4-D image with at least 2 frames; name the run's own file",
            path.display()
        ));
    } else if !header.extra_dims.is_empty() {
        problems.push(format!(
            "{}: the image has more than four axes ({}); split it into 4-D runs",
            path.display(),
            header.shape_text()
        ));
    }
}

fn rows_match(problems: &mut Vec<String>, path: &Path, rows: usize, frames: Option<usize>, what: &str) {
    if let Some(frames) = frames.filter(|&f| f != rows) {
        problems.push(format!(
            "{}: the {what} has {rows} rows, but the image has {frames} frames; check that both are of the same run, one row a frame",
            path.display()
        ));
    }
}

/// From the scan table or sidecar, else the header; both must agree to 1 %.
fn repetition_time(scan: &Scan, header: &Header) -> Result<Seconds, String> {
    match (scan.tr_s, header.tr_s()) {
        (None, from_header) => from_header.map(Seconds).map_err(|e| e.to_string()),
        (Some(given), Ok(found)) if (given - found).abs() > TR_TOLERANCE * given.max(found) => Err(format!(
            "{}: the repetition time is {given} s by the scan table or sidecar, but {found} s by the image header; correct the one that is wrong",
            scan.bold.display()
        )),
        (Some(given), _) => Ok(Seconds(given)),
    }
}

/// The radius by a child's age; none when the age is not known.
fn sphere_radius_by_age(child: Option<&Child>) -> Option<HeadSphere> {
    let age = child?.age_months?;
    let sex = child.map_or(Sex::Unknown, |c| c.sex);
    let who = match sex {
        Sex::Male => "male",
        Sex::Female => "female",
        Sex::Unknown => "sex unknown, mean of both",
    };
    Some(HeadSphere { radius: sphere::radius(age, sex), from: format!("age {age:.1} months, {who}") })
}

fn no_age(scan: &Scan, what: &str, instead: &str) -> String {
    format!(
        "sub-{}: {what}, but the participants table gives no age for this child; add it, or {instead}",
        scan.id.participant
    )
}

/// What a scan will cost, roughly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// On one core.
    pub seconds: f64,
    /// Of this scan in work; the program and the atlases come once a run.
    pub memory_bytes: u64,
    pub disk_bytes: u64,
}

/// Bytes of image a second and core, compressed and plain; a little under what docs/measurements.md has.
const COMPRESSED_BYTES_A_SECOND: f64 = 160e6;
const PLAIN_BYTES_A_SECOND: f64 = 900e6;
/// Voxels of image registered a second and core: 60 frames of 64×64×36.
const VOXELS_REGISTERED_A_SECOND: f64 = 60.0 * 64.0 * 64.0 * 36.0;

/// Estimates time, memory and disk of a scan from its headers and masks.
#[must_use]
pub fn estimate(prepared: &Prepared, atlases: &Atlases, study: &Study) -> Estimate {
    let header = &prepared.header;
    let parcels: u64 = atlases.list.iter().map(|a| a.parcels.len() as u64).sum();
    let frames = header.frames as u64;
    let compressed = header.data_path.extension().is_some_and(|e| e.eq_ignore_ascii_case("gz"));
    let rate = if compressed { COMPRESSED_BYTES_A_SECOND } else { PLAIN_BYTES_A_SECOND };
    let series = 8 * frames * parcels;
    let memory_bytes = memory::scan_bytes(prepared, atlases, study, false, true);
    let [x, y, z] = header.shape.map(|n| n as u64);
    // The slices in digest and record; the page, with series as text of bytes and its own script.
    let slices = 12 * (x * y + y * z + x * z);
    let page = if study.output.pages { 110_000 + 14 * (2 * frames + parcels) * parcels / 10 } else { 0 };
    // Tables, digest, record with its shades.
    let disk_bytes = 11 * frames * parcels
        + 2 * series
        + frames * parcels
        + 120 * frames
        + 11 * parcels * parcels
        + 60_000
        + slices
        + page;
    let size = fs::metadata(&header.data_path).map_or(header.file_bytes, |m| m.len());
    let mut seconds = size as f64 / rate;
    if study.motion.from == MotionSource::Images {
        // The file is read up to three times, and each frame is registered.
        seconds = 3.0 * seconds + frames as f64 * header.voxels() as f64 / VOXELS_REGISTERED_A_SECOND;
    }
    Estimate { seconds, memory_bytes, disk_bytes }
}
