//! What is noticed about a child only beside the other children: copies of another child's image or motion table,
//! motion unlike that of all others, another repetition time.
//!
//! A child's files are written before this can be known. So each receipt has what a run is known by, the remarks are
//! worked out from all receipts at the end, and a child's report and page are written again where they changed. The
//! matrices stay as they are.

use std::collections::BTreeMap;

use super::child;
use super::shared::Shared;
use crate::cohort::CohortRow;
use crate::digest::{median, median_and_robust_sd};
use crate::event::Event;
use crate::pipeline::repetition_time::differ;
use crate::pipeline::twins::{Among, RunTrace, twins};
use crate::record::Verdict;
use crate::remark::{Noticed, Remark};
use crate::study::settings::NoticeSettings;
use crate::tables::figures;

/// Fewer children than this have no usual motion to compare with (own convention).
const LEAST_CHILDREN: usize = 8;
/// Mean FD that is less than so many times more or less than the median is no sign of a wrong unit, however alike the
/// other children are (own convention; metres for millimetres are 1000 times, degrees for radians 57 times).
const LEAST_FACTOR: f64 = 5.0;
/// So many times more or less is one, however unlike the other children are.
const MOST_FACTOR: f64 = 40.0;
/// If at most this share of the children have a TR, it may be a mistake; if more have it, the cohort has several (own
/// convention).
const FEW_SHARE: f64 = 0.2;

/// The remarks on each row, in the order of the rows.
fn of_cohort(rows: &[(String, CohortRow)], notice: &NoticeSettings) -> Vec<Vec<Remark>> {
    let mut found = vec![Vec::new(); rows.len()];
    copies(rows, notice, &mut found);
    unlike_motion(rows, notice, &mut found);
    unlike_tr(rows, &mut found);
    found
}

/// Runs of different rows that are one. Copies within a row were told of when its runs were joined.
fn copies(rows: &[(String, CohortRow)], notice: &NoticeSettings, found: &mut [Vec<Remark>]) {
    let of_rows = rows.iter().enumerate().flat_map(|(row, (_, of))| of.traces.iter().map(move |trace| (row, trace)));
    let (owners, traces): (Vec<usize>, Vec<&RunTrace>) = of_rows.unzip();
    for twin in twins(&traces, notice.same_r, Among::Children) {
        let (first, second) = (owners[twin.first], owners[twin.second]);
        if first != second {
            let text = format!("{} and {} {}", traces[twin.first].run, traces[twin.second].run, twin.words());
            let remark = Remark::about_data(text).noticing(twin.what);
            found[first].push(remark.clone());
            found[second].push(remark);
        }
    }
}

/// Children whose mean FD lies far from that of all others.
///
/// The SD of few children is uncertain: of eight whose log FD is normal, 4 robust SD would find 1.5 % with nothing
/// wrong. The limit is therefore wider by 1 + 8/n, and between [`LEAST_FACTOR`] and [`MOST_FACTOR`] (own convention;
/// the test beside this code holds it to less than one child in two hundred, of skewed motion too).
fn unlike_motion(rows: &[(String, CohortRow)], notice: &NoticeSettings, found: &mut [Vec<Remark>]) {
    let log: Vec<(usize, f64)> = rows
        .iter()
        .enumerate()
        .map(|(row, (_, of))| (row, of.row.mean_fd_mm.ln()))
        .filter(|(_, v)| v.is_finite())
        .collect();
    if log.len() < LEAST_CHILDREN {
        return;
    }
    let (centre, sd) = median_and_robust_sd(log.iter().map(|(_, v)| *v).collect());
    let limit =
        (notice.unlike_site_sd * sd * (1.0 + 8.0 / log.len() as f64)).clamp(LEAST_FACTOR.ln(), MOST_FACTOR.ln());
    for (row, value) in log.iter().filter(|(_, value)| (value - centre).abs() > limit) {
        let (own, usual) = (figures(value.exp(), 4), figures(centre.exp(), 4));
        let text = format!(
            "mean FD is {own} mm, where the median of {} children is {usual} mm; are the units and columns of this \
             child's motion table right?",
            log.len()
        );
        found[*row].push(Remark::about_data(text).noticing(Noticed::UnlikeSite));
    }
}

/// Children whose TR differs between runs, or from that of nearly all others.
fn unlike_tr(rows: &[(String, CohortRow)], found: &mut [Vec<Remark>]) {
    let first: Vec<(usize, f64)> =
        rows.iter().enumerate().filter_map(|(row, (_, of))| Some((row, of.traces.first()?.tr_s))).collect();
    let usual = median(first.iter().map(|(_, tr)| *tr).collect());
    for &(row, tr) in &first {
        let traces = &rows[row].1.traces;
        if let Some(other) = traces.iter().find(|trace| differ(trace.tr_s, tr)) {
            let text = format!(
                "the TR of {} is {tr} s and that of {} is {} s; are both right?",
                traces[0].run, other.run, other.tr_s
            );
            found[row].push(Remark::about_data(text).noticing(Noticed::TrDiffers));
            continue;
        }
        let alike = first.iter().filter(|(_, other)| !differ(*other, tr)).count();
        if differ(tr, usual) && alike as f64 <= FEW_SHARE * first.len() as f64 {
            let text = format!(
                "TR is {tr} s in {alike} of {} children, but the cohort's median is {usual} s; is it right?",
                first.len()
            );
            found[row].push(Remark::about_data(text).noticing(Noticed::TrDiffers));
        }
    }
}

/// Writes the report and page of each child again about whom something else is noticed than they say; then `rows` are
/// as on disk.
pub(super) fn tell_children(shared: &Shared<'_>, rows: &mut [(String, CohortRow)]) {
    let found = of_cohort(rows, &shared.study.notice);
    let places: BTreeMap<String, usize> =
        shared.groups.iter().enumerate().map(|(place, plan)| (plan.group.stem(), place)).collect();
    for ((stem, row), beside) in rows.iter_mut().zip(found) {
        let Some(&place) = places.get(stem).filter(|_| row.row.verdict != Verdict::NotDone && row.beside != beside)
        else {
            continue;
        };
        for remark in beside.iter().filter(|remark| !row.beside.contains(remark)) {
            (shared.tell)(&Event::Warning { about: stem.clone(), message: remark.text.clone() });
        }
        match child::write_again(shared, place, row, beside) {
            Ok(again) => *row = again,
            Err(problem) => (shared.tell)(&Event::Warning {
                about: stem.clone(),
                message: format!(
                    "its report could not be written again: {}",
                    shared.study.told_message(&problem.text, &[])
                ),
            }),
        }
    }
}

#[cfg(test)]
mod tests;
