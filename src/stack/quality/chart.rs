//! The pictures, as SVG: how QC-FC is spread compared with chance, how it changes with distance, and the mean matrix by
//! network.
//!
//! After censoring is a solid line with round marks, before censoring a dashed line with square marks, so that they
//! differ without colour; chance alone is an area. The text alternative of each picture holds its numbers.

use std::fmt::Write;

use super::means::MeanMatrix;
use super::rows::{Censoring, QcFcRow};
use super::words::{capital, percent, signed};
use crate::pages::kit::chart::{Plot, RAMP_SCALE_HEIGHT, Scale, begin, cell, mark, ramp_scale, text, words_on_cell};
use crate::pages::kit::ramp;
use crate::report::figures;

const PLOT: Plot = Plot { left: 70.0, right: 700.0, top: 76.0, bottom: 350.0 };
/// Above this many networks a cell is too small for its number in the large letters of narrow screens (own convention).
const MOST_NUMBERS: usize = 8;
/// Above this many letters a number is too long for a cell (own convention).
const LONGEST_NUMBER: usize = 5;
/// Where the matrix begins, and the least height of a row: room for a name in those letters.
const NAMES: f64 = 210.0;
const LEAST_ROW: f64 = 26.0;

/// Width of the scale of colours below the matrix.
const SCALE_WIDTH: f64 = 330.0;

/// A mean of at least this size has the full colour, so that means of next to nothing stay pale (own convention).
const FULL_COLOUR: f64 = 0.1;

/// What a row is called in pictures.
fn name_of(row: &QcFcRow) -> &'static str {
    match row.censoring {
        Censoring::After => "after censoring",
        Censoring::Before => "before censoring",
    }
}

/// The line and marks of a row.
fn class(row: &QcFcRow) -> usize {
    match row.censoring {
        Censoring::After => 0,
        Censoring::Before => 1,
    }
}

/// Samples of lines with their names, above the picture.
fn legend(svg: &mut String, rows: &[&QcFcRow], chance: bool) {
    let mut x = 0.0;
    for row in rows {
        let class = class(row);
        let _ = writeln!(svg, "<path class=\"line kept-{class}\" d=\"M{x:.1} 20h36\"/>");
        mark(svg, class, x + 18.0, 20.0);
        text(svg, [x + 44.0, 26.0], "start", name_of(row));
        x += 250.0;
    }
    if chance {
        let _ = writeln!(svg, "<path class=\"chance\" d=\"M{x:.1} 10h36v18h-36Z\"/>");
        text(svg, [x + 44.0, 26.0], "start", "chance alone");
    }
}

/// Steps over the bars `first..`.
fn stairs(x: Scale, y: Scale, width: f64, first: usize, shares: &[f64]) -> String {
    let mut path = String::new();
    for (k, share) in shares.iter().enumerate() {
        let left = x.at((first + k) as f64 * width - 1.0);
        let _ = write!(path, "{}{left:.1} {:.1}", if k == 0 { "M" } else { "L" }, y.at(*share));
        let _ = write!(path, "H{:.1}", x.at((first + k + 1) as f64 * width - 1.0));
    }
    path
}

