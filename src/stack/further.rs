//! What a stack can hold beyond the children's matrices: evidence for and against the result of a group analysis.
//!
//! ```text
//! --equal-minutes ─► who has as many minutes      (equal)    ┐
//! --match motion  ─► who is alike in motion       (matched)  ├─► the stack, as without them
//! the stack ─► --reliability, --standard-errors   (reliability, standard_errors)   from the runs' records (runs)
//!           ─► --test                             (tested)                         from the stacked edges
//! ```
//!
//! All work on the children and the frames that are in the stack: with `--equal-minutes` on the frames that were chosen.

use serde_json::{Value, json};

use super::equal::Equal;
use super::found::Found;
use super::matched::{Match, Matched};
use super::standard_errors::{self, StandardErrors};
use super::tested::{self, Prepared, Test};
use super::{Choice, StackError, Work, reliability, whole};

/// What is asked for beyond the matrices.
#[derive(Debug, Clone, PartialEq)]
pub struct Further {
    pub equal: Option<Equal>,
    pub matching: Option<Match>,
    pub reliability: bool,
    pub standard_errors: Option<StandardErrors>,
    pub test: Option<Test>,
}

/// Writes the files that were asked for under unfinished names; returns what `stack.json` says of them, by key.
pub(super) fn write(
    work: &Work<'_>,
    choice: &Choice,
    prepared: Option<&Prepared>,
    files: &mut Vec<whole::Whole>,
) -> Result<Vec<(&'static str, Value)>, StackError> {
    let further = &choice.further;
    let mut told = Vec::new();
    if further.reliability {
        told.push(("reliability", reliability::write(work, files)?));
    }
    if let Some(wanted) = &further.standard_errors {
        told.push(("standard_errors", standard_errors::write(work, wanted, &choice.formats, files)?));
    }
    if let Some(prepared) = prepared {
        told.push(("test", tested::write(work, prepared, files)?));
    }
    Ok(told)
}

/// The notes in what [`write`](self::write()) returned of one key.
pub(super) fn notes(about: &Value) -> Vec<String> {
    let notes = about["notes"].as_array().map(Vec::as_slice).unwrap_or_default();
    notes.iter().filter_map(|note| note.as_str().map(str::to_owned)).collect()
}

/// What `stack.json` says of the choice of children and frames.
pub(super) fn tell_choice(found: &Found, matched: Option<&Matched>) -> Vec<(&'static str, Value)> {
    let mut told = Vec::new();
    if let Some(equal) = &found.equal {
        let from = match equal.draw {
            None => "the earliest kept frames".to_owned(),
            Some(_) => {
                format!("blocks of {} s of kept frames, drawn for each child by the seed", super::equal::BLOCK.0)
            }
        };
        let used = || found.children.iter().filter_map(|child| child.used.map(|used| used.frames));
        let frames = [used().min(), used().max()];
        told.push((
            "equal_minutes",
            json!({ "minutes": equal.minutes, "from": from, "draw": equal.draw, "frames_a_child": frames }),
        ));
    }
    if let Some(matched) = matched {
        told.push(("match", matched.json()));
    }
    told
}
