//! What many scans have in common: messages that differ only in the scan's own name and files are one message.

use std::path::PathBuf;

use serde::Serialize;

use crate::discover::Scan;

/// Names of scans or children that are told of many (own convention).
pub const NAMED: usize = 3;

/// A message about several scans.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Alike {
    /// In the study's order.
    pub scans: Vec<String>,
    /// With "the motion table" and the like in place of each scan's own files.
    pub message: String,
    /// Whether it is a problem, or else a warning.
    pub problem: bool,
}

/// A message without the scan's own name and files: `shown` gives a path as the message has it.
#[must_use]
pub fn in_common(message: &str, scan: &Scan, shown: impl Fn(&str) -> String) -> String {
    let files: [(&str, Option<&PathBuf>); 7] = [
        ("the image", Some(&scan.bold)),
        ("the motion table", scan.motion.as_ref()),
        ("the confounds table", scan.confounds.as_ref()),
        ("the brain mask", scan.brain_mask.as_ref()),
        ("the white matter mask", scan.white_matter.as_ref()),
        ("the CSF mask", scan.csf.as_ref()),
        ("the watch log", scan.watch_log.as_ref()),
    ];
    let mut names: Vec<(String, &str)> =
        files.into_iter().filter_map(|(role, path)| Some((shown(&path?.display().to_string()), role))).collect();
    names.push((scan.id.to_string(), "the scan"));
    names.push((format!("sub-{}", scan.id.participant), "the child"));
    // The longest first, so that no part of a name is left.
    names.sort_by_key(|(name, _)| std::cmp::Reverse(name.len()));
    let text = names.iter().fold(message.to_owned(), |text, (name, role)| replace_whole(&text, name, role));
    without_lines(&text)
}

/// Each scan has its own line in a table.
fn without_lines(text: &str) -> String {
    let mut pieces = text.split(" line ");
    let mut out = pieces.next().unwrap_or_default().to_owned();
    for piece in pieces {
        let rest = piece.trim_start_matches(|c: char| c.is_ascii_digit());
        out += if rest.len() < piece.len() { rest } else { " line " };
        out += if rest.len() < piece.len() { "" } else { piece };
    }
    out
}

/// Puts `with` for each `what` that is no part of a longer name.
fn replace_whole(text: &str, what: &str, with: &str) -> String {
    let part_of_name = |c: char| c.is_alphanumeric() || "/_-".contains(c);
    let (mut out, mut rest) = (String::new(), text);
    while let Some(at) = rest.find(what).filter(|_| !what.is_empty()) {
        let (before, after) = rest.split_at(at);
        let after = &after[what.len()..];
        out.push_str(before);
        let whole = !out.ends_with(part_of_name) && !after.starts_with(part_of_name);
        out.push_str(if whole { with } else { what });
        rest = after;
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::discover::{GivenTr, ScanId};

    #[test]
    fn a_scans_own_name_and_files_are_left_out() {
        let id = ScanId { participant: "1".to_owned(), session: None, task: None, run: Some("2".to_owned()) };
        let file = |name: &str| Some(PathBuf::from(name));
        let scan = Scan {
            id,
            bold: PathBuf::from("/data/a.nii"),
            tr: GivenTr::default(),
            motion: file("/data/a.nii.tsv"),
            confounds: None,
            brain_mask: file("/data/a.nii"),
            white_matter: None,
            csf: None,
            watch_log: None,
            problems: Vec::new(),
        };
        let common = |text: &str| in_common(text, &scan, |path| path.replace("/data/", ""));
        assert_eq!(common("a.nii.tsv: has no rows"), "the motion table: has no rows");
        assert_eq!(common("a.nii: is cut short"), "the image: is cut short");
        assert_eq!(common("ba.nii: is cut short"), "ba.nii: is cut short");
        assert_eq!(common("no mask; see runs.tsv line 12"), "no mask; see runs.tsv");
        assert_eq!(common("a line in line 3: the line is empty"), "a line in: the line is empty");
        assert_eq!(common("sub-1_run-2 of sub-1, not of sub-12"), "the scan of the child, not of sub-12");
    }
}
