//! What other limits would keep: minutes and children for a grid of FD limits. They come from motion tables, or from
//! digests where motion is measured from the images.
//!
//! Each combination of a limit, a form of displacement (sum, RMS), and with or without the neighbours of moved frames
//! is tried on every run with the stage that censors ([`crate::censor`]). Everything else (settling frames, watch log,
//! shortest stretch) is as the study file says. A child's minutes are the sum over the runs that `connectivity.join`
//! puts together. A child counts for a minimum when it has at least that much, as for the verdict `too_short`. The
//! minimums around 5 minutes: Power et al. 2014, NeuroImage 84:320.
//!
//! No image is read beyond its header. What only images show is therefore left out, and [`Thresholds::notes`] says so:
//! DVARS, and runs that cleaning leaves with too few degrees of freedom.

mod chart;
mod page;
mod tables;

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::censor::{self, own_limit};
use crate::digest;
use crate::discover::{Cohort, Scan};
use crate::motion::FramewiseDisplacement;
use crate::pipeline;
use crate::pipeline::joined::Group;
use crate::pipeline::prepare;
use crate::pipeline::prepared::Prepared;
use crate::pipeline::run_motion::{self, RunMotion};
use crate::record::{self, digests};
use crate::remark::Remark;
use crate::study::Study;
use crate::study::settings::{CensorSettings, Displacement, Length, MotionSource, Settling};
use crate::units::Seconds;
use ndarray::Array1;

pub use page::page;
pub use tables::{json, minutes_table, thresholds_table, write};

/// Minutes kept that children are counted by.
pub const MINIMUMS_MIN: [f64; 4] = [3.0, 5.0, 8.0, 10.0];

/// One way of censoring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// Frames with a displacement strictly above this are dropped, mm; none: no limit.
    pub limit_mm: Option<f64>,
    pub displacement: Displacement,
    /// Whether frames beside a moved one are dropped too, as `censor.before` and `censor.after` say.
    pub neighbours: bool,
}

/// Minutes of one child (and session, as `connectivity.join` says).
#[derive(Debug, Clone, PartialEq)]
pub struct ChildMinutes {
    pub group: Group,
    pub runs: usize,
    /// Runs whose headers and tables are sound; 0: the child is not counted.
    pub runs_read: usize,
    /// Minutes of the runs read, before anything is dropped.
    pub minutes: f64,
    /// One value per choice; NaN when no run could be read.
    pub minutes_kept: Vec<f64>,
}

/// What is to be said of one scan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScanNotes {
    pub scan: String,
    /// Why the scan is left out; empty: it is not.
    pub problems: Vec<Remark>,
    pub warnings: Vec<Remark>,
}

/// All children under all choices.
#[derive(Debug, Clone, PartialEq)]
pub struct Thresholds {
    /// By form, with neighbours before without, then by limit with "no limit" last.
    pub choices: Vec<Choice>,
    /// In the study's order.
    pub children: Vec<ChildMinutes>,
    /// Scans with a problem or a warning.
    pub scans: Vec<ScanNotes>,
    /// What these numbers leave out.
    pub notes: Vec<String>,
    /// The study file's own limit; none: no limit.
    pub own_limit_mm: Option<f64>,
}

/// Children kept under one choice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    pub choice: Choice,
    /// Children with at least each of [`MINIMUMS_MIN`].
    pub children_above: [usize; 4],
    /// Median over the children; NaN when there is none.
    pub median_minutes_kept: f64,
    /// Children with a run that could be read.
    pub children: usize,
}

/// Every combination of the limits with form and neighbours; limits in order and once.
#[must_use]
pub fn choices(limits_mm: &[Option<f64>]) -> Vec<Choice> {
    let mut limits = limits_mm.to_vec();
    let key = |limit: &Option<f64>| limit.unwrap_or(f64::INFINITY);
    limits.sort_by(|a, b| key(a).total_cmp(&key(b)));
    limits.dedup();
    let kinds = [Displacement::Sum, Displacement::Rms].into_iter().flat_map(|form| [(form, true), (form, false)]);
    let choice = |(displacement, neighbours), limit_mm| Choice { limit_mm, displacement, neighbours };
    kinds.flat_map(|kind| limits.iter().map(move |&limit| choice(kind, limit))).collect()
}

/// What a run's frames are judged by here.
#[derive(Debug, Clone)]
pub struct RunFrames<'a> {
    pub fd: FramewiseDisplacement,
    /// Which frames have a head position.
    pub aligned: &'a [bool],
    /// Which frames lie in a logged interval.
    pub logged: &'a [bool],
    /// Frames cut from the start.
    pub settling: usize,
    pub tr: Seconds,
}

