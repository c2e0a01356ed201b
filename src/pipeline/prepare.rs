//! What headers and tables say about a scan before its image is read. Every problem is listed, not only the first.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use ndarray::Array2;

use super::prepared::{HeadSphere, Prepared, TissueMask, input_files, mask_of, tissues_needed};
use super::repetition_time::repetition_time;
use super::run_motion::USUAL_RADIUS;
use crate::clean::{confounds, filter};
use crate::discover::{Child, Scan, Sex};
use crate::motion::respiration::{BreathingBand, RespirationError, RespirationFilter};
use crate::motion::{MotionTrace, parameters, sphere, watch_log};
use crate::nifti::{self, Header};
use crate::record::inputs;
use crate::remark::{Noticed, Remark};
use crate::study::Study;
use crate::study::settings::{BreathsPerMin, MotionSource, Respiration, SphereRadius, Tissue};
use crate::units::{Millimetres, Seconds};

/// What examining a scan has shown so far.
#[derive(Default)]
struct Findings {
    problems: Vec<Remark>,
    warnings: Vec<Remark>,
}

impl Findings {
    /// Keeps an error about files or settings as a sentence, so that checking goes on.
    fn note<T, E: std::fmt::Display>(&mut self, result: Result<T, E>) -> Option<T> {
        result.map_err(|error| self.problems.push(Remark::about_data(error))).ok()
    }

    /// The same for breathing, where only the error knows whether it tells the child's age.
    fn note_breathing<T>(&mut self, result: Result<T, RespirationError>) -> Option<T> {
        let remark = |error: RespirationError| Remark { tells_child: error.tells_child(), ..Remark::about_data(error) };
        result.map_err(|error| self.problems.push(remark(error))).ok()
    }
}

/// Reads headers and tables, and hashes the inputs besides the image.
///
/// # Errors
/// Every problem found.
pub fn prepare(scan: &Scan, child: Option<&Child>, study: &Study) -> Result<Prepared, Vec<Remark>> {
    // Hashed before anything is read: a file that is changed in between must look changed to the next run.
    let hashes: Vec<_> = input_files(scan, study)
        .into_iter()
        .skip(1)
        .map(|(role, path)| (role, path, inputs::content_hash(path)))
        .collect();
    let mut prepared = examine(scan, child, study)?;
    let mut found = Findings::default();
    for (role, path, hash) in hashes {
        if let Some(hash) = found.note(hash.map_err(|e| format!("{}: cannot read: {e}", path.display()))) {
            prepared.inputs.insert(role.to_owned(), hash);
        }
    }
    if found.problems.is_empty() { Ok(prepared) } else { Err(found.problems) }
}

/// Reads headers and tables alone: no image is read beyond its header, and nothing is hashed.
///
/// # Errors
/// Every problem found.
pub fn examine(scan: &Scan, child: Option<&Child>, study: &Study) -> Result<Prepared, Vec<Remark>> {
    let mut found = Findings { problems: scan.problems.clone(), warnings: Vec::new() };
    let header = run_header(scan, &mut found);
    let tr = header.as_ref().and_then(|header| found.note(repetition_time(scan, header)));
    let tr = tr.map(|(tr, remarks)| {
        found.warnings.extend(remarks);
        tr
    });
    check_run(scan, study, header.as_ref(), tr, &mut found);
    // If the image is no run, no table can have too many rows.
    let frames = header.as_ref().map(|h| h.frames).filter(|&frames| frames > 1);

    let trace = motion_table(scan, study, frames, &mut found);
    let columns = confounds_table(scan, study, frames, &mut found);
    let (log, logged) = watch_log_of(scan, study, frames, tr, &mut found);

    warn_of_unknown_child(scan, child, study, &mut found);
    let radius_by_age = sphere_radius_by_age(child);
    let radius = sphere_asked_for(scan, study, radius_by_age.as_ref(), &mut found);
    let breathing = breathing_of(scan, child, study, &mut found);
    let filter = respiration_filter(study, tr, breathing, &mut found);

    let tissues = tissue_masks(scan, study, &mut found);
    check_brain_mask(scan, &mut found);

    let motion_known = trace.is_some() || study.motion.from == MotionSource::Images;
    match (header, tr) {
        (Some(header), Some(tr)) if found.problems.is_empty() && motion_known => {
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
                warnings: found.warnings,
                inputs: BTreeMap::new(),
            })
        }
        _ if found.problems.is_empty() => {
            let text = format!("{}: a file that this scan needs is not named or not there", scan.bold.display());
            Err(vec![Remark::about_data(text)])
        }
        _ => Err(found.problems),
    }
}

