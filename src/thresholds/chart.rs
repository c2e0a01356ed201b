//! The picture: children kept against the limit, one line per minimum of minutes, as SVG.
//!
//! Lines differ by dash and marker as well as by colour and are labelled at their ends; "no limit" stands apart, to the
//! right of a gap in the axis. The same numbers are in the picture's text alternative.

use std::fmt::Write;

use super::{MINIMUMS_MIN, Row};
use crate::pages::kit::chart::{Plot, Scale, Tick, begin, mark, text};
use crate::report::figures;

/// Right of it are the labels of the lines.
const PLOT: Plot = Plot { left: 56.0, right: 600.0, top: 44.0, bottom: 340.0 };
/// Between the largest limit and "no limit".
const GAP: f64 = 90.0;
/// Least distance of two labels, so that lines that end together can be told apart.
const LABEL_STEP: f64 = 26.0;

/// Where numbers fall on the picture.
struct Scales {
    limits: Scale,
    children: Scale,
}

impl Scales {
    fn of(rows: &[Row]) -> Self {
        let limits = || rows.iter().filter_map(|row| row.choice.limit_mm);
        let gap = if limits().count() < rows.len() { GAP } else { 0.0 };
        let most = rows.iter().map(|row| row.children).max().unwrap_or(0).max(1) as f64;
        let largest = limits().fold(0.0, f64::max);
        Self {
            limits: Scale { from: 0.0, to: largest, start: PLOT.left, end: PLOT.right - gap },
            children: Scale { from: 0.0, to: most, start: PLOT.bottom, end: PLOT.top },
        }
    }

    fn x(&self, limit_mm: Option<f64>) -> f64 {
        limit_mm.map_or(PLOT.right, |mm| self.limits.at(mm))
    }

    fn y(&self, count: usize) -> f64 {
        self.children.at(count as f64)
    }
}

/// The name of a limit for people.
pub(super) fn limit_words(limit_mm: Option<f64>) -> String {
    limit_mm.map_or("no limit".to_owned(), |mm| {
        // Two digits where they say all, more where the limit has more.
        let exact = mm.to_string();
        if exact.len() > 4 { format!("{exact} mm") } else { format!("{} mm", figures(mm, 2)) }
    })
}

/// The picture of one form, rows by limit; `title` says which. None of its text is markup.
pub(super) fn chart(rows: &[Row], own_mm: Option<f64>, title: &str) -> String {
    let scales = Scales::of(rows);
    let mut svg = begin(&format!("{title}. {}", in_words(rows)), PLOT.height());
    let mut limits = scales.limits.ticks();
    if rows.iter().any(|row| row.choice.limit_mm.is_none()) {
        limits.push(Tick { at: PLOT.right, words: "no limit".to_owned() });
    }
    let counts = scales.children.whole_ticks();
    PLOT.axes(&mut svg, ("limit of displacement (FD), mm", &limits), ("children", &counts));
    if rows.iter().any(|row| row.choice.limit_mm == own_mm) {
        let x = scales.x(own_mm);
        let right = x > f64::midpoint(PLOT.left, PLOT.right);
        let (anchor, at) = if right { ("end", x + 40.0) } else { ("start", x - 6.0) };
        let _ = writeln!(svg, "<path class=\"limit\" d=\"M{x:.1} {}V{}\"/>", PLOT.top, PLOT.bottom);
        text(&mut svg, [at, PLOT.top - 18.0], anchor, &format!("this study: {}", limit_words(own_mm)));
    }
    for line in 0..MINIMUMS_MIN.len() {
        draw(&mut svg, &scales, rows, line);
    }
    labels(&mut svg, &scales, rows);
    svg + "</svg>"
}