/// Frames kept of one run under each choice. `settings` gives all but limit, form and neighbours; DVARS is left out.
///
/// # Panics
/// When there is not one entry per frame throughout.
#[must_use]
pub fn frames_kept(run: &RunFrames<'_>, settings: &CensorSettings, choices: &[Choice]) -> Vec<usize> {
    let RunFrames { fd, aligned, logged, settling, tr } = run;
    let no_dvars = Array1::from_elem(logged.len(), f64::NAN);
    // A higher limit drops a subset of the frames of a lower one; where it drops as many, it drops the same ones.
    let mut known: BTreeMap<(bool, bool, bool, usize), usize> = BTreeMap::new();
    choices
        .iter()
        .map(|choice| {
            let fd_mm = fd.of(choice.displacement);
            let moved = choice.limit_mm.map_or(0, |limit| fd_mm.iter().filter(|&&mm| mm > limit).count());
            // Without any limit the neighbours of frames without a position stay.
            let limited = choice.limit_mm.is_some();
            let key = (choice.displacement == Displacement::Rms, choice.neighbours, limited, moved);
            *known.entry(key).or_insert_with(|| {
                let mut settings = CensorSettings {
                    fd_mm: choice.limit_mm.unwrap_or(0.0),
                    dvars_percent: 0.0,
                    watch_log_types: Vec::new(),
                    ..*settings
                };
                if !choice.neighbours {
                    (settings.before, settings.after) = (Length::Frames(0), Length::Frames(0));
                }
                censor::censor(fd_mm, no_dvars.view(), aligned, logged, *settling, *tr, &settings).frames_kept()
            })
        })
        .collect()
}

/// One run, as headers and tables show it.
struct Run {
    minutes: f64,
    minutes_kept: Vec<f64>,
}

/// Tries every limit on every scan. Scans with a problem are left out and listed.
#[must_use]
pub fn thresholds(study: &Study, cohort: &Cohort, limits_mm: &[Option<f64>]) -> Thresholds {
    let choices = choices(limits_mm);
    let looked: Vec<(Option<Run>, ScanNotes)> =
        cohort.scans.par_iter().map(|scan| look(study, cohort, scan, &choices)).collect();
    let mut children: Vec<ChildMinutes> = Vec::new();
    for (scan, (run, _)) in cohort.scans.iter().zip(&looked) {
        let group = Group::of(&scan.id, study.connectivity.join);
        // Scans are in the order of their children.
        let known = children.iter().rposition(|child| child.group == group).unwrap_or_else(|| {
            let minutes_kept = vec![f64::NAN; choices.len()];
            children.push(ChildMinutes { group, runs: 0, runs_read: 0, minutes: 0.0, minutes_kept });
            children.len() - 1
        });
        add(&mut children[known], run.as_ref());
    }
    let scans: Vec<ScanNotes> = looked.into_iter().map(|(_, notes)| notes).collect();
    let scans = scans.into_iter().filter(|s| !s.problems.is_empty() || !s.warnings.is_empty()).collect();
    let notes = notes(study, &children);
    Thresholds { choices, children, scans, notes, own_limit_mm: own_limit(&study.censor) }
}

fn look(study: &Study, cohort: &Cohort, scan: &Scan, choices: &[Choice]) -> (Option<Run>, ScanNotes) {
    let child = cohort.children.of_scan(&scan.id);
    let files = scan.files();
    let told = |remarks: Vec<Remark>| {
        remarks.iter().map(|remark| remark.reworded(|text| study.told_message(text, &files))).collect()
    };
    let scan_name = scan.id.to_string();
    let looked = prepare::examine(scan, child.as_ref(), study).and_then(|found| {
        let run = look_at_run(study, scan, &found, choices).map_err(|problem| vec![problem])?;
        Ok((run, found.warnings))
    });
    match looked {
        Ok((run, warnings)) => {
            (Some(run), ScanNotes { scan: scan_name, problems: Vec::new(), warnings: told(warnings) })
        }
        Err(problems) => (None, ScanNotes { scan: scan_name, problems: told(problems), warnings: Vec::new() }),
    }
}

