//! The figures of a run, as SVG: displacement as a skyline over time with dropped frames shaded, and the spectrum of the
//! motion parameters.

use std::fmt::Write;

use crate::record::{MotionFacts, ScanRecord};

/// Pictures are drawn in whole tenths of a pixel.
const WIDTH: f64 = 9600.0;
const HEIGHT: f64 = 1200.0;
/// Displacements beyond this many limits are cut off, so that one startle does not flatten the rest.
const TOP_IN_LIMITS: f64 = 5.0;

/// One run: a bar a frame, height by FD, dropped frames dark, the limit as a dashed line. `limit_mm` 0: no limit.
#[must_use]
pub fn stillness(record: &ScanRecord, limit_mm: f64) -> String {
    let frames = record.kept.len();
    let largest = record.fd_mm.iter().copied().fold(0.0_f64, f64::max);
    let top = if limit_mm > 0.0 { TOP_IN_LIMITS * limit_mm } else { largest.max(0.1) };
    let height = |fd: f64| if fd.is_nan() { 0.0 } else { (fd / top).min(1.0) * HEIGHT };
    let kept = record.kept.iter().filter(|k| **k).count();
    // One unit of width a frame: the picture is stretched to its place.
    let mut svg = format!(
        "<svg viewBox=\"0 0 {frames} {HEIGHT}\" role=\"img\" aria-label=\"{kept} of {frames} frames kept; largest displacement {largest:.2} mm\" preserveAspectRatio=\"none\">"
    );
    for (start, end) in crate::stretches::stretches(&record.kept.iter().map(|k| !k).collect::<Vec<_>>()) {
        let width = end - start;
        let _ = write!(svg, "<rect class=\"out\" x=\"{start}\" y=\"0\" width=\"{width}\" height=\"{HEIGHT}\"/>");
    }
    let mut line = format!("M0 {HEIGHT}");
    for (i, &fd) in record.fd_mm.iter().enumerate() {
        let _ = write!(line, "V{}H{}", (HEIGHT - height(fd)).round() as i64, i + 1);
    }
    let _ = write!(svg, "<path class=\"fd\" d=\"{line}V{HEIGHT}Z\"/>");
    if limit_mm > 0.0 {
        let y = (HEIGHT - height(limit_mm)).round();
        let _ = write!(svg, "<path class=\"limit\" d=\"M0 {y}H{frames}\"/>");
    }
    svg.push_str("</svg>");
    svg
}

/// Decibels below a parameter's peak at the lower edge of a spectrum's picture.
const DEPTH_DB: f64 = 40.0;
/// Height of one of the two pictures of a spectrum, and room for the axis below them.
const PANEL: f64 = 900.0;
const AXIS: f64 = 180.0;
/// Points of a spectrum's line, at most: of more frequencies the strongest of each group is drawn.
const MOST_POINTS: usize = 300;

/// Power of the motion parameters by frequency: translations above, rotations below, each relative to its own peak over
/// frequencies above 0; after the filter, where there is one. The band in which breathing shows is shaded.
#[must_use]
pub fn spectrum(record: &ScanRecord, motion: &MotionFacts) -> String {
    let table = &record.motion_spectrum;
    let (bins, columns) = table.dim();
    let nyquist_hz = table.column(0).last().copied().unwrap_or(0.0);
    if bins < 2 || nyquist_hz <= 0.0 {
        return "<svg viewBox=\"0 0 9600 180\" role=\"img\" aria-label=\"no spectrum: too few frames\"></svg>"
            .to_owned();
    }
    // Before the filter the second to seventh column, after it the rest.
    let first = if columns > 7 { 7 } else { 1 };
    let x = |hz: f64| hz / nyquist_hz * WIDTH;
    let height = 2.0 * PANEL + AXIS;
    let peak = |column: usize| {
        let best = (1..bins).max_by(|&a, &b| table[[a, column]].total_cmp(&table[[b, column]])).unwrap_or(0);
        table[[best, 0]]
    };
    let names = ["x", "y", "z"];
    let peaks: Vec<String> = (0..6)
        .map(|p| {
            let kind = if p < 3 { "translation" } else { "rotation" };
            format!("{kind} {} at {:.3} Hz", names[p % 3], peak(first + p))
        })
        .collect();
    let label = format!("motion parameters from 0 to {nyquist_hz:.3} Hz; strongest: {}", peaks.join(", "));
    let mut svg =
        format!("<svg class=\"spectrum\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"{label}\">");
    if let Some([low, high]) = motion.breathing_band_hz {
        let (from, to) = (x(low), x(high));
        let _ = write!(
            svg,
            "<rect class=\"out\" x=\"{from:.0}\" y=\"0\" width=\"{:.0}\" height=\"{}\"/>",
            to - from,
            2.0 * PANEL
        );
    }
    for p in 0..6 {
        let column = first + p;
        let top = (1..bins).map(|j| table[[j, column]]).fold(0.0, f64::max);
        if top <= 0.0 {
            continue;
        }
        let base = if p < 3 { 0.0 } else { PANEL };
        let mut path = String::new();
        let group = bins.div_ceil(MOST_POINTS);
        for from in (1..bins).step_by(group) {
            let near = from..(from + group).min(bins);
            let strongest = near.max_by(|&a, &b| table[[a, column]].total_cmp(&table[[b, column]]));
            let j = strongest.unwrap_or(from);
            let db = (10.0 * (table[[j, column]] / top).log10()).max(-DEPTH_DB);
            let command = if from == 1 { 'M' } else { 'L' };
            let y = base - db / DEPTH_DB * (PANEL - 60.0) + 30.0;
            let _ = write!(path, "{command}{} {}", x(table[[j, 0]]).round() as i64, y.round() as i64);
        }
        let _ = write!(svg, "<path class=\"line {}\" d=\"{path}\"/>", names[p % 3]);
    }
    let y = 2.0 * PANEL + AXIS - 40.0;
    let _ = write!(
        svg,
        "<path class=\"limit\" d=\"M0 {PANEL}H{WIDTH}\"/><text x=\"0\" y=\"{y}\">0 Hz</text><text x=\"{WIDTH}\" y=\"{y}\" text-anchor=\"end\">{nyquist_hz:.3} Hz</text>"
    );
    svg.push_str("</svg>");
    svg
}
