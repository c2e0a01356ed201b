//! Turns the records of a child into what the pages show.

use ndarray::{Array2, ArrayView2};

use super::child::child_page;
use super::data::{
    ChildAtlas, ChildData, ChildMatrix, ChildParcel, ChildRun, ChildSeries, ChildSlice, DEPTH_DB, STRIP_COLUMNS,
    STRIP_TOP_LIMITS, STRIP_TOP_MM, Spectrum, StripRun,
};
use super::encode::{base64, groups, one_byte, rounded, two_bytes};
use super::kit::Mode;
use crate::atlas::Atlas;
use crate::censor;
use crate::digest::median;
use crate::picture::{STEPS_A_DEVIATION, Slice, shade_of};
use crate::pipeline::joined::{Joined, RunResult};
use crate::record::ScanRecord;
use crate::study::Study;
use crate::study::settings::Displacement;

/// Points of a spectrum, at most; if there are more frequencies, the strongest of each group is shown (own choice).
const SPECTRUM_POINTS: usize = 300;

/// The stillness strip of a child's runs.
#[must_use]
pub fn strip(runs: &[RunResult], limit_mm: f64) -> Vec<StripRun> {
    let top = if limit_mm > 0.0 { STRIP_TOP_LIMITS * limit_mm } else { STRIP_TOP_MM };
    let done: Vec<&ScanRecord> = done(runs).collect();
    let all: usize = done.iter().map(|r| r.kept.len()).sum();
    let of = |record: &ScanRecord| {
        let frames = record.kept.len();
        // Each run has its share of the columns, and at least one.
        let columns = if all > STRIP_COLUMNS { (frames * STRIP_COLUMNS / all).max(1) } else { frames };
        let (mut fd, mut why) = (Vec::with_capacity(columns), String::with_capacity(columns));
        for group in groups(frames, columns) {
            let largest = group.clone().map(|i| record.fd_judged_mm()[i]).fold(0.0_f64, f64::max);
            fd.push((largest / top * 255.0).round().min(255.0) as u8);
            why.push(digit(commonest(&record.first_reason[group])));
        }
        StripRun { frames, fd: base64(&fd), why }
    };
    done.into_iter().map(of).collect()
}

/// 0 when most are kept, else the commonest reason, or the first of equally common ones.
fn commonest(reasons: &[u8]) -> u8 {
    let dropped: Vec<u8> = reasons.iter().copied().filter(|r| *r != 0).collect();
    if 2 * dropped.len() <= reasons.len() {
        return 0;
    }
    let count = |reason: u8| dropped.iter().filter(|r| **r == reason).count();
    dropped.iter().copied().max_by_key(|&r| (count(r), std::cmp::Reverse(r))).unwrap_or(0)
}

fn digit(reason: u8) -> char {
    char::from(b'0' + reason.min(9))
}

fn done(runs: &[RunResult]) -> impl Iterator<Item = &ScanRecord> {
    runs.iter().filter_map(|run| if let RunResult::Done(record) = run { Some(&**record) } else { None })
}

/// What a page may hold beside its own script and style, in bytes before base64.
#[derive(Clone, Copy)]
struct Room {
    /// Parcel series: rows and columns are averaged to stay below it.
    series: usize,
    /// Matrices: those that do not fit are only in their files.
    matrices: usize,
    /// Slices: shown without parcels if those do not fit; later runs get none.
    slices: usize,
}

/// The room that a page starts with (own choice). What else it holds, such as one number per frame, is mostly small.
const ROOM: Room = Room { series: 1_000_000, matrices: 1_050_000, slices: 350_000 };
/// Size of a page, bytes; one that comes out larger is made again with less room. Below 3 MB per child, a folder of
/// pages can still be mailed or copied (own choice).
const PAGE_BYTES: usize = 2_950_000;
/// How often a page is made again, each time with two thirds of the room (own choice).
const TRIES: u32 = 12;

/// All that is known about a child.
#[derive(Clone, Copy)]
pub struct Gathered<'a> {
    pub study: &'a Study,
    pub atlases: &'a [Atlas],
    pub stem: &'a str,
    pub results_digest: &'a str,
    pub runs: &'a [RunResult],
    pub joined: &'a Joined,
}

/// A child's page as a file, made from its records, and small enough.
#[must_use]
pub fn page_of_records(child: Gathered<'_>) -> String {
    let mut room = ROOM;
    let mut page = child_page(&within(room, child), Mode::File);
    for _ in 0..TRIES {
        if page.len() <= PAGE_BYTES {
            break;
        }
        for part in [&mut room.series, &mut room.matrices, &mut room.slices] {
            *part = *part * 2 / 3;
        }
        page = child_page(&within(room, child), Mode::File);
    }
    page
}