/// A run from its tables, and from what the latest reading of its images gave where the settings need that.
fn look_at_run(study: &Study, scan: &Scan, found: &Prepared, choices: &[Choice]) -> Result<Run, Remark> {
    let reading = if run_motion::needs_a_reading(study) {
        digests::latest(&study.results.join(record::STATE), scan)
    } else {
        None
    };
    let reading = match reading {
        Some(reading) if study.motion.from == MotionSource::Table || reading.motion.is_some() => Some(reading),
        _ if run_motion::needs_a_reading(study) => {
            return Err(Remark::about_data(format!(
                "{}: head motion under these settings comes from the image, which has not been read yet or has changed \
                since; run `keepstill run` first",
                scan.bold.display()
            )));
        }
        _ => None,
    };
    let motion = reading.as_ref().and_then(|reading| reading.motion.as_ref());
    let mask_radius_mm = reading.as_ref().map_or(f64::NAN, |reading| reading.mask_radius_mm);
    let motion = RunMotion::of(&scan.bold, study, found, motion, mask_radius_mm)?;
    let no_mean = Array1::zeros(0);
    let mask_mean = reading.as_ref().map_or(&no_mean, |reading| &reading.digest.global_signal);
    let settling = match study.censor.settling {
        Settling::Frames(frames) => frames,
        Settling::Auto => run_motion::settling_frames(study, mask_mean.view()),
    };
    let fd = motion.fd_judged(motion.sphere.radius);
    let run = RunFrames { fd, aligned: &motion.aligned, logged: &found.logged, settling, tr: found.tr };
    let minutes = |frames: usize| Seconds(frames as f64 * found.tr.0).minutes();
    let minutes_kept = frames_kept(&run, &study.censor, choices).into_iter().map(minutes).collect();
    Ok(Run { minutes: minutes(found.header.frames), minutes_kept })
}

fn add(child: &mut ChildMinutes, run: Option<&Run>) {
    child.runs += 1;
    let Some(run) = run else { return };
    if child.runs_read == 0 {
        child.minutes_kept.fill(0.0);
    }
    child.runs_read += 1;
    child.minutes += run.minutes;
    for (sum, minutes) in child.minutes_kept.iter_mut().zip(&run.minutes_kept) {
        *sum += minutes;
    }
}

fn notes(study: &Study, children: &[ChildMinutes]) -> Vec<String> {
    let mut notes = Vec::new();
    if study.censor.dvars_percent > 0.0 {
        notes.push(format!(
            "DVARS is left out: it needs the images, and only motion tables were read. With censor.dvars_percent = {} \
            a run keeps no more than is shown here, and may keep less.",
            study.censor.dvars_percent
        ));
    }
    if study.motion.fd_span_s > 0.0 {
        notes.push(format!(
            "Displacement is measured over motion.fd_span_s = {} s. Limits for it are not those for displacement from \
            frame to frame (docs/unlike-tr.md).",
            study.motion.fd_span_s
        ));
    }
    if study.censor.before.is_zero() && study.censor.after.is_zero() {
        notes.push(
            "censor.before and censor.after are 0, so the numbers with and without neighbours are the same.".to_owned(),
        );
    }
    notes.push(
        "Every run counts with the minutes it keeps. `keepstill run` leaves out a run that has too few degrees of \
        freedom after cleaning, which only the images tell."
            .to_owned(),
    );
    match children.iter().filter(|child| child.runs_read == 0).count() {
        0 => {}
        1 => notes.push("1 child has no run that could be read and is not counted.".to_owned()),
        n => notes.push(format!("{n} children have no run that could be read and are not counted.")),
    }
    notes
}

impl Thresholds {
    /// Children kept, one row per choice.
    #[must_use]
    pub fn rows(&self) -> Vec<Row> {
        let counted: Vec<&ChildMinutes> = self.children.iter().filter(|child| child.runs_read > 0).collect();
        let of = |(i, &choice): (usize, &Choice)| {
            let minutes: Vec<f64> = counted.iter().map(|child| child.minutes_kept[i]).collect();
            // As for the verdict `too_short`: exactly the minimum is enough.
            let children_above =
                MINIMUMS_MIN.map(|least| minutes.iter().filter(|&&m| pipeline::long_enough(m, least)).count());
            Row { choice, children_above, median_minutes_kept: digest::median(minutes), children: counted.len() }
        };
        self.choices.iter().enumerate().map(of).collect()
    }

    /// The rows of one form, with or without neighbours, limits ascending.
    #[must_use]
    pub fn rows_of(&self, displacement: Displacement, neighbours: bool) -> Vec<Row> {
        let mut rows = self.rows();
        rows.retain(|row| row.choice.displacement == displacement && row.choice.neighbours == neighbours);
        rows
    }

    /// Scans that are left out.
    pub fn left_out(&self) -> impl Iterator<Item = &ScanNotes> {
        self.scans.iter().filter(|scan| !scan.problems.is_empty())
    }
}

#[cfg(test)]
mod tests;
