//! What the server answers: pages, JSON or refusals, each with headers that keep it to this page and this browser.
//!
//! A refusal is a page where a person asked, by typing an address or following a link, and JSON where a script asked.

use axum::body::Body;
use axum::http::header::{HeaderName, HeaderValue};
use axum::http::{Response, StatusCode, header};
use serde::Serialize;
use serde_json::json;

use crate::outputs::CAUTION;
use crate::pages::escape;

/// A finished answer.
#[derive(Debug)]
pub(super) enum Answer {
    /// A page of ours, whose scripts and styles carry the nonce.
    Page {
        html: String,
        nonce: String,
    },
    Json(String),
    /// Sends the browser on to a place of ours, with a cookie that lets it in.
    Enter {
        cookie: String,
        to: String,
    },
    /// Nothing, and that is right.
    Empty,
}

impl Answer {
    /// Anything as JSON.
    pub(super) fn json(value: &impl Serialize) -> Result<Self, Refusal> {
        serde_json::to_string(value).map(Self::Json).map_err(Refusal::fault)
    }
}

/// A request that is not answered, and what to do instead, in words.
#[derive(Debug)]
pub(super) struct Refusal {
    pub status: StatusCode,
    pub words: String,
    /// Methods that the place knows.
    pub allow: Option<&'static str>,
}

impl Refusal {
    pub(super) fn new(status: StatusCode, words: impl Into<String>) -> Self {
        Self { status, words: words.into(), allow: None }
    }

    /// What was sent cannot be used.
    pub(super) fn bad(words: impl ToString) -> Self {
        Self::new(StatusCode::BAD_REQUEST, words.to_string())
    }

    /// Whoever asks is not allowed to.
    pub(super) fn forbidden(words: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, words)
    }

    /// Something is wrong on this side.
    pub(super) fn fault(words: impl ToString) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, words.to_string())
    }
}

/// The policy of an answer that is no page: a browser may do nothing with it.
const NO_PAGE: &str = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// A page that leads on to a place of ours by itself. A redirect would not do: if a page of another site (a wiki, a
/// mail) holds the address, browsers withhold a `SameSite=Strict` cookie from everything that follows from it.
fn enter(to: &str) -> String {
    let to = escape(to);
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>Review</title>\n\
<meta http-equiv=\"refresh\" content=\"0; url={to}\">\n</head>\n<body>\n<p><a href=\"{to}\">To the \
review</a></p>\n</body>\n</html>\n"
    )
}

/// A refusal as a page, which leads back. It has no style, because only our own pages may use one.
fn refused(words: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>Not shown - \
Review</title>\n</head>\n<body>\n\
<h1>This page cannot be shown</h1>\n<p id=\"words\">{}</p>\n<p><a href=\"/\">To the cohort \
page</a></p>\n<p>{}</p>\n</body>\n</html>\n",
        escape(words),
        escape(CAUTION)
    )
}

/// The answer as HTTP; `to_person`: whether a person will read a refusal.
pub(super) fn response(answer: Result<Answer, Refusal>, to_person: bool) -> Response<Body> {
    let mut status = StatusCode::OK;
    let mut policy = NO_PAGE.to_owned();
    let mut more: Option<(HeaderName, String)> = None;
    let (kind, body) = match answer {
        Ok(Answer::Page { html, nonce }) => {
            policy = format!(
                "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; img-src data:; \
connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
            );
            ("text/html; charset=utf-8", html)
        }
        Ok(Answer::Json(text)) => ("application/json; charset=utf-8", text),
        Ok(Answer::Enter { cookie, to }) => {
            more = Some((header::SET_COOKIE, cookie));
            ("text/html; charset=utf-8", enter(&to))
        }
        Ok(Answer::Empty) => {
            status = StatusCode::NO_CONTENT;
            ("text/plain; charset=utf-8", String::new())
        }
        Err(refusal) => {
            status = refusal.status;
            more = refusal.allow.map(|methods| (header::ALLOW, methods.to_owned()));
            if to_person {
                ("text/html; charset=utf-8", refused(&refusal.words))
            } else {
                ("application/json; charset=utf-8", json!({ "error": refusal.words }).to_string())
            }
        }
    };
    let mut response = Response::new(Body::from(body));
    *response.status_mut() = status;
    let headers = [
        (header::CONTENT_TYPE, kind.to_owned()),
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::CACHE_CONTROL, "no-store".to_owned()),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff".to_owned()),
        (header::REFERRER_POLICY, "no-referrer".to_owned()),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin".to_owned()),
    ];
    for (name, value) in headers.into_iter().chain(more) {
        // All of them are of plain characters.
        if let Ok(value) = HeaderValue::from_str(&value) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}