/// All that a child's page shows.
fn within(room: Room, child: Gathered<'_>) -> ChildData {
    let Gathered { study, atlases, stem, results_digest, runs, joined } = child;
    let mut left_out = Vec::new();
    let shown: Vec<ChildAtlas> = atlases.iter().enumerate().map(|(a, atlas)| atlas_of(atlas, a, runs)).collect();
    // Raw and cleaned.
    let series_bytes: usize = done(runs).flat_map(|r| &r.atlases).map(|a| 2 * a.raw_shades.len()).sum();
    let shrink = series_bytes.div_ceil(room.series.max(1)).max(1);
    if shrink > 1 {
        left_out.push("Parcel series are drawn with neighbouring rows and frames put together.".to_owned());
    }
    let mut child_runs: Vec<ChildRun> = runs.iter().map(|run| run_of(run, study, &shown, shrink)).collect();
    fit_slices(&mut child_runs, room.slices, &mut left_out);
    let mut left = room.matrices;
    let mut matrices = Vec::new();
    for matrix in &joined.matrices {
        let values = &matrix.connectivity.matrix;
        let edges = values.nrows() * values.nrows().saturating_sub(1) / 2;
        let measure = matrix.measure.key();
        let Some(bytes_per_value) = [2, 1].into_iter().find(|bytes| edges * bytes <= left) else {
            left_out.push(format!(
                "The {measure} matrix of the atlas {} is not drawn, so that the page stays small.",
                atlases[matrix.atlas].name
            ));
            continue;
        };
        left -= edges * bytes_per_value;
        // A covariance has a unit, so that no size of it is large by itself.
        let correlation = matrix.measure.is_correlation();
        let largest = if correlation { 1.0 } else { largest(values.view()) };
        matrices.push(ChildMatrix {
            atlas: matrix.atlas,
            measure: measure.to_owned(),
            unit: if correlation { String::new() } else { "percent²".to_owned() },
            largest,
            bytes_per_value,
            values: upper_triangle(values.view(), largest, bytes_per_value),
        });
    }
    let mut row = joined.row.clone();
    row.inputs.clear();
    ChildData {
        study: study.name.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        stem: stem.to_owned(),
        results_digest: results_digest.to_owned(),
        fd_limit_mm: study.censor.fd_mm,
        fd_form: match study.motion.displacement {
            Displacement::Sum => "sum".to_owned(),
            Displacement::Rms => "rms".to_owned(),
        },
        minutes_asked: study.enough.minutes,
        joined: row,
        settings: study.settings_json(),
        limits_mm: censor::usual_limits(&study.censor),
        atlases: shown,
        runs: child_runs,
        matrices,
        left_out,
        blinded: false,
    }
}

/// Removes slices, or their parcels, if there is no room for them.
fn fit_slices(runs: &mut [ChildRun], room: usize, left_out: &mut Vec<String>) {
    let bytes = |run: &ChildRun, with_parcels: bool| -> usize {
        let of = |s: &ChildSlice| s.width * s.height * (2 + if with_parcels { 2 * s.parcels.len() } else { 0 });
        run.slices.iter().map(of).sum()
    };
    let pictured = runs.iter().filter(|run| !run.slices.is_empty()).count();
    let most = runs.iter().map(|run| bytes(run, true)).max().unwrap_or(0);
    if most > room {
        left_out.push("Slices are shown without the parcels, so that the page stays small.".to_owned());
        runs.iter_mut().flat_map(|run| &mut run.slices).for_each(|slice| slice.parcels.clear());
    }
    let mut left = room;
    let mut shown = 0;
    for run in runs.iter_mut().filter(|run| !run.slices.is_empty()) {
        match left.checked_sub(bytes(run, most <= room)) {
            Some(rest) => (left, shown) = (rest, shown + 1),
            None => {
                left = 0;
                run.slices.clear();
            }
        }
    }
    if shown < pictured {
        let words = match shown {
            0 => "No slices are shown, so that the page stays small.".to_owned(),
            n => format!("Slices are shown of {n} of {pictured} runs, so that the page stays small."),
        };
        left_out.push(words);
    }
}

/// The largest size of a value off the diagonal; 1 where there is none.
fn largest(matrix: ArrayView2<'_, f64>) -> f64 {
    let edges = matrix.indexed_iter().filter(|((i, j), value)| i < j && value.is_finite());
    let largest = edges.map(|(_, value)| value.abs()).fold(0.0, f64::max);
    if largest > 0.0 { largest } else { 1.0 }
}

