//! What both pages share: head, style, scripts, data, and the caution at the end.

use std::fmt::Write;

use serde::Serialize;

use super::{Mode, embedded};
use crate::outputs::CAUTION;
use crate::report::escape;

const STYLE: &str = include_str!("page/style.css");
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

/// A template with each `{name}` filled in, in one pass: what is filled in is not looked through again.
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

/// The whole page. As a file it forbids itself any request; served, the server's policy goes by the nonce.
pub(super) fn document<T: Serialize>(parts: &Parts<'_, T>, mode: Mode<'_>) -> String {
    let mut head = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n",
        escape(parts.title)
    );
    let nonce = match mode {
        Mode::File => {
            head += "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'\">\n";
            String::new()
        }
        Mode::Review(review) => {
            let blinded = if review.blinded { "yes" } else { "no" };
            let _ = writeln!(
                head,
                "<meta name=\"keepstill-token\" content=\"{}\">\n<meta name=\"keepstill-blinded\" content=\"{blinded}\">",
                escape(review.token)
            );
            format!(" nonce=\"{}\"", escape(review.nonce))
        }
    };
    // Data are no script, so that no policy asks for a nonce.
    let data = embedded(parts.data);
    let review = if let Mode::Review(_) = mode { REVIEW } else { "" };
    format!(
        "{head}<style{nonce}>\n{STYLE}</style>\n</head>\n<body class=\"{}\">\n<a class=\"skip\" href=\"#main\">To the content</a>\n<main id=\"main\">\n{}<noscript><p class=\"problem\">The pictures and tables of this page are drawn by its own script, which is turned off here. The same numbers are in cohort.tsv and in the tables beside this page.</p></noscript>\n<p class=\"caution\">{}</p>\n</main>\n{data}\n<script{nonce}>\n\"use strict\";\n{COMMON}{}{review}</script>\n</body>\n</html>\n",
        parts.kind,
        parts.body,
        escape(CAUTION),
        parts.script
    )
}
