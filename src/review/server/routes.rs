//! What can be asked for: pages and the state of the review by GET; decisions, and whatever else is written, by POST.
//!
//! Every page of ours carries a token, and every write must bring it: another site can send a request, but cannot know
//! the token. All work on files is done outside the threads that hold connections.

use std::future::poll_fn;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, HttpBody};
use axum::extract::{Request, State};
use axum::http::request::Parts;
use axum::http::{Method, Response, StatusCode, header};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

use super::answer::{self, Answer, Refusal};
use super::cohort::Cohort;
use super::error::ServeError;
use super::guard::{decoded, only, parameter};
use super::secret;
use super::shared::Shared;
use super::told::told;
use crate::pages::{self, Mode, Review};
use crate::record::Verdict;
use crate::review::decisions::{self, Decisions, Line, free_text, initials};
use crate::review::independent::{hide_unblinded_words, same_reviewer, seen_by};
use crate::review::overview::{self, Lines, Overview, Subject};
use crate::review::{Decision, clock, reasons, standing};

/// Bytes of a body, at most (the pages' contract).
const LARGEST_BODY: usize = 16 << 10;
/// A body that is too large is read this far, so that the browser hears the refusal (own choice).
const LARGEST_UNREAD: usize = 1 << 20;
/// How long to wait for a body (own choice).
const PATIENCE: Duration = Duration::from_secs(20);

/// Answers a request.
pub(super) async fn handle(State(shared): State<Arc<Shared>>, request: Request) -> Response<Body> {
    let (parts, body) = request.into_parts();
    // Scripts ask nowhere else.
    let to_person = !parts.uri.path().starts_with("/api/");
    let body = match tokio::time::timeout(PATIENCE, read_body(body)).await {
        Ok(body) => body,
        Err(_) => Err(Refusal::new(StatusCode::REQUEST_TIMEOUT, "the request did not come whole; send it again")),
    };
    let answered = tokio::task::spawn_blocking(move || {
        route(&shared, &parts, body).map_err(|refusal| {
            let words = told(&shared.results, &refusal.words);
            Refusal { words, ..refusal }
        })
    });
    let answered = answered.await.unwrap_or_else(|_| {
        let words =
            "the server hit a fault of its own, and nothing was confirmed; reload the page, and tell its makers";
        Err(Refusal::fault(words))
    });
    answer::response(answered, to_person)
}

/// A body, unless it is too large.
async fn read_body(mut body: Body) -> Result<Vec<u8>, Refusal> {
    let (mut bytes, mut length) = (Vec::new(), 0);
    while let Some(frame) = poll_fn(|context| Pin::new(&mut body).poll_frame(context)).await {
        let frame = frame.map_err(|_| Refusal::bad("the request broke off; send it again"))?;
        let Ok(data) = frame.into_data() else { continue };
        length += data.len();
        if length <= LARGEST_BODY {
            bytes.extend_from_slice(&data);
        } else if length > LARGEST_UNREAD {
            break;
        }
    }
    if length > LARGEST_BODY {
        let words = format!("the request is larger than {LARGEST_BODY} bytes; shorten what is written");
        return Err(Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, words));
    }
    Ok(bytes)
}

fn route(shared: &Shared, request: &Parts, body: Result<Vec<u8>, Refusal>) -> Result<Answer, Refusal> {
    if let Some(entered) = shared.guard.check(request)? {
        return Ok(entered);
    }
    let path = request.uri.path();
    let place = match path {
        "/" | "/api/state" | "/favicon.ico" => "GET, HEAD",
        "/api/decide" | "/api/unhide" | "/api/reasons" => "POST",
        _ if path.starts_with("/child/") => "GET, HEAD",
        _ => {
            let words = "there is nothing at this address; the cohort page is at /";
            return Err(Refusal::new(StatusCode::NOT_FOUND, words));
        }
    };
    if !place.split(", ").any(|method| request.method.as_str() == method) {
        let words = format!("this address answers {place} only");
        return Err(Refusal { allow: Some(place), ..Refusal::new(StatusCode::METHOD_NOT_ALLOWED, words) });
    }
    if request.method == Method::POST {
        let given = only(&request.headers, "x-keepstill-token").unwrap_or_default();
        if !secret::same(given, &shared.token) {
            let words = "the page is not, or no longer, one that this server gave out; reload it and decide again";
            return Err(Refusal::forbidden(words));
        }
        let kind = only(&request.headers, header::CONTENT_TYPE.as_str()).unwrap_or_default();
        if !kind.split(';').next().unwrap_or_default().trim().eq_ignore_ascii_case("application/json") {
            let words = "the request is not marked as JSON; send it with Content-Type: application/json";
            return Err(Refusal::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, words));
        }
    }
    let body = body?;
    match path {
        "/" => cohort_page(shared, request),
        "/favicon.ico" => Ok(Answer::Empty),
        "/api/state" => state(shared, request),
        "/api/decide" => decide(shared, &parse(&body)?),
        "/api/unhide" => unhide(shared, &parse(&body)?),
        "/api/reasons" => add_reason(shared, &parse(&body)?),
        _ => child_page(shared, request, path.trim_start_matches("/child/")),
    }
}