/// Values over `largest`.
fn upper_triangle(matrix: ArrayView2<'_, f64>, largest: f64, bytes_per_value: usize) -> String {
    let parcels = matrix.nrows();
    let mut bytes = Vec::with_capacity(bytes_per_value * parcels * parcels.saturating_sub(1) / 2);
    for (i, row) in matrix.rows().into_iter().enumerate() {
        let values = row.iter().skip(i + 1);
        match bytes_per_value {
            1 => bytes.extend(values.map(|&value| one_byte(value / largest))),
            _ => values.for_each(|&value| bytes.extend_from_slice(&two_bytes(value / largest))),
        }
    }
    base64(&bytes)
}

fn atlas_of(atlas: &Atlas, position: usize, runs: &[RunResult]) -> ChildAtlas {
    // As in the joined result: the runs that contribute or, if none does, those that could be read.
    let mut seen: Vec<&ScanRecord> = done(runs).filter(|r| r.contributes()).collect();
    if seen.is_empty() {
        seen = done(runs).collect();
    }
    let least = |p: usize| seen.iter().map(|r| r.atlases[position].coverage[p]).fold(f64::INFINITY, f64::min);
    let voxels = |p: usize| seen.first().map_or(0, |r| r.atlases[position].voxels[p]);
    let parcels: Vec<ChildParcel> = atlas
        .parcels
        .iter()
        .enumerate()
        .map(|(p, parcel)| ChildParcel {
            name: parcel.name.clone(),
            network: parcel.network.clone(),
            coverage: rounded(least(p), 3).unwrap_or(0.0),
            voxels: voxels(p),
            used: !seen.is_empty() && seen.iter().all(|r| r.atlases[position].used[p]),
        })
        .collect();
    let mut order: Vec<usize> = (0..parcels.len()).collect();
    // Networks in the order in which the atlas first names them; parcels without a network last.
    let mut networks: Vec<&str> = Vec::new();
    for network in parcels.iter().filter_map(|p| p.network.as_deref()) {
        if !networks.contains(&network) {
            networks.push(network);
        }
    }
    let rank = |p: usize| {
        let network = parcels[p].network.as_deref();
        network.and_then(|n| networks.iter().position(|m| *m == n)).unwrap_or(networks.len())
    };
    order.sort_by_key(|&p| rank(p));
    ChildAtlas { name: atlas.name.clone(), parcels, order }
}

fn run_of(run: &RunResult, study: &Study, atlases: &[ChildAtlas], shrink: usize) -> ChildRun {
    let mut row = run.row();
    row.inputs.clear();
    let RunResult::Done(record) = run else {
        let name = if let RunResult::Failed { id, .. } = run { id.to_string() } else { String::new() };
        return ChildRun {
            row,
            name,
            fd_mm: Vec::new(),
            dvars_percent: Vec::new(),
            global_percent: Vec::new(),
            why: String::new(),
            log: Vec::new(),
            minutes_at_limits: Vec::new(),
            series: Vec::new(),
            slices: Vec::new(),
            spectrum: None,
        };
    };
    let kept_signal = record.global_signal.iter().zip(&record.kept).filter(|(_, kept)| **kept).map(|(v, _)| *v);
    let kept_signal: Vec<f64> = kept_signal.collect();
    let middle = median(if kept_signal.is_empty() { record.global_signal.to_vec() } else { kept_signal });
    let percent = |v: &f64| if middle > 0.0 { rounded(100.0 * (v / middle - 1.0), 2) } else { None };
    // Only the types that the settings use are named.
    let types = &study.censor.watch_log_types;
    let log = record.log.iter().filter(|i| types.is_empty() || types.contains(&i.what)).cloned().collect();
    ChildRun {
        row,
        name: record.id.to_string(),
        fd_mm: record.fd_judged_mm().iter().map(|&v| rounded(v, 3)).collect(),
        dvars_percent: record.dvars_percent.iter().map(|&v| rounded(v, 2)).collect(),
        global_percent: record.global_signal.iter().map(percent).collect(),
        why: record.first_reason.iter().map(|&r| digit(r)).collect(),
        log,
        minutes_at_limits: record.minutes_at_limits(),
        series: atlases.iter().enumerate().map(|(a, atlas)| series_of(record, a, atlas, shrink)).collect(),
        slices: record.picture.iter().map(slice_of).collect(),
        spectrum: spectrum_of(record),
    }
}

