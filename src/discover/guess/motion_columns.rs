//! Which six columns of a motion table are the head's position, and in which unit rotations are.

use std::fmt::Write as _;

use super::files::words;
use super::quoting::quoted;
use crate::study::DEFAULTS;
use crate::study::settings::MOTION_COLUMNS;
use crate::tables::TextTable;

/// Rotations beyond this are taken for degrees: a head in a coil does not turn by 0.6 rad, 34° (common practice).
const LARGEST_RAD: f64 = 0.6;

/// The note where there is no motion table at all.
pub(super) const FROM_IMAGES: &str = "no motion tables were found: head motion is measured from the images";

/// The lines of `[motion]` where there is no motion table at all.
pub(super) fn from_images() -> String {
    "[motion]\nfrom = \"images\"               # CHECK: no motion tables were found\n\n".to_owned()
}

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
        return "[motion]\n# CHOOSE: translations x y z, then rotations x y z, by name or by position from 1\n\
                # columns = [1, 2, 3, 4, 5, 6]\n\n"
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
    let rotations = positions[3..].iter();
    let largest = rotations
        .flat_map(|&col| (0..table.rows.len()).filter_map(move |row| table.number(row, col).ok().flatten()))
        .fold(0.0_f64, |largest, v| largest.max(v.abs()));
    if largest > LARGEST_RAD {
        text.push_str("rotation_unit = \"deg\"               # CHECK: values are too large for radians\n");
        notes.push(format!("rotations reach {largest}, so they are taken as degrees"));
    }
    if text.is_empty() { text } else { format!("[motion]\n{text}\n") }
}

/// Six columns by their names: three that mention shifts and three that mention turns, each group in the order of the
/// header.
fn by_name(header: &[String]) -> Option<[usize; 6]> {
    let exact: Option<Vec<usize>> = MOTION_COLUMNS.iter().map(|name| header.iter().position(|h| h == *name)).collect();
    if let Some(exact) = exact {
        return exact.try_into().ok();
    }
    let group = |starts: &[&str]| -> Option<Vec<usize>> {
        let of = |name: &str| {
            let words = words(name);
            let derived = ["deriv", "diff", "square", "power"];
            words.iter().any(|word| starts.iter().any(|start| word.starts_with(start)))
                && !words.iter().any(|word| derived.iter().any(|start| word.starts_with(start)))
        };
        let found: Vec<usize> = (0..header.len()).filter(|&i| of(&header[i])).collect();
        (found.len() == 3).then_some(found)
    };
    let (shifts, turns) = (group(&["trans", "shift", "move"])?, group(&["rot", "turn", "angle"])?);
    let six: Vec<usize> = shifts.into_iter().chain(turns).collect();
    six.try_into().ok()
}
