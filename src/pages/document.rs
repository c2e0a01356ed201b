//! What both pages share: templates that are filled in, their data and their scripts.

use serde::Serialize;

use super::embedded::embedded;
use super::kit::{Mode, Script, Shell};

const COMMON: &str = include_str!("page/common.js");
const REVIEW: &str = include_str!("page/review.js");

/// A page's own part.
pub(super) struct Parts<'a, T: Serialize> {
    pub title: &'a str,
    /// `cohort` or `child`: the class of the body, by which scripts and style tell pages apart.
    pub kind: &'a str,
    /// Already escaped.
    pub body: &'a str,
    pub script: &'a str,
    pub data: &'a T,
}

/// A template with each `{name}` filled in, in one pass: text that was filled in is not searched again.
pub(super) fn fill(template: &str, parts: &[(&str, &str)]) -> String {
    let mut out = String::with_capacity(template.len() + parts.iter().map(|p| p.1.len()).sum::<usize>());
    let mut rest = template;
    while let Some((before, after)) = rest.split_once('{') {
        out += before;
        let found = parts.iter().find_map(|(name, text)| Some((text, after.strip_prefix(name)?.strip_prefix('}')?)));
        match found {
            Some((text, after)) => {
                out += text;
                rest = after;
            }
            None => {
                out.push('{');
                rest = after;
            }
        }
    }
    out + rest
}

/// The whole page.
pub(super) fn document<T: Serialize>(parts: &Parts<'_, T>, mode: Mode<'_>) -> String {
    let data = embedded(parts.data);
    let review = if let Mode::Review(_) = mode { REVIEW } else { "" };
    let script = Script { data: &data, parts: &[COMMON, parts.script, review] };
    Shell { title: parts.title, kind: parts.kind, body: parts.body, script: Some(script) }.page(mode)
}