/// How the correlations are spread, against chance alone; empty without any correlation.
pub(super) fn histogram(rows: &[&QcFcRow]) -> Option<String> {
    let rows: Vec<&QcFcRow> = rows.iter().copied().filter(|row| row.summary.edges > 0).collect();
    let first = rows.first()?;
    let width = first.histogram.width;
    let bars = first.histogram.counts.len();
    let shares = |row: &QcFcRow| -> Vec<f64> {
        row.histogram.counts.iter().map(|&count| count as f64 / row.summary.edges as f64).collect()
    };
    let chance = &first.histogram.chance;
    // As far out from the middle as anything is, and as chance alone goes once in a thousand.
    let out = |bar: usize| bar.abs_diff(bars / 2).max((bar + 1).abs_diff(bars / 2));
    let occupied = |bar: usize| {
        chance[bar] > 0.001 || rows.iter().any(|row| row.histogram.counts.get(bar).is_some_and(|&count| count > 0))
    };
    let reach = (0..bars).filter(|&bar| occupied(bar)).map(out).max()?;
    let (low, high) = (bars / 2 - reach, bars / 2 + reach);
    let most = rows.iter().flat_map(|row| shares(row)).chain(chance.iter().copied()).fold(0.0, f64::max);
    let edge = reach as f64 * width;
    let x = Scale { from: -edge, to: edge, start: PLOT.left, end: PLOT.right };
    let y = Scale { from: 0.0, to: 100.0 * most * 1.05, start: PLOT.bottom, end: PLOT.top };
    let mut label = format!(
        "How the edges' correlations with mean FD are spread. By chance alone, median |r| {}.",
        figures(first.chance_median(), 2)
    );
    for row in &rows {
        let _ = write!(
            label,
            " {}: median |r| {}, {} of {} edges with p < 0.05.",
            capital(name_of(row)),
            figures(row.summary.median_abs_r, 2),
            percent(row.summary.share_p),
            row.summary.edges
        );
    }
    let mut svg = begin(&label, PLOT.height());
    let hundred = |shares: &[f64]| shares[low..high].iter().map(|s| 100.0 * s).collect::<Vec<_>>();
    if chance.iter().all(|share| share.is_finite()) {
        let path = stairs(x, y, width, low, &hundred(chance));
        let _ = writeln!(svg, "<path class=\"chance\" d=\"{path}V{}H{}Z\"/>", PLOT.bottom, PLOT.left);
    }
    PLOT.axes(&mut svg, ("correlation with mean FD over children (QC-FC)", &x.ticks()), ("% of edges", &y.ticks()));
    let _ = writeln!(svg, "<path class=\"limit\" d=\"M{:.1} {}V{}\"/>", x.at(0.0), PLOT.top, PLOT.bottom);
    for row in rows.iter().rev() {
        let path = stairs(x, y, width, low, &hundred(&shares(row)));
        let _ = writeln!(svg, "<path class=\"line kept-{}\" d=\"{path}\"/>", class(row));
    }
    legend(&mut svg, &rows, true);
    Some(svg + "</svg>")
}

/// Median correlation and quartiles by distance; empty where no edge has both.
pub(super) fn distance(rows: &[&QcFcRow]) -> Option<String> {
    let rows: Vec<&QcFcRow> = rows.iter().copied().filter(|row| !row.parts.is_empty()).collect();
    let parts = || rows.iter().flat_map(|row| &row.parts);
    let far = parts().map(|part| part.distance_mm[2]).fold(0.0, f64::max);
    let most = parts().flat_map(|part| part.r).map(f64::abs).fold(0.0, f64::max);
    if rows.is_empty() || far <= 0.0 {
        return None;
    }
    let edge = (most * 1.15).clamp(0.05, 1.0);
    let x = Scale { from: 0.0, to: far, start: PLOT.left, end: PLOT.right };
    let y = Scale { from: -edge, to: edge, start: PLOT.bottom, end: PLOT.top };
    let mut label = "Median correlation with mean FD by the distance between parcels, from near to far.".to_owned();
    for row in &rows {
        let medians: Vec<String> = row
            .parts
            .iter()
            .map(|part| format!("{} at {} mm", signed(part.r[1], 2), figures(part.distance_mm[1], 0)))
            .collect();
        let _ = write!(
            label,
            " {}: rank correlation with distance {}; {}.",
            capital(name_of(row)),
            signed(row.distance.rho, 2),
            medians.join(", ")
        );
    }
    let mut svg = begin(&label, PLOT.height());
    PLOT.axes(
        &mut svg,
        ("distance between parcels, mm", &x.ticks()),
        ("correlation with mean FD: median and quartiles", &y.ticks()),
    );
    let _ = writeln!(svg, "<path class=\"limit\" d=\"M{} {:.1}H{}\"/>", PLOT.left, y.at(0.0), PLOT.right);
    for row in rows.iter().rev() {
        let class = class(row);
        // Beside one another where both are drawn.
        let shift = if rows.len() < 2 { 0.0 } else { 5.0 - 10.0 * class as f64 };
        let place = |k: usize| x.at(row.parts[k].distance_mm[1]) + shift;
        let line: Vec<String> =
            (0..row.parts.len()).map(|k| format!("{:.1} {:.1}", place(k), y.at(row.parts[k].r[1]))).collect();
        let _ = writeln!(svg, "<path class=\"line kept-{class}\" d=\"M{}\"/>", line.join("L"));
        for (k, part) in row.parts.iter().enumerate() {
            let (low, high) = (y.at(part.r[0]), y.at(part.r[2]));
            let _ = writeln!(
                svg,
                "<path class=\"line faint kept-{class} thread\" d=\"M{:.1} {low:.1}V{high:.1}\"/>",
                place(k)
            );
            mark(&mut svg, class, place(k), y.at(part.r[1]));
        }
    }
    legend(&mut svg, &rows, false);
    Some(svg + "</svg>")
}

