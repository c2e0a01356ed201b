//! The shell of a page: head, style, scripts, and the caution at its end.

use std::fmt::Write;

use super::ramp;
use crate::outputs::CAUTION;

const STYLE: &str = include_str!("style.css");

/// Where a page is shown.
#[derive(Debug, Clone, Copy)]
pub enum Mode<'a> {
    /// Opened as a file.
    File,
    /// Served by `keepstill review`.
    Review(&'a Review<'a>),
}

/// What a served page carries.
#[derive(Debug, Clone, Copy)]
pub struct Review<'a> {
    /// Writes must carry it.
    pub token: &'a str,
    /// The nonce of the content security policy, on every script and style.
    pub nonce: &'a str,
    /// Whether group, sex and age are hidden.
    pub blinded: bool,
}

/// What differs from page to page.
pub(crate) struct Shell<'a> {
    /// Escaped here.
    pub title: &'a str,
    /// The class of the body, by which scripts and style tell pages apart.
    pub kind: &'a str,
    /// Already escaped.
    pub body: &'a str,
    /// None: the page is complete as it stands.
    pub script: Option<Script<'a>>,
}

/// A page's data and what draws them.
pub(crate) struct Script<'a> {
    /// A whole element. Data are not a script, so no policy asks for a nonce.
    pub data: &'a str,
    /// One after the other.
    pub parts: &'a [&'a str],
}

/// Text made safe for HTML.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() && c != '\n' => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// Shown where scripts are turned off.
const WITHOUT_SCRIPT: &str = "<noscript><p class=\"problem\">This page draws its pictures and tables with a script \
    of its \
own, and scripts are turned off here. The same numbers are in cohort.tsv and in the tables beside this \
page.</p></noscript>\n";

impl Shell<'_> {
    /// The whole page. As a file it forbids itself any request; when served, it is under the server's policy, by nonce.
    #[must_use]
    pub(crate) fn page(&self, mode: Mode<'_>) -> String {
        let mut head = format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n",
            escape(self.title)
        );
        let nonce = match mode {
            Mode::File => {
                let scripts = if self.script.is_some() { " script-src 'unsafe-inline';" } else { "" };
                let _ = writeln!(
                    head,
                    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none';{scripts} \
style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'\">"
                );
                String::new()
            }
            Mode::Review(review) => {
                let blinded = if review.blinded { "yes" } else { "no" };
                let _ = writeln!(
                    head,
                    "<meta name=\"keepstill-token\" content=\"{}\">\n<meta name=\"keepstill-blinded\" \
                    content=\"{blinded}\">",
                    escape(review.token)
                );
                format!(" nonce=\"{}\"", escape(review.nonce))
            }
        };
        let (note, script) = match &self.script {
            None => ("", String::new()),
            Some(script) => (
                WITHOUT_SCRIPT,
                format!("{}\n<script{nonce}>\n\"use strict\";\n{}</script>\n", script.data, script.parts.concat()),
            ),
        };
        format!(
            "{head}<style{nonce}>\n{STYLE}{}</style>\n</head>\n<body class=\"{}\">\n\
<a class=\"skip\" href=\"#main\">To the content</a>\n<main id=\"main\">\n{}{note}<p class=\"caution\">{}</p>\n</main>\n\
{script}</body>\n</html>\n",
            ramp::style(),
            self.kind,
            self.body,
            escape(CAUTION)
        )
    }
}