fn parse<T: DeserializeOwned>(body: &[u8]) -> Result<T, Refusal> {
    serde_json::from_slice(body)
        .map_err(|error| Refusal::bad(format!("the request cannot be read ({error}); reload the page and try again")))
}

fn cohort_of(shared: &Shared) -> Result<Arc<Cohort>, Refusal> {
    shared.cohort.get().map_err(|error| match error {
        ServeError::Folder(fault) if fault.is_absence() => Refusal::new(StatusCode::NOT_FOUND, fault.to_string()),
        error => Refusal::fault(error),
    })
}

fn decisions_of(shared: &Shared) -> Result<Decisions, Refusal> {
    decisions::read(&shared.results).map_err(Refusal::fault)
}

/// Whether a request comes from a page that shows what blinding hides.
fn shows(shared: &Shared, request: &Parts) -> bool {
    parameter(request, "shown").is_some_and(|key| shared.keys().contains(key))
}

/// Renders a page; `render` is told whether it is blinded.
fn page(shared: &Shared, request: &Parts, render: impl FnOnce(bool, Mode<'_>) -> String) -> Result<Answer, Refusal> {
    let shown = shows(shared, request);
    let nonce = secret::new().map_err(|source| Refusal::fault(ServeError::Random { source }))?;
    let html = render(!shown, Mode::Review(&Review { token: &shared.token, nonce: &nonce, blinded: !shown }));
    Ok(Answer::Page { html, nonce })
}

fn cohort_page(shared: &Shared, request: &Parts) -> Result<Answer, Refusal> {
    let cohort = cohort_of(shared)?;
    page(shared, request, |blinded, mode| {
        pages::cohort_page(if blinded { &cohort.blinded } else { &cohort.data }, mode)
    })
}

fn child_page(shared: &Shared, request: &Parts, stem: &str) -> Result<Answer, Refusal> {
    let cohort = cohort_of(shared)?;
    let data = cohort.child(&shared.results, cohort.place(stem)?)?;
    page(shared, request, |blinded, mode| {
        if blinded { pages::child_page(&data.blinded(), mode) } else { pages::child_page(&data, mode) }
    })
}

/// Everything that pages show about the review: what `reviewer` may know, or all of it with `reveal=1`.
fn state(shared: &Shared, request: &Parts) -> Result<Answer, Refusal> {
    let reviewer = parameter(request, "reviewer").map(decoded).unwrap_or_default();
    // Half-typed initials belong to nobody yet. The page still shows what anybody may see; deciding refuses them in
    // words.
    let reviewer = initials(&reviewer).ok();
    let cohort = cohort_of(shared)?;
    let mut decisions = decisions_of(shared)?;
    if !shows(shared, request) {
        hide_unblinded_words(&mut decisions);
    }
    let mut review = overview::overview(&decisions, &cohort.subjects);
    if parameter(request, "reveal") != Some("1") {
        let children = review.children.into_iter();
        review.children = children.map(|(stem, child)| (stem, seen_by(child, reviewer.as_deref()))).collect();
    }
    let reasons = reasons::read(&shared.results).map_err(Refusal::fault)?;
    Answer::json(&StateTold { reasons, review })
}

#[derive(Serialize)]
struct StateTold {
    reasons: Vec<String>,
    #[serde(flatten)]
    review: Overview,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Decide {
    stem: String,
    reviewer: String,
    decision: String,
    reason: Option<String>,
    note: Option<String>,
    #[serde(default)]
    settles: bool,
    results_digest: String,
    shown: Option<String>,
    /// Number of lines about the child that the page knew of; none: all there are.
    seen: Option<usize>,
}

fn decide(shared: &Shared, asked: &Decide) -> Result<Answer, Refusal> {
    let reviewer = initials(&asked.reviewer).map_err(Refusal::bad)?;
    let decision = Decision::of(&asked.decision)
        .ok_or_else(|| Refusal::bad("the decision must be include, exclude or unsure; choose one of them"))?;
    let text = |text: &Option<String>, what| free_text(text.as_deref().unwrap_or_default(), what).map_err(Refusal::bad);
    let (reason, note) = (text(&asked.reason, "reason")?, text(&asked.note, "note")?);
    let _writing = shared.write();
    let cohort = cohort_of(shared)?;
    let place = cohort.place(&asked.stem)?;
    let subject = &cohort.subjects[place];
    if asked.results_digest != subject.results_digest {
        let words = format!(
            "the results of {} have changed since this page was loaded; reload it, look again and decide (while a \
            run is at \
work, wait for it to end)",
            asked.stem
        );
        return Err(Refusal::new(StatusCode::CONFLICT, words));
    }
    if cohort.data.rows[place].verdict == Verdict::NotDone {
        let words = "this child is not done yet with the study's settings, so there is nothing to decide; run the \
study first";
        return Err(Refusal::new(StatusCode::CONFLICT, words));
    }
    if decision == Decision::Include && cohort.data.rows[place].verdict == Verdict::Failed {
        let words = "nothing could be done for this child, so there is nothing to include; exclude it, or see to its \
problem and run the study again";
        return Err(Refusal::new(StatusCode::CONFLICT, words));
    }
    let mut decisions = decisions_of(shared)?;
    let seen = reasons::unhidden(&shared.results).map_err(Refusal::fault)?;
    same_spelling(&decisions, &seen, &reviewer)?;
    let lines = Lines::new(&decisions, cohort.subjects.iter().map(Subject::named));
    let knew = asked.seen.unwrap_or(usize::MAX);
    if standing::settled_since(lines.named(&subject.row), knew, &subject.results_digest) {
        let words = "this child has been settled since the page was loaded; reload, look, then decide";
        return Err(Refusal::new(StatusCode::CONFLICT, words));
    }
    if asked.settles
        && !standing::disputed(&lines.about(&subject.row, &subject.results_digest), &subject.results_digest)
    {
        let words = format!(
            "reviewers do not disagree about {}, so there is nothing to settle; leave the box empty",
            asked.stem
        );
        return Err(Refusal::new(StatusCode::CONFLICT, words));
    }
    // A key from an earlier start shows nothing, so such a page was served blinded.
    let shown = asked.shown.as_ref().is_some_and(|key| shared.keys().contains(key));
    // Whoever has looked once knows, on whichever page.
    let has_seen = seen.iter().any(|known| same_reviewer(known, &reviewer));
    if shown && !has_seen {
        // Another reviewer asked for the key.
        reasons::note_unhidden(&shared.results, &reviewer).map_err(Refusal::fault)?;
    }
    let line = Line {
        time: clock::now(),
        reviewer: reviewer.clone(),
        row: subject.row.clone(),
        decision,
        reason,
        note,
        settles: asked.settles,
        blinded: !shown && !has_seen,
        results_digest: subject.results_digest.clone(),
    };
    decisions::append(&shared.results, &line).map_err(Refusal::fault)?;
    shared.keeper.decided();
    decisions.lines.push(line);
    if !shown {
        hide_unblinded_words(&mut decisions);
    }
    let Overview { mut children, agreement, disagreements, .. } = overview::overview(&decisions, &cohort.subjects);
    // In full, since this reviewer now has a current line.
    let child = seen_by(children.swap_remove(place).1, Some(&reviewer));
    Answer::json(&json!({ "child": child, "agreement": agreement, "disagreements": disagreements }))
}

/// One reviewer must not become two by a capital letter; `seen` are those who looked at group, sex and age.
fn same_spelling(decisions: &Decisions, seen: &[String], reviewer: &str) -> Result<(), Refusal> {
    let mut known = decisions.lines.iter().map(|line| &line.reviewer).chain(seen);
    match known.find(|known| same_reviewer(known, reviewer)) {
        Some(known) if known != reviewer => Err(Refusal::bad(format!(
            "the initials \"{reviewer}\" were written \"{known}\" before; write them the same way"
        ))),
        _ => Ok(()),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Unhide {
    reviewer: String,
}

fn unhide(shared: &Shared, asked: &Unhide) -> Result<Answer, Refusal> {
    let reviewer = initials(&asked.reviewer).map_err(Refusal::bad)?;
    let cohort = cohort_of(shared)?;
    let key = secret::new().map_err(|source| Refusal::fault(ServeError::Random { source }))?;
    {
        let _writing = shared.write();
        let seen = reasons::unhidden(&shared.results).map_err(Refusal::fault)?;
        same_spelling(&decisions_of(shared)?, &seen, &reviewer)?;
        reasons::note_unhidden(&shared.results, &reviewer).map_err(Refusal::fault)?;
    }
    shared.keys().insert(key.clone());
    let rows: Map<String, Value> =
        cohort.data.rows.iter().map(|row| (row.stem.clone(), json!(row.covariates))).collect();
    Answer::json(&json!({ "key": key, "covariates": cohort.data.covariates, "rows": rows }))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AddReason {
    reason: String,
}

fn add_reason(shared: &Shared, asked: &AddReason) -> Result<Answer, Refusal> {
    let reason = free_text(&asked.reason, "reason").map_err(Refusal::bad)?;
    let reason = reason.ok_or_else(|| Refusal::bad("the reason is empty; write some words"))?;
    let _writing = shared.write();
    reasons::add(&shared.results, &reason).map_err(Refusal::fault)?;
    Answer::json(&json!({ "reasons": reasons::read(&shared.results).map_err(Refusal::fault)? }))
}