/// Mean within and between networks; empty where parcels belong to no network.
pub(super) fn matrix(mean: &MeanMatrix) -> Option<String> {
    let count = mean.networks.len();
    let most = mean.by_network.iter().filter(|v| v.is_finite()).fold(0.0_f64, |most, v| most.max(v.abs()));
    if count == 0 || most <= 0.0 {
        return None;
    }
    // A covariance has a unit, so that no size of it is small by itself.
    let correlation = mean.measure != "covariance";
    let most = if correlation { most.max(FULL_COLOUR) } else { most };
    let digits = if correlation { 2 } else { (1.0 - most.log10().floor()).clamp(0.0, 12.0) as usize };
    let number = |a: usize, b: usize| signed(mean.by_network[[a, b]], digits);
    let pairs = || (0..count).flat_map(|a| (a..count).map(move |b| (a, b)));
    let numbers = count <= MOST_NUMBERS && pairs().all(|(a, b)| number(a, b).len() <= LONGEST_NUMBER);
    let top = 50.0;
    let wide = ((PLOT.right - NAMES) / count as f64).min(70.0);
    let high = wide.max(LEAST_ROW);
    let words: Vec<String> = pairs()
        .map(|(a, b)| {
            let value = number(a, b);
            if a == b {
                format!("within {} {value}", mean.networks[a])
            } else {
                format!("{} with {} {value}", mean.networks[a], mean.networks[b])
            }
        })
        .collect();
    let label = format!("Mean {} within and between networks: {}.", mean.measure, words.join(", "));
    let bottom = top + high * count as f64;
    let mut svg = begin(&label, bottom + 26.0 + RAMP_SCALE_HEIGHT);
    let every = label_every(count, wide);
    for (a, name) in mean.networks.iter().enumerate() {
        let middle = top + high * (a as f64 + 0.5) + 5.0;
        text(&mut svg, [NAMES - 10.0, middle], "end", &format!("{} {}", shortened(name), a + 1));
        if (a + 1) % every == 0 {
            text(&mut svg, [NAMES + wide * (a as f64 + 0.5), top - 10.0], "middle", &(a + 1).to_string());
        }
        for b in 0..count {
            let value = mean.by_network[[a, b]];
            if value.is_nan() {
                continue;
            }
            let (x, y) = (NAMES + wide * b as f64, top + high * a as f64);
            let position = ramp::position(value, most);
            cell(&mut svg, [x, y], [wide, high], position);
            if numbers {
                words_on_cell(&mut svg, [x + wide / 2.0, middle], position, &number(a, b));
            }
        }
    }
    let ends = [signed(-most, digits), signed(0.0, digits), signed(most, digits)];
    ramp_scale(&mut svg, [NAMES, bottom + 20.0], SCALE_WIDTH, [&ends[0], &ends[1], &ends[2]]);
    Some(svg + "</svg>")
}

/// How many columns there are to each number, so that numbers do not touch.
fn label_every(count: usize, wide: f64) -> usize {
    let room = if count < 10 { 20.0 } else { 36.0 };
    [1, 2, 5, 10, 20, 50].into_iter().find(|&every| wide * every as f64 >= room).unwrap_or(100)
}

/// A network's name as far as there is room; a letter that is about half as wide again counts so.
pub(super) fn shortened(name: &str) -> String {
    const ROOM: usize = 25;
    let width = |c: char| match c {
        'M' | 'W' | 'm' | 'w' | '@' | '%' => 3,
        c if c >= '\u{2e80}' => 4,
        _ => 2,
    };
    let mut room = ROOM;
    let mut fits = 0;
    for c in name.chars() {
        match room.checked_sub(width(c)) {
            Some(left) => (room, fits) = (left, fits + 1),
            None => return name.chars().take(fits - 1).chain(['…']).collect(),
        }
    }
    name.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_shortened_to_what_there_is_room_for() {
        assert_eq!(["Ash", "Default mode", "Frontoparietal"].map(shortened), ["Ash", "Default mode", "Frontoparie…"]);
        assert_eq!(shortened("WWWWWWWWW"), "WWWWWWW…");
        assert_eq!(shortened(""), "");
    }

    #[test]
    fn numbers_of_columns_do_not_touch() {
        assert_eq!([(7, 70.0), (21, 23.3), (100, 4.9)].map(|(count, wide)| label_every(count, wide)), [1, 2, 10]);
    }
}
