//! A plain page: self-contained, no script, no request.

use crate::outputs::CAUTION;

const STYLE: &str = include_str!("page/style.css");

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

/// A whole page around a body: title, style, and the caution at its end. The title is escaped here, the body is not.
#[must_use]
pub fn document(title: &str, body: &str) -> String {
    let title = escape(title);
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
<title>{title}</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n<main>\n{body}<p class=\"caution\">{}</p>\n</main>\n</body>\n</html>\n",
        escape(CAUTION)
    )
}
