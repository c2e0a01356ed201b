//! The watch log: notes of an observer during the scan, as BIDS events.
//!
//! `onset` and `duration` are seconds from the first frame. A frame i is acquired during \[i·TR, (i+1)·TR) and is
//! logged when that interval overlaps one of the log's; an entry without duration marks the frame that it falls in.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::tables::{self, TableError};
use crate::units::Seconds;

/// One line of the log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    pub onset_s: f64,
    pub duration_s: f64,
    pub what: String,
}

/// What can be wrong with a watch log.
#[derive(Debug, thiserror::Error)]
pub enum WatchLogError {
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(
        "{}: a watch log needs the columns onset, duration and trial_type (BIDS events); \"{column}\" is missing; add \
         it",
        path.display()
    )]
    NoColumn { path: PathBuf, column: &'static str },
    #[error(
        "{} line {line}: {column} has no value; a watch log needs onset and duration in seconds, so fill it in",
        path.display()
    )]
    Missing { path: PathBuf, line: usize, column: &'static str },
    #[error("{} line {line}: the duration is {duration_s} s, but it must not be negative; correct it", path.display())]
    Negative { path: PathBuf, line: usize, duration_s: f64 },
}

/// Reads a log.
///
/// # Errors
/// [`WatchLogError`], with file, line and column.
pub fn read(path: &Path) -> Result<Vec<Interval>, WatchLogError> {
    let table = tables::read_tsv(path)?;
    let find = |column| table.column(column).ok_or_else(|| WatchLogError::NoColumn { path: path.to_owned(), column });
    let (onset, duration, what) = (find("onset")?, find("duration")?, find("trial_type")?);
    let mut intervals = Vec::with_capacity(table.rows.len());
    for (i, row) in table.rows.iter().enumerate() {
        let number = |index, column| {
            table.number(i, index)?.ok_or(WatchLogError::Missing { path: path.to_owned(), line: row.line, column })
        };
        let (onset_s, duration_s) = (number(onset, "onset")?, number(duration, "duration")?);
        if duration_s < 0.0 {
            return Err(WatchLogError::Negative { path: path.to_owned(), line: row.line, duration_s });
        }
        intervals.push(Interval { onset_s, duration_s, what: row.cells[what].clone() });
    }
    Ok(intervals)
}

/// Which of `frames` frames overlap an interval whose type is among `types` (empty: all types).
#[must_use]
pub fn logged_frames(log: &[Interval], types: &[String], frames: usize, tr: Seconds) -> Vec<bool> {
    let mut logged = vec![false; frames];
    for interval in log.iter().filter(|i| types.is_empty() || types.contains(&i.what)) {
        let (start, end) = (interval.onset_s, interval.onset_s + interval.duration_s);
        for (i, flag) in logged.iter_mut().enumerate() {
            // A millionth of a frame is rounding, no overlap.
            let slack = 1e-6 * tr.0;
            let (first, last) = (i as f64 * tr.0, (i + 1) as f64 * tr.0);
            let inside = first - slack <= start && start < last - slack;
            *flag |= inside || (start < last - slack && end > first + slack);
        }
    }
    logged
}

#[cfg(test)]
mod tests {
    use super::*;

    fn interval(onset_s: f64, duration_s: f64, what: &str) -> Interval {
        Interval { onset_s, duration_s, what: what.to_owned() }
    }

    #[test]
    fn an_interval_drops_every_frame_it_overlaps_and_no_other() {
        let marks = |log: &[Interval]| logged_frames(log, &[], 6, Seconds(2.0));
        // From 3 s to 6 s: frames 1 [2,4) and 2 [4,6); frame 3 starts at 6 s, when the interval has ended.
        assert_eq!(marks(&[interval(3.0, 3.0, "eyes_open")]), [false, true, true, false, false, false]);
        assert_eq!(marks(&[interval(4.0, 0.0, "stirring")]), [false, false, true, false, false, false]);
        assert_eq!(marks(&[interval(-5.0, 5.5, "eyes_open")]), [true, false, false, false, false, false]);
        assert_eq!(marks(&[interval(11.0, 100.0, "eyes_open")]), [false, false, false, false, false, true]);
        assert_eq!(marks(&[interval(12.0, 1.0, "eyes_open")]), [false; 6]);
        // 3 · 0.7 is 2.0999999999999996 in floating point; the interval still ends where frame 3 begins.
        let marks = logged_frames(&[interval(1.4, 0.7, "eyes_open")], &[], 5, Seconds(0.7));
        assert_eq!(marks, [false, false, true, false, false]);
    }

    proptest::proptest! {
        /// An entry without duration drops one frame, wherever it falls; one from edge to edge drops the frames
        /// between.
        #[test]
        fn an_entry_without_duration_drops_one_frame(
            tr_hundredths in 20_u32..400, start in 0_usize..500, through in 0_usize..500, share in 0.0_f64..0.999,
        ) {
            let tr = f64::from(tr_hundredths) / 100.0;
            let dropped = |log: &[Interval]| -> Vec<usize> {
                let marks = logged_frames(log, &[], 500, Seconds(tr));
                (0..500).filter(|&i| marks[i]).collect()
            };
            proptest::prop_assert_eq!(dropped(&[interval((start as f64 + share) * tr, 0.0, "stirring")]), [start]);
            // Edges as a person writes them, to a thousandth of a second.
            let edge = |frame: usize| (frame as f64 * tr * 1000.0).round() / 1000.0;
            let end = through.max(start + 1);
            let log = [interval(edge(start), edge(end) - edge(start), "eyes_open")];
            proptest::prop_assert_eq!(dropped(&log), (start..end).collect::<Vec<_>>());
        }
    }

    #[test]
    fn only_the_named_types_count() {
        let log = [interval(0.0, 2.0, "eyes_open"), interval(4.0, 2.0, "humming")];
        let marks = logged_frames(&log, &["humming".to_owned()], 3, Seconds(2.0));
        assert_eq!(marks, [false, false, true]);
    }
}