/// Whether there is such a file. A path that discovery already found to be missing or a folder is not reported twice.
fn is_there(path: &&PathBuf) -> bool {
    path.exists() && !path.is_dir()
}

fn run_header(scan: &Scan, found: &mut Findings) -> Option<Header> {
    Some(&scan.bold).filter(is_there).and_then(|path| found.note(nifti::read_header(path)))
}

/// The image is a run, sampled fast enough for the band that cleaning keeps.
fn check_run(scan: &Scan, study: &Study, header: Option<&Header>, tr: Option<Seconds>, found: &mut Findings) {
    if let Some(header) = header {
        run_shaped(&mut found.problems, &scan.bold, header);
    }
    if let (Some(tr), Some(frames)) = (tr, header.map(|header| header.frames).filter(|&frames| frames > 1)) {
        span_fits(&scan.bold, study.motion.fd_span_s, frames, tr, found);
    }
    if let (Some(tr), Some([_, high])) = (tr, study.clean.band_hz) {
        found.note(filter::require_below_nyquist(high, tr));
    }
}

/// A span as long as the run would leave every frame without displacement, so that nothing were dropped.
fn span_fits(bold: &Path, span_s: f64, frames: usize, tr: Seconds, found: &mut Findings) {
    if Seconds(span_s).nearest_frames(tr) >= frames {
        found.problems.push(Remark::about_data(format!(
            "{}: motion.fd_span_s is {span_s} s, but the run lasts {:.1} s, so that no frame has a displacement; give \
            a span of a few seconds",
            bold.display(),
            frames as f64 * tr.0
        )));
    }
}

fn motion_table(scan: &Scan, study: &Study, frames: Option<usize>, found: &mut Findings) -> Option<MotionTrace> {
    if study.motion.from != MotionSource::Table {
        return None;
    }
    let path = scan.motion.as_ref().filter(is_there)?;
    let trace = found.note(parameters::read(path, &study.motion))?;
    rows_match(&mut found.problems, path, trace.frames(), frames, "motion table");
    let doubts = parameters::doubts(&trace).into_iter();
    found.warnings.extend(
        doubts.map(|doubt| Remark::about_data(format!("{}: {doubt}", path.display())).noticing(Noticed::DoubtfulUnit)),
    );
    Some(trace)
}

fn confounds_table(scan: &Scan, study: &Study, frames: Option<usize>, found: &mut Findings) -> Option<Array2<f64>> {
    let wanted = &study.clean.confound_columns;
    if wanted.is_empty() {
        return None;
    }
    let path = scan.confounds.as_ref().filter(is_there)?;
    let values = found.note(confounds::read(path, wanted))?;
    rows_match(&mut found.problems, path, values.nrows(), frames, "confounds table");
    Some(values)
}

/// The watch log's intervals, and which frames they drop.
fn watch_log_of(
    scan: &Scan,
    study: &Study,
    frames: Option<usize>,
    tr: Option<Seconds>,
    found: &mut Findings,
) -> (Vec<watch_log::Interval>, Vec<bool>) {
    let none = (Vec::new(), vec![false; frames.unwrap_or(0)]);
    let Some(path) = scan.watch_log.as_ref().filter(|_| study.censor.watch_log).filter(is_there) else { return none };
    let (Some(log), Some(frames), Some(tr)) = (found.note(watch_log::read(path)), frames, tr) else { return none };
    let run_s = frames as f64 * tr.0;
    let outside = log.iter().filter(|i| i.onset_s >= run_s || i.onset_s + i.duration_s < 0.0).count();
    if outside > 0 {
        let (path, all) = (path.display(), log.len());
        let text = format!("{path}: {outside} of {all} intervals lie outside the run of {run_s:.1} s");
        found.warnings.push(Remark::about_data(text));
    }
    let logged = watch_log::logged_frames(&log, &study.censor.watch_log_types, frames, tr);
    (log, logged)
}

fn warn_of_unknown_child(scan: &Scan, child: Option<&Child>, study: &Study, found: &mut Findings) {
    if child.is_none() && study.children.table.is_some() {
        found.warnings.push(Remark::about_child(format!(
            "the participants table has no row for sub-{}, so the child has no age, sex or group",
            scan.id.participant
        )));
    }
}

