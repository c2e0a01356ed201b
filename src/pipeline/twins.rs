//! Runs that are one and the same under two names.
//!
//! A copy of an image under another name doubles a child's minutes, or makes two children of one. Equal bytes are found
//! by their hashes. An image that was written again (other number type, other compression, smoothed a little) has other
//! bytes, but its signal moves up and down as that of the first: so the mean signal over the brain is compared as well,
//! as differences from frame to frame, which scaling and slow drift leave alone. Of unlike runs such differences
//! correlate as chance has it, by some 1/√frames. A motion table that was written again is found by its FD in the same
//! way. Runs of one child are also compared at every lag: a part of a run may pass for another run.

use std::fmt::Write as _;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::digest::median_and_robust_sd;
use crate::record::{ScanRecord, number};
use crate::remark::Noticed;

/// Fewer frames in common than this are not compared by their signal (own convention: unlike runs then correlate by
/// 0.14 at random, seven standard errors below the limit).
const LEAST_FRAMES: usize = 50;
/// Differences beyond so many SD count as so many (own convention: a spike that two runs share is not all they are).
const MOST_SD: f64 = 4.0;

/// What a run is known by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunTrace {
    /// Its stem.
    pub run: String,
    #[serde(with = "number")]
    pub tr_s: f64,
    /// Content hashes of image and motion table; empty where there is none.
    image: String,
    motion: String,
    /// Differences of the mean signal from frame to frame in 127ths of [`MOST_SD`] robust standard deviations, two
    /// hexadecimal digits each.
    signal: String,
    /// FD about its median, likewise.
    fd: String,
}

impl RunTrace {
    /// The trace of a finished run.
    #[must_use]
    pub fn of(record: &ScanRecord) -> Self {
        let content = |role: &str| record.row.inputs.get(role).cloned().unwrap_or_default();
        let signal = record.global_signal.to_vec();
        let differences: Vec<f64> = signal.windows(2).map(|pair| pair[1] - pair[0]).collect();
        Self {
            run: record.id.to_string(),
            tr_s: record.row.tr_s,
            image: content("bold"),
            motion: content("motion"),
            signal: digits(&differences),
            fd: digits(&record.fd_mm.to_vec()),
        }
    }

    /// A run of which nothing is known but its name and TR.
    #[cfg(test)]
    pub(crate) fn bare(run: &str, tr_s: f64) -> Self {
        let none = String::new;
        Self { run: run.to_owned(), tr_s, image: none(), motion: none(), signal: none(), fd: none() }
    }
}

/// Values about their median as [`RunTrace`] keeps them. The SD is the robust one: of a still run with one jump the
/// plain SD would be that of the jump, and at some lag any two such runs would look alike.
fn digits(values: &[f64]) -> String {
    let (centre, sd) = median_and_robust_sd(values.iter().copied().filter(|value| value.is_finite()).collect());
    let mut digits = String::with_capacity(2 * values.len());
    for value in values {
        // A value that is not there is 0, and so are all where most are the same.
        let there = value.is_finite() && sd > 0.0;
        let step = if there { ((value - centre) / sd).clamp(-MOST_SD, MOST_SD) * (127.0 / MOST_SD) } else { 0.0 };
        let _ = write!(digits, "{:02x}", step.round() as i8);
    }
    digits
}

fn steps(digits: &str) -> Vec<f32> {
    let digits = digits.as_bytes().chunks_exact(2);
    digits.map(|pair| f32::from((digit(pair[0]) << 4 | digit(pair[1])) as i8)).collect()
}

/// The value of a hexadecimal digit; 0 for any other byte.
fn digit(byte: u8) -> u8 {
    (byte as char).to_digit(16).unwrap_or(0) as u8
}

