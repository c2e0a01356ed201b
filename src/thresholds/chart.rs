//! The picture: children kept against the limit, a line a minimum, as SVG.
//!
//! Lines differ by dash and marker as well as by colour and are labelled at their ends; "no limit" stands apart, to the
//! right of a gap in the axis. The same numbers are in the picture's text alternative.

use std::fmt::Write;

use super::{MINIMUMS_MIN, Row};
use crate::report::{escape, figures, round_step, step_digits};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 420.0;
const LEFT: f64 = 56.0;
/// Right of this are the labels of the lines.
const RIGHT: f64 = 600.0;
const TOP: f64 = 44.0;
const BOTTOM: f64 = 340.0;
/// Between the largest limit and "no limit".
const GAP: f64 = 90.0;
/// Least distance of two labels, so that lines that end together can be told apart.
const LABEL_STEP: f64 = 26.0;

/// Where numbers fall on the picture.
struct Scales {
    largest_mm: f64,
    end_of_limits: f64,
    top_count: f64,
}

impl Scales {
    fn of(rows: &[Row]) -> Self {
        let limits = || rows.iter().filter_map(|row| row.choice.limit_mm);
        let gap = if limits().count() < rows.len() { GAP } else { 0.0 };
        let most = rows.iter().map(|row| row.children).max().unwrap_or(0).max(1);
        Self { largest_mm: limits().fold(0.0, f64::max), end_of_limits: RIGHT - gap, top_count: most as f64 }
    }

    fn x(&self, limit_mm: Option<f64>) -> f64 {
        limit_mm.map_or(RIGHT, |mm| LEFT + (self.end_of_limits - LEFT) * mm / self.largest_mm)
    }

    fn y(&self, count: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * count / self.top_count
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
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"chart-title chart-numbers\">\n<title id=\"chart-title\">{}</title>\n<desc id=\"chart-numbers\">{}</desc>\n",
        escape(title),
        escape(&in_words(rows))
    );
    axes(&mut svg, &scales, rows);
    if rows.iter().any(|row| row.choice.limit_mm == own_mm) {
        let x = scales.x(own_mm);
        let (anchor, at) = if x > LEFT + (RIGHT - LEFT) / 2.0 { ("end", x + 40.0) } else { ("start", x - 6.0) };
        let _ = writeln!(
            svg,
            "<path class=\"limit\" d=\"M{x:.1} {TOP}V{BOTTOM}\"/>\n<text x=\"{at:.1}\" y=\"{}\" text-anchor=\"{anchor}\">this study: {}</text>",
            TOP - 14.0,
            escape(&limit_words(own_mm))
        );
    }
    for line in 0..MINIMUMS_MIN.len() {
        draw(&mut svg, &scales, rows, line);
    }
    labels(&mut svg, &scales, rows);
    svg + "</svg>"
}

fn axes(svg: &mut String, scales: &Scales, rows: &[Row]) {
    let step = round_step(scales.top_count, 6.0).max(1.0);
    let mut count = 0.0;
    while count <= scales.top_count {
        let y = scales.y(count);
        let _ = writeln!(
            svg,
            "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/><text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{count:.0}</text>",
            LEFT - 10.0,
            y + 5.0
        );
        count += step;
    }
    let mut tick = |x: f64, words: &str| {
        let _ = writeln!(
            svg,
            "<path class=\"grid\" d=\"M{x:.1} {BOTTOM}v6\"/><text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{words}</text>",
            BOTTOM + 28.0
        );
    };
    if scales.largest_mm > 0.0 {
        let step = round_step(scales.largest_mm, 5.0);
        let ticks = (scales.largest_mm / step + 1e-9).floor() as usize;
        for i in 0..=ticks {
            let mm = i as f64 * step;
            tick(scales.x(Some(mm)), &figures(mm, step_digits(step)));
        }
    }
    if rows.iter().any(|row| row.choice.limit_mm.is_none()) {
        tick(RIGHT, "no limit");
    }
    let _ = writeln!(
        svg,
        "<text x=\"0\" y=\"{}\">children</text>\n<text x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\">limit of displacement (FD), mm</text>",
        TOP - 14.0,
        (LEFT + RIGHT) / 2.0,
        BOTTOM + 64.0
    );
}

/// One line with its markers; the piece across the gap is faint.
fn draw(svg: &mut String, scales: &Scales, rows: &[Row], line: usize) {
    let at = |row: &Row| (scales.x(row.choice.limit_mm), scales.y(row.children_above[line] as f64));
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
        marker(svg, line, x, y);
    }
}

/// Circle, square, triangle, diamond.
fn marker(svg: &mut String, line: usize, x: f64, y: f64) {
    let shape = match line {
        0 => "m-4.5 0a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0Z",
        1 => "m-4 -4h8v8h-8Z",
        2 => "m0 -5.5l5 9h-10Z",
        _ => "m0 -6l5 6l-5 6l-5 -6Z",
    };
    let _ = writeln!(svg, "<path class=\"dot kept-{line}\" d=\"M{x:.1} {y:.1}{shape}\"/>");
}

/// A label at each line's end, moved apart where lines end together.
fn labels(svg: &mut String, scales: &Scales, rows: &[Row]) {
    let Some(last) = rows.last() else { return };
    let ends = last.children_above.map(|count| scales.y(count as f64));
    let places = apart(&ends, TOP, BOTTOM);
    for (line, (end, place)) in ends.into_iter().zip(places).enumerate() {
        let _ = writeln!(
            svg,
            "<path class=\"line kept-{line} thread\" d=\"M{:.1} {end:.1}L{:.1} {place:.1}\"/>",
            RIGHT + 8.0,
            RIGHT + 26.0
        );
        marker(svg, line, RIGHT + 33.0, place);
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\">{} min</text>",
            RIGHT + 44.0,
            place + 5.0,
            figures(MINIMUMS_MIN[line], 0)
        );
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
    fn steps_are_round_and_few() {
        for (range, most, step) in
            [(1.0, 5.0, 0.2), (12.0, 6.0, 2.0), (500.0, 6.0, 100.0), (0.25, 5.0, 0.05), (7.0, 6.0, 2.0)]
        {
            assert!((round_step(range, most) - step).abs() < 1e-12, "{range}: {}", round_step(range, most));
        }
        assert_eq!([1.0, 0.2, 0.05, 20.0].map(step_digits), [0, 1, 2, 0]);
    }

    #[test]
    fn labels_keep_their_order_their_distance_and_inside() {
        for counts in 0u32..6 * 6 * 6 * 6 {
            // More minutes keep no more children, so the ends go downwards.
            let mut ends = [0, 1, 2, 3].map(|i| TOP + 59.0 * f64::from(counts / 6u32.pow(i) % 6));
            ends.sort_by(f64::total_cmp);
            let places = apart(&ends, TOP, BOTTOM);
            for pair in places.windows(2) {
                assert!(pair[1] - pair[0] >= LABEL_STEP - 1e-9, "{ends:?} {places:?}");
            }
            assert!(places.iter().all(|p| (TOP..=BOTTOM).contains(p)), "{ends:?} {places:?}");
        }
        assert_eq!(apart(&[50.0, 100.0, 200.0, 300.0], TOP, BOTTOM), [50.0, 100.0, 200.0, 300.0]);
    }

    #[test]
    fn limits_have_names() {
        assert_eq!(
            [Some(0.1), Some(0.35), Some(1.0), Some(0.125), None].map(limit_words),
            ["0.10 mm", "0.35 mm", "1.00 mm", "0.125 mm", "no limit"]
        );
    }
}
