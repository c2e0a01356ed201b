//! Pictures as SVG: places of numbers, axes, marks, and the scale of the ramp of colours.
//!
//! Lines differ in dash and mark as well as in colour, so that they can be told apart without it. Places are written
//! with one digit after the point.

use std::fmt::Write;

use super::axis::{round_step, step_digits};
use super::{escape, ramp};
use crate::tables::figures;

/// Width of every picture, in its own units.
pub(crate) const WIDTH: f64 = 720.0;

/// Parts of an axis, at most (own convention).
const MOST_TICKS: f64 = 7.0;

/// From numbers to places, in a straight line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    pub from: f64,
    pub to: f64,
    /// Where `from` and `to` lie.
    pub start: f64,
    pub end: f64,
}

impl Scale {
    pub(crate) fn at(self, value: f64) -> f64 {
        self.start + (self.end - self.start) * (value - self.from) / (self.to - self.from)
    }

    /// Round numbers along it.
    pub(crate) fn ticks(self) -> Vec<Tick> {
        self.ticks_of(round_step(self.to - self.from, MOST_TICKS))
    }

    /// The same for whole things, which have no halves.
    pub(crate) fn whole_ticks(self) -> Vec<Tick> {
        self.ticks_of(round_step(self.to - self.from, MOST_TICKS).max(1.0))
    }

    fn ticks_of(self, step: f64) -> Vec<Tick> {
        if self.to <= self.from {
            return Vec::new();
        }
        let first = (self.from / step - 1e-9).ceil() as i64;
        let last = (self.to / step + 1e-9).floor() as i64;
        let digits = step_digits(step);
        (first..=last)
            .map(|k| k as f64 * step)
            .map(|value| Tick { at: self.at(value), words: figures(value, digits) })
            .collect()
    }
}

/// A place on an axis, and what is written there.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    pub at: f64,
    pub words: String,
}

/// The area of a picture that numbers are drawn in.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Plot {
    pub left: f64,
    pub right: f64,
    pub top: f64,
    pub bottom: f64,
}

impl Plot {
    /// Height of the whole picture, with room for the words below.
    pub(crate) fn height(self) -> f64 {
        self.bottom + 70.0
    }

    /// Both axes: names and ticks, across and up; a line at each tick of the second.
    pub(crate) fn axes(self, svg: &mut String, across: (&str, &[Tick]), up: (&str, &[Tick])) {
        let Self { left, right, top, bottom } = self;
        for Tick { at, words } in up.1 {
            let _ = writeln!(svg, "<path class=\"grid\" d=\"M{left} {at:.1}H{right}\"/>");
            text(svg, [left - 8.0, at + 5.0], "end", words);
        }
        for Tick { at, words } in across.1 {
            let _ = writeln!(svg, "<path class=\"grid\" d=\"M{at:.1} {bottom}v6\"/>");
            text(svg, [*at, bottom + 27.0], "middle", words);
        }
        text(svg, [0.0, top - 18.0], "start", up.0);
        text(svg, [f64::midpoint(left, right), bottom + 60.0], "middle", across.0);
    }
}

/// The start of a picture with its text alternative.
pub(crate) fn begin(label: &str, height: f64) -> String {
    format!("<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"{}\">\n", escape(label))
}

/// Words at a place; `anchor` is the point of them that lies there: `start`, `middle` or `end`.
pub(crate) fn text(svg: &mut String, [x, y]: [f64; 2], anchor: &str, words: &str) {
    let _ = writeln!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>", escape(words));
}

/// The mark of a line by its position: circle, square, triangle, diamond.
pub(crate) fn mark(svg: &mut String, line: usize, x: f64, y: f64) {
    let shape = match line {
        0 => "m-5 0a5 5 0 1 0 10 0a5 5 0 1 0 -10 0Z",
        1 => "m-4.5 -4.5h9v9h-9Z",
        2 => "m0 -5.5l5 9h-10Z",
        _ => "m0 -6l5 6l-5 6l-5 -6Z",
    };
    let _ = writeln!(svg, "<path class=\"dot kept-{line}\" d=\"M{x:.1} {y:.1}{shape}\"/>");
}

/// A cell of the colour that a value has.
pub(crate) fn cell(svg: &mut String, [x, y]: [f64; 2], [width, height]: [f64; 2], position: usize) {
    let _ = writeln!(
        svg,
        "<rect class=\"cell stop-{position}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\"/>"
    );
}

/// Words on such a cell, in black or white, whichever can be read.
pub(crate) fn words_on_cell(svg: &mut String, [x, y]: [f64; 2], position: usize, words: &str) {
    let _ = writeln!(
        svg,
        "<text class=\"on-{position}\" x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\">{}</text>",
        escape(words)
    );
}

/// Height that [`ramp_scale`] takes.
pub(crate) const RAMP_SCALE_HEIGHT: f64 = 60.0;

/// The ramp from end to end with the numbers at its ends and its middle; its upper edge lies at `y`.
pub(crate) fn ramp_scale(svg: &mut String, [x, y]: [f64; 2], width: f64, ends: [&str; 3]) {
    let step = width / ramp::STOPS as f64;
    for position in 0..ramp::STOPS {
        let left = x + step * position as f64;
        let _ = writeln!(
            svg,
            "<path class=\"stop-{position}\" d=\"M{left:.1} {y:.1}h{:.1}v14h-{:.1}Z\"/>",
            step + 0.3,
            step + 0.3
        );
    }
    for (words, place) in ends.into_iter().zip([x, x + width / 2.0, x + width]) {
        text(svg, [place, y + 38.0], "middle", words);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        for (from, to) in [(0.0, 10.5), (-0.4, 0.4), (-1.0, 1.0), (0.0, 163.0), (0.0, 0.8)] {
            let scale = Scale { from, to, start: 0.0, end: 1.0 };
            let ticks = scale.ticks();
            assert!((2..=8).contains(&ticks.len()), "{from} {to}: {}", ticks.len());
            for Tick { at, words } in ticks {
                let value: f64 = words.parse().unwrap();
                assert!(value >= from - 1e-9 && value <= to + 1e-9);
                assert!((scale.at(value) - at).abs() < 1e-9, "{words} {at}");
            }
        }
        let children = Scale { from: 0.0, to: 3.0, start: 0.0, end: 1.0 };
        let words: Vec<String> = children.whole_ticks().into_iter().map(|tick| tick.words).collect();
        assert_eq!(words, ["0", "1", "2", "3"]);
        assert!(Scale { from: 0.0, to: 0.0, start: 0.0, end: 1.0 }.ticks().is_empty());
    }
}