/// Two runs that have something in common which only copies have.
#[derive(Debug, Clone, PartialEq)]
pub struct Twins {
    /// Places among the runs that were compared.
    pub first: usize,
    pub second: usize,
    /// [`Noticed::SameImage`] or [`Noticed::SameMotion`].
    pub what: Noticed,
    /// The signals' correlation, where the bytes differ.
    pub r: Option<f64>,
}

impl Twins {
    /// What the two have in common, in words.
    #[must_use]
    pub fn words(&self) -> String {
        match (self.what, self.r) {
            (Noticed::SameMotion, None) => "have the same motion table".to_owned(),
            (Noticed::SameMotion, Some(r)) => {
                format!("have FDs that correlate at {r:.3}, as only those of one table do")
            }
            (_, None) => "have the same image".to_owned(),
            (_, Some(r)) => format!("have images whose signals correlate at {r:.3}, as only copies of one image do"),
        }
    }
}

/// Which runs are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Among {
    /// Those of one child: also at other lags.
    OneChild,
    /// Those of different children, who are many: frame by frame.
    Children,
}

/// Every run that is a copy, with the earliest run that it is a copy of. Signals, or FDs, that correlate at more than
/// `same_r` are of one image, or of one motion table.
#[must_use]
pub fn twins(traces: &[&RunTrace], same_r: f64, among: Among) -> Vec<Twins> {
    let all = |of: fn(&RunTrace) -> &str| traces.par_iter().map(|trace| steps(of(trace))).collect::<Vec<_>>();
    let (signals, fds) = (all(|trace| &trace.signal), all(|trace| &trace.fd));
    let same = |a: &str, b: &str| !a.is_empty() && a == b;
    let alike = |all: &[Vec<f32>], second: usize| {
        (0..second).find_map(|first| {
            let r = largest_correlation(&all[first], &all[second], among);
            (r > same_r).then_some((first, r))
        })
    };
    let of = |second: usize| {
        let own = traces[second];
        let twin = |first, what, r| Some(Twins { first, second, what, r });
        if let Some(first) = (0..second).find(|&first| same(&traces[first].image, &own.image)) {
            return twin(first, Noticed::SameImage, None);
        }
        if let Some((first, r)) = alike(&signals, second) {
            return twin(first, Noticed::SameImage, Some(r));
        }
        if let Some(first) = (0..second).find(|&first| same(&traces[first].motion, &own.motion)) {
            return twin(first, Noticed::SameMotion, None);
        }
        let (first, r) = alike(&fds, second)?;
        twin(first, Noticed::SameMotion, Some(r))
    };
    (0..traces.len()).into_par_iter().filter_map(of).collect()
}

/// The largest correlation at the lags that are looked at.
fn largest_correlation(a: &[f32], b: &[f32], among: Among) -> f64 {
    if among == Among::Children {
        return correlation(a, b);
    }
    let later = |a: &[f32], b: &[f32]| (0..a.len()).map(|lag| correlation(&a[lag..], b)).fold(0.0, f64::max);
    later(a, b).max(later(b, a))
}

/// Of the steps that both have; 0 where they are too few, or do not vary.
fn correlation(a: &[f32], b: &[f32]) -> f64 {
    let count = a.len().min(b.len());
    if count < LEAST_FRAMES {
        return 0.0;
    }
    let (mut ab, mut aa, mut bb, mut sum_a, mut sum_b) = (0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32);
    // Whole numbers below 2²⁴ in single precision up to 1000 frames; beyond it a few parts in 10⁷.
    for (x, y) in a[..count].iter().zip(&b[..count]) {
        ab += x * y;
        aa += x * x;
        bb += y * y;
        sum_a += x;
        sum_b += y;
    }
    let about = |product: f32, x: f32, y: f32| f64::from(product) - f64::from(x) * f64::from(y) / count as f64;
    let r = about(ab, sum_a, sum_b) / (about(aa, sum_a, sum_a) * about(bb, sum_b, sum_b)).sqrt();
    if r.is_finite() { r } else { 0.0 }
}

#[cfg(test)]
mod tests;
