//! The stillness figure of a run, as SVG: displacement as a skyline over time, dropped frames shaded.

use std::fmt::Write;

use crate::record::ScanRecord;

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 120.0;
/// Displacements beyond this many limits are cut off, so that one startle does not flatten the rest.
const TOP_IN_LIMITS: f64 = 5.0;

/// One run: a bar a frame, height by FD, dropped frames dark, the limit as a dashed line. `limit_mm` 0: no limit.
#[must_use]
pub fn stillness(record: &ScanRecord, limit_mm: f64) -> String {
    let frames = record.kept.len();
    let step = WIDTH / frames as f64;
    let largest = record.fd_mm.iter().copied().fold(0.0_f64, f64::max);
    let top = if limit_mm > 0.0 { TOP_IN_LIMITS * limit_mm } else { largest.max(0.1) };
    let height = |fd: f64| if fd.is_nan() { 0.0 } else { (fd / top).min(1.0) * HEIGHT };
    let kept = record.kept.iter().filter(|k| **k).count();
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{kept} of {frames} frames kept; largest displacement {largest:.2} mm\" preserveAspectRatio=\"none\">"
    );
    for (start, end) in crate::stretches::stretches(&record.kept.iter().map(|k| !k).collect::<Vec<_>>()) {
        let (x, width) = (start as f64 * step, (end - start) as f64 * step);
        let _ = write!(svg, "<rect class=\"out\" x=\"{x:.2}\" y=\"0\" width=\"{width:.2}\" height=\"{HEIGHT}\"/>");
    }
    let mut line = format!("M0 {HEIGHT}");
    for (i, &fd) in record.fd_mm.iter().enumerate() {
        let (x, y) = (i as f64 * step, HEIGHT - height(fd));
        let _ = write!(line, "L{x:.2} {y:.1}L{:.2} {y:.1}", x + step);
    }
    let _ = write!(svg, "<path class=\"fd\" d=\"{line}L{WIDTH} {HEIGHT}Z\"/>");
    if limit_mm > 0.0 {
        let y = HEIGHT - height(limit_mm);
        let _ = write!(svg, "<path class=\"limit\" d=\"M0 {y:.1}H{WIDTH}\"/>");
    }
    svg.push_str("</svg>");
    svg
}