/// The sphere by the study file; none where it is to be taken from the brain mask, or where the age is not known.
fn sphere_asked_for(
    scan: &Scan,
    study: &Study,
    by_age: Option<&HeadSphere>,
    found: &mut Findings,
) -> Option<HeadSphere> {
    match study.motion.sphere_radius {
        SphereRadius::Mm(mm) => {
            Some(HeadSphere { radius: Millimetres(mm), from: "motion.sphere_radius in the study file".to_owned() })
        }
        SphereRadius::FromMask => None,
        SphereRadius::ByAge => {
            if by_age.is_none() {
                found.warnings.push(
                    Remark::about_child(format!(
                        "motion.sphere_radius is \"by-age\", but no age of sub-{} is known, so that the radius is {} \
                         mm; add the age to the participants table",
                        scan.id.participant, USUAL_RADIUS.0
                    ))
                    .noticing(Noticed::NoAge),
                );
            }
            let usual = || HeadSphere { radius: USUAL_RADIUS, from: "50 mm, since no age is known".to_owned() };
            Some(by_age.cloned().unwrap_or_else(usual))
        }
    }
}

/// The rates at which the child is expected to breathe.
fn breathing_of(scan: &Scan, child: Option<&Child>, study: &Study, found: &mut Findings) -> Option<BreathingBand> {
    match study.motion.breaths_per_min {
        BreathsPerMin::Rates(rates) => found.note_breathing(BreathingBand::given(rates)),
        BreathsPerMin::ByAge => {
            let age = child.and_then(|c| c.age_months);
            if age.is_none() && study.motion.respiration == Respiration::Notch && scan.problems.is_empty() {
                let what = "motion.respiration is \"notch\" with rates by age";
                found.problems.push(no_age(scan, what, "give motion.breaths_per_min = [low, high]"));
            }
            age.and_then(|age| found.note_breathing(BreathingBand::by_age(age)))
        }
    }
}

fn respiration_filter(
    study: &Study,
    tr: Option<Seconds>,
    breathing: Option<BreathingBand>,
    found: &mut Findings,
) -> Option<RespirationFilter> {
    match (study.motion.respiration, tr, breathing) {
        (Respiration::LowPass, Some(tr), band) => {
            found.note_breathing(RespirationFilter::low_pass(study.motion.low_pass_hz, band, tr))
        }
        (Respiration::Notch, Some(tr), Some(band)) => found.note_breathing(RespirationFilter::notch(band, tr)),
        _ => None,
    }
}

/// Every sound mask of a tissue, needed or not. A fault in a mask that nothing needs is not reported.
fn tissue_masks(scan: &Scan, study: &Study, found: &mut Findings) -> Vec<TissueMask> {
    let needed = tissues_needed(study);
    let mut tissues = Vec::new();
    for tissue in [Tissue::WhiteMatter, Tissue::Csf] {
        let Some(path) = mask_of(scan, tissue).filter(is_there) else { continue };
        let needed = needed.contains(&tissue);
        match mask_header(path) {
            Ok(()) => tissues.push(TissueMask { tissue, path: path.clone(), needed }),
            Err(problem) if needed => found.problems.push(Remark::about_data(problem)),
            Err(_) => {}
        }
    }
    tissues
}

fn check_brain_mask(scan: &Scan, found: &mut Findings) {
    if let Some(path) = scan.brain_mask.as_ref().filter(is_there) {
        found.note(mask_header(path));
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

/// A run is a 4-D image of at least two frames.
fn run_shaped(problems: &mut Vec<Remark>, path: &Path, header: &Header) {
    if header.frames < 2 {
        let axes = header.axes;
        problems.push(Remark::about_data(format!(
            "{}: the image has {axes} axes and 1 frame, but a run needs a 4-D image with at least 2 frames; name the \
            run's own file",
            path.display()
        )));
    } else if !header.extra_dims.is_empty() {
        problems.push(Remark::about_data(format!(
            "{}: the image has more than four axes ({}); split it into 4-D runs",
            path.display(),
            header.shape_text()
        )));
    }
}

fn rows_match(problems: &mut Vec<Remark>, path: &Path, rows: usize, frames: Option<usize>, what: &str) {
    if let Some(frames) = frames.filter(|&f| f != rows) {
        problems.push(Remark::about_data(format!(
            "{}: the {what} has {rows} rows, but the image has {frames} frames; check that both are of the same run, \
            one row per frame",
            path.display()
        )));
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

fn no_age(scan: &Scan, what: &str, instead: &str) -> Remark {
    Remark::about_child(format!(
        "sub-{}: {what}, but the participants table gives no age for this child; add it, or {instead}",
        scan.id.participant
    ))
}