/// One line with its markers; the piece across the gap is faint.
fn draw(svg: &mut String, scales: &Scales, rows: &[Row], line: usize) {
    let at = |row: &Row| (scales.x(row.choice.limit_mm), scales.y(row.children_above[line]));
    let limits: Vec<&Row> = rows.iter().filter(|row| row.choice.limit_mm.is_some()).collect();
    let path: Vec<String> = limits.iter().map(|row| at(row)).map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    if path.len() > 1 {
        let _ = writeln!(svg, "<path class=\"line kept-{line}\" d=\"M{}\"/>", path.join("L"));
    }
    let free = rows.iter().find(|row| row.choice.limit_mm.is_none());
    if let (Some(last), Some(free)) = (limits.last(), free) {
        let ((x0, y0), (x1, y1)) = (at(last), at(free));
        let _ = writeln!(svg, "<path class=\"line faint kept-{line}\" d=\"M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}\"/>");
    }
    for row in rows {
        let (x, y) = at(row);
        mark(svg, line, x, y);
    }
}

/// A label at each line's end, moved apart where lines end together.
fn labels(svg: &mut String, scales: &Scales, rows: &[Row]) {
    let Some(last) = rows.last() else { return };
    let ends = last.children_above.map(|count| scales.y(count));
    let places = apart(&ends, PLOT.top, PLOT.bottom);
    for (line, (end, place)) in ends.into_iter().zip(places).enumerate() {
        let _ = writeln!(
            svg,
            "<path class=\"line kept-{line} thread\" d=\"M{:.1} {end:.1}L{:.1} {place:.1}\"/>",
            PLOT.right + 8.0,
            PLOT.right + 26.0
        );
        mark(svg, line, PLOT.right + 33.0, place);
        let words = format!("{} min", figures(MINIMUMS_MIN[line], 0));
        text(svg, [PLOT.right + 44.0, place + 5.0], "start", &words);
    }
}

/// Moves ascending positions at least [`LABEL_STEP`] apart, keeping their order and, when there is room, the bounds.
fn apart(ends: &[f64; 4], top: f64, bottom: f64) -> [f64; 4] {
    let mut places = *ends;
    for i in 1..places.len() {
        places[i] = places[i].max(places[i - 1] + LABEL_STEP);
    }
    let mut lowest = bottom;
    for place in places.iter_mut().rev() {
        *place = place.min(lowest).max(top);
        lowest = *place - LABEL_STEP;
    }
    places
}

/// The picture's numbers as sentences.
fn in_words(rows: &[Row]) -> String {
    let minimums = MINIMUMS_MIN.map(|m| figures(m, 0));
    let mut text = format!(
        "Children with at least {}, {}, {} and {} minutes kept. ",
        minimums[0], minimums[1], minimums[2], minimums[3]
    );
    for row in rows {
        let [a, b, c, d] = row.children_above;
        let _ = write!(text, "{}: {a}, {b}, {c}, {d} of {}. ", limit_words(row.choice.limit_mm), row.children);
    }
    text.trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_keep_their_order_their_distance_and_inside() {
        for counts in 0u32..6 * 6 * 6 * 6 {
            // More minutes keep no more children, so the ends go downwards.
            let mut ends = [0, 1, 2, 3].map(|i| PLOT.top + 59.0 * f64::from(counts / 6u32.pow(i) % 6));
            ends.sort_by(f64::total_cmp);
            let places = apart(&ends, PLOT.top, PLOT.bottom);
            for pair in places.windows(2) {
                assert!(pair[1] - pair[0] >= LABEL_STEP - 1e-9, "{ends:?} {places:?}");
            }
            assert!(places.iter().all(|p| (PLOT.top..=PLOT.bottom).contains(p)), "{ends:?} {places:?}");
        }
        assert_eq!(apart(&[50.0, 100.0, 200.0, 300.0], PLOT.top, PLOT.bottom), [50.0, 100.0, 200.0, 300.0]);
    }

    #[test]
    fn limits_have_names() {
        assert_eq!(
            [Some(0.1), Some(0.35), Some(1.0), Some(0.125), None].map(limit_words),
            ["0.10 mm", "0.35 mm", "1.00 mm", "0.125 mm", "no limit"]
        );
    }
}
