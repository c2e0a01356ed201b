//! Which six columns of a motion table are the head's position, and in which unit rotations are.

use std::fmt::Write as _;

use super::files::words;
use super::quoting::quoted;
use crate::study::DEFAULTS;
use crate::study::settings::MOTION_COLUMNS;
use crate::tables::TextTable;

/// Rotations beyond this are taken for degrees: a head in a coil does not turn by 0.6 rad, 34° (common practice).
const LARGEST_RAD: f64 = 0.6;

/// A head in a scanner drifts by more than this within minutes; translations that stay below it are taken for metres,
/// mm (own convention).
const SMALLEST_MM: f64 = 0.02;

/// The note where there is no motion table at all.
pub(super) const FROM_IMAGES: &str = "no motion tables were found: head motion is measured from the images";

/// The lines of `[motion]` where there is no motion table at all.
pub(super) const FROM_IMAGES_LINE: &str =
    "from          = \"images\"            # CHECK: no motion tables were found\n";

/// The lines of `[motion]` that a table calls for; empty if the defaults do.
pub(super) fn section(table: &TextTable, notes: &mut Vec<String>) -> String {
    let mut text = String::new();
    let positions = match &table.header {
        Some(header) => by_name(header),
        None if table.columns() == 6 => Some([0, 1, 2, 3, 4, 5]),
        None => None,
    };
    let Some(positions) = positions else {
        notes.push(format!(
            "the six columns of head position could not be found in the motion tables: {}",
            table.header.as_ref().map_or("they have no header".to_owned(), |header| header.join(", "))
        ));
        return "# CHOOSE: translations x y z, then rotations x y z, by name or by position from 1\n\
                # columns = [1, 2, 3, 4, 5, 6]\n"
            .to_owned();
    };
    match &table.header {
        Some(header) => {
            let names: Vec<String> = positions.iter().map(|p| quoted(&header[*p])).collect();
            let names = names.join(", ");
            if !DEFAULTS.contains(&format!("[{names}]")) {
                let _ = writeln!(text, "columns       = [{names}]   # CHECK: translations x y z, then rotations x y z");
                notes.push(format!("motion columns are taken as {names}"));
            }
        }
        None => {
            text.push_str("columns       = [1, 2, 3, 4, 5, 6]   # CHECK: translations x y z, then rotations x y z\n");
            notes.push(
                "motion tables have no header: columns 1 to 3 are taken as translations, 4 to 6 as rotations".into(),
            );
        }
    }
    let largest = |columns: &[usize]| {
        let cells = columns.iter().flat_map(|&col| (0..table.rows.len()).map(move |row| table.number(row, col)));
        cells.filter_map(|cell| cell.ok().flatten()).fold(0.0_f64, |largest, v| largest.max(v.abs()))
    };
    let named = |columns: &[usize], units: &[(&'static str, &[&str])]| {
        let header = table.header.as_ref()?;
        let has = |col: usize, words_of: &[&str]| words(&header[col]).iter().any(|w| words_of.contains(&w.as_str()));
        let all = |words_of: &[&str]| columns.iter().all(|&col| has(col, words_of));
        units.iter().find(|(_, words_of)| all(words_of)).map(|(unit, _)| *unit)
    };
    let (shifts, turns) = positions.split_at(3);
    let shift = largest(shifts);
    match named(shifts, &[("mm", &["mm"]), ("m", &["m", "metre", "metres", "meter", "meters"])]) {
        Some("m") => {
            text.push_str("translation_unit = \"m\"             # by the columns' names\n");
            notes.push("translations are in metres, by the columns' names".to_owned());
        }
        None if shift > 0.0 && shift < SMALLEST_MM => {
            text.push_str("translation_unit = \"m\"             # CHECK: values are too small for millimetres\n");
            notes.push(format!("translations reach only {shift}, so they are taken as metres"));
        }
        _ => {}
    }
    let turn = largest(turns);
    match named(turns, &[("deg", &["deg", "degree", "degrees"]), ("rad", &["rad", "radian", "radians"])]) {
        Some("deg") => {
            text.push_str("rotation_unit = \"deg\"               # by the columns' names\n");
            notes.push("rotations are in degrees, by the columns' names".to_owned());
        }
        None if turn > LARGEST_RAD => {
            text.push_str("rotation_unit = \"deg\"               # CHECK: values are too large for radians\n");
            notes.push(format!("rotations reach {turn}, so they are taken as degrees"));
        }
        _ => {}
    }
    text
}

/// Six columns by their names: three that mention shifts and three that mention turns, each group in the order of its
/// axes where the names tell them, or else of the header.
fn by_name(header: &[String]) -> Option<[usize; 6]> {
    let exact: Option<Vec<usize>> = MOTION_COLUMNS.iter().map(|name| header.iter().position(|h| h == *name)).collect();
    if let Some(exact) = exact {
        return exact.try_into().ok();
    }
    let begins =
        |words: &[String], starts: &[&str]| words.iter().any(|word| starts.iter().any(|start| word.starts_with(start)));
    let derived = |words: &[String]| begins(words, &["deriv", "diff", "square", "power"]);
    let turned = |words: &[String]| {
        begins(words, &["rot", "turn", "angle", "pitch", "roll", "yaw"])
            || words.iter().any(|word| ["rx", "ry", "rz"].contains(&word.as_str()))
    };
    let shifted = |words: &[String]| begins(words, &["trans", "shift", "move"]);
    let by_axis = |words: &[String]| {
        let axes = ["x", "y", "z", "tx", "ty", "tz", "dx", "dy", "dz"];
        words.first().is_some_and(|word| axes.contains(&word.as_str()))
    };
    let group = |belongs: &dyn Fn(&[String]) -> bool| -> Option<Vec<usize>> {
        let mut found: Vec<usize> = (0..header.len())
            .filter(|&i| {
                let words = words(&header[i]);
                belongs(&words) && !derived(&words)
            })
            .collect();
        let axes: Option<Vec<usize>> = found.iter().map(|&i| axis(&words(&header[i]))).collect();
        if axes.is_some_and(|axes| [0, 1, 2].iter().all(|axis| axes.contains(axis))) {
            found.sort_by_key(|&i| axis(&words(&header[i])));
        }
        (found.len() == 3).then_some(found)
    };
    let shifts = group(&|words| shifted(words) && !turned(words))
        .or_else(|| group(&|words| by_axis(words) && !turned(words)))?;
    let six: Vec<usize> = shifts.into_iter().chain(group(&turned)?).collect();
    six.try_into().ok()
}

/// The axis that a column's name tells: pitch is about x (from left to right), roll about y, yaw about z (common
/// practice).
fn axis(words: &[String]) -> Option<usize> {
    let axes: [&[&str]; 3] =
        [&["x", "tx", "dx", "rx", "pitch"], &["y", "ty", "dy", "ry", "roll"], &["z", "tz", "dz", "rz", "yaw"]];
    axes.iter().position(|names| words.iter().any(|word| names.contains(&word.as_str())))
}