/// A run's parcels by time, in `shrink` times fewer bytes.
fn series_of(record: &ScanRecord, position: usize, atlas: &ChildAtlas, shrink: usize) -> ChildSeries {
    let own = &record.atlases[position];
    let mut column_of = vec![usize::MAX; own.used.len()];
    for (column, parcel) in (0..own.used.len()).filter(|&p| own.used[p]).enumerate() {
        column_of[parcel] = column;
    }
    let drawn: Vec<usize> = atlas.order.iter().copied().filter(|&p| own.used[p]).collect();
    let frames = record.kept.len();
    // Parcels first: they are drawn about a pixel high, frames several pixels wide.
    let parcels_per_row = shrink.min(drawn.len().div_ceil(100)).max(1);
    let frames_per_column = shrink.div_ceil(parcels_per_row);
    let columns = frames.div_ceil(frames_per_column);
    let mut cleaned_shades = Array2::<u8>::zeros(own.raw_shades.dim());
    if let Some(residuals) = &own.residuals {
        let count = residuals.nrows() as f64;
        let kept = (0..frames).filter(|&i| record.kept[i]);
        let scale = residuals.map_axis(ndarray::Axis(0), |c| {
            let deviation = (c.iter().map(|v| v * v).sum::<f64>() / count).sqrt();
            if deviation > 0.0 { STEPS_A_DEVIATION / deviation } else { 0.0 }
        });
        for (frame, values) in kept.zip(residuals.rows()) {
            for (p, &value) in values.iter().enumerate() {
                cleaned_shades[[frame, p]] = shade_of(value * scale[p]);
            }
        }
    }
    let pack = |shades: &Array2<u8>| {
        let mut bytes = Vec::with_capacity(drawn.len().div_ceil(parcels_per_row) * columns);
        if parcels_per_row == 1 && frames_per_column == 1 {
            drawn.iter().for_each(|&parcel| bytes.extend_from_slice(&shades.column(column_of[parcel]).to_vec()));
            return base64(&bytes);
        }
        for rows in drawn.chunks(parcels_per_row) {
            for column in 0..columns {
                let (mut sum, mut count) = (0_u32, 0_u32);
                for frame in column * frames_per_column..((column + 1) * frames_per_column).min(frames) {
                    for &parcel in rows {
                        let shade = shades[[frame, column_of[parcel]]];
                        sum += u32::from(shade);
                        count += u32::from(shade != 0);
                    }
                }
                // A mean of bytes is a byte.
                bytes.push(sum.checked_div(count).map_or(0, |mean| mean as u8));
            }
        }
        base64(&bytes)
    };
    ChildSeries {
        rows: drawn.chunks(parcels_per_row).filter_map(|rows| rows.first().copied()).collect(),
        parcels_per_row,
        frames_per_column,
        columns,
        raw: pack(&own.raw_shades),
        cleaned: own.residuals.as_ref().map(|_| pack(&cleaned_shades)),
    }
}

fn slice_of(slice: &Slice) -> ChildSlice {
    let small = |parcel: &u32| u16::try_from(*parcel).unwrap_or(u16::MAX).to_le_bytes();
    ChildSlice {
        name: slice.name.clone(),
        index: slice.index,
        width: slice.width,
        height: slice.height,
        pixel_mm: slice.pixel_mm,
        grey: base64(&slice.grey),
        inside: base64(&slice.inside.iter().map(|&i| u8::from(i)).collect::<Vec<u8>>()),
        parcels: slice.parcels.iter().map(|of| base64(&of.iter().flat_map(small).collect::<Vec<u8>>())).collect(),
    }
}

/// The spectrum of the parameters that censoring went by.
fn spectrum_of(record: &ScanRecord) -> Option<Spectrum> {
    let table = &record.motion_spectrum;
    let (bins, columns) = table.dim();
    if bins < 2 || columns < 7 {
        return None;
    }
    // Before a filter the second to seventh column, after it the rest.
    let first = if columns > 7 { 7 } else { 1 };
    let group = (bins - 1).div_ceil(SPECTRUM_POINTS);
    let starts: Vec<usize> = (1..bins).step_by(group).collect();
    let strongest = |from: usize, to: usize, column: usize| {
        (from..to).max_by(|&a, &b| table[[a, column]].total_cmp(&table[[b, column]])).unwrap_or(from)
    };
    let decibels = (first..first + 6).map(|column| {
        let top = table[[strongest(1, bins, column), column]];
        if top.is_nan() || top <= 0.0 {
            return Vec::new();
        }
        let of = |&from: &usize| table[[strongest(from, (from + group).min(bins), column), column]];
        let level = |power: f64| (10.0 * (power / top).log10()).max(-DEPTH_DB);
        starts.iter().map(|from| rounded(level(of(from)), 1).unwrap_or(-DEPTH_DB)).collect()
    });
    Some(Spectrum {
        nyquist_hz: 0.5 / record.row.tr_s,
        hz: starts.iter().filter_map(|&from| rounded(table[[from, 0]], 5)).collect(),
        decibels: decibels.collect(),
        peaks_hz: (first..first + 6).filter_map(|c| rounded(table[[strongest(1, bins, c), 0]], 4)).collect(),
        breathing_band_hz: record.row.motion.as_ref().and_then(|m| m.breathing_band_hz),
    })
}
