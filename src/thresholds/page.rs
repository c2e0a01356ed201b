//! `thresholds.html`: one picture, the numbers under it, and what they leave out. Self-contained, no script, no
//! request.

use std::fmt::Write;

use super::chart::{chart, limit_words};
use super::{MINIMUMS_MIN, Row, Thresholds};
use crate::pages::kit::{Mode, Shell, escape};
use crate::report::figures;
use crate::study::Study;
use crate::study::settings::{Displacement, Length};

/// "sum form of displacement, with neighbours (1 frame before and 2 after each moved one are dropped too)".
fn words(study: &Study, form: Displacement, neighbours: bool) -> String {
    let form = match form {
        Displacement::Sum => "sum form of displacement",
        Displacement::Rms => "RMS form of displacement",
    };
    let form = match study.motion.fd_span_s {
        span_s if span_s > 0.0 => format!("{form} over {span_s} s"),
        _ => form.to_owned(),
    };
    if neighbours {
        let (before, after) = Length::around(study.censor.before, study.censor.after);
        format!("{form}, with neighbours ({before} before and {after} after each moved one are dropped too)")
    } else {
        format!("{form}, without neighbours")
    }
}

/// The table of one form.
fn table(rows: &[Row], own_mm: Option<f64>) -> String {
    let mut out = "<div class=\"wide\"><table>\n<thead><tr><th scope=\"col\">limit, mm</th>".to_owned();
    for minimum in MINIMUMS_MIN {
        let _ = write!(out, "<th scope=\"col\">≥\u{a0}{} min</th>", figures(minimum, 0));
    }
    out += "<th scope=\"col\">median min kept</th></tr></thead>\n<tbody>\n";
    for row in rows {
        let own = row.choice.limit_mm == own_mm;
        let (class, mark) = if own { (" class=\"own\"", "<br><small>this study</small>") } else { ("", "") };
        let _ = write!(
            out,
            "<tr{class}><th scope=\"row\">{}{mark}</th>",
            escape(limit_words(row.choice.limit_mm).trim_end_matches(" mm"))
        );
        for count in row.children_above {
            let _ = write!(out, "<td class=\"n\">{count}</td>");
        }
        let _ = writeln!(out, "<td class=\"n\">{}</td></tr>", figures(row.median_minutes_kept, 1));
    }
    out + "</tbody>\n</table></div>\n"
}

/// The whole page.
#[must_use]
pub fn page(study: &Study, found: &Thresholds) -> String {
    let form = study.motion.displacement;
    let other = if form == Displacement::Sum { Displacement::Rms } else { Displacement::Sum };
    let rows = found.rows_of(form, true);
    let counted = rows.first().map_or(0, |row| row.children);
    let heading = "Children kept, by the limit of displacement";
    let mut body = format!(
        "<p class=\"study\">{}</p>\n<h1>{heading}</h1>\n<p class=\"verdict\">{}</p>\n",
        escape(&study.name),
        escape(&sentence(&rows, found.own_limit_mm, counted))
    );
    let left_out: Vec<String> = found
        .left_out()
        .flat_map(|scan| scan.problems.iter().map(|p| format!("<li>{}: {}</li>", escape(&scan.scan), escape(&p.text))))
        .collect();
    if !left_out.is_empty() {
        let _ = writeln!(body, "<p class=\"problem\">Left out:</p>\n<ul class=\"warnings\">{}</ul>", left_out.concat());
    }
    let about = words(study, form, true);
    let _ = writeln!(
        body,
        "<figure class=\"chart\">{}<figcaption>How many of {counted} children keep enough minutes, by limit and for \
        each minimum of minutes; {}.</figcaption></figure>",
        chart(&rows, found.own_limit_mm, &format!("{heading}: {about}")),
        escape(&about)
    );
    let _ = writeln!(body, "<h2>The same in numbers</h2>\n{}", table(&rows, found.own_limit_mm));
    for (form, neighbours) in [(form, false), (other, true), (other, false)] {
        let rows = found.rows_of(form, neighbours);
        let about = words(study, form, neighbours);
        let mut letters = about.chars();
        let about = letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect());
        // The study's own limit is marked only in the tables of its own form.
        let own = if form == study.motion.displacement { found.own_limit_mm } else { Some(f64::NAN) };
        let _ = writeln!(body, "<details><summary>{}</summary>\n{}</details>", escape(&about), table(&rows, own));
    }
    let items =
        |texts: &mut dyn Iterator<Item = String>| texts.map(|t| format!("<li>{}</li>", escape(&t))).collect::<String>();
    let _ =
        writeln!(body, "<h2>What these numbers leave out</h2>\n<ul>{}</ul>", items(&mut found.notes.iter().cloned()));
    let warnings = items(
        &mut found.scans.iter().flat_map(|s| s.warnings.iter().map(move |warning| format!("{}: {warning}", s.scan))),
    );
    if !warnings.is_empty() {
        let _ = writeln!(body, "<details><summary>Notes on scans</summary>\n<ul>{warnings}</ul></details>");
    }
    let settings = crate::outputs::pretty(&study.settings_json());
    let _ = write!(
        body,
        "<details><summary>Settings and version</summary>\n<p>keepstill {}</p>\n<pre>{}</pre></details>\n",
        env!("CARGO_PKG_VERSION"),
        escape(&settings)
    );
    let title = format!("{} – thresholds", study.name);
    Shell { title: &title, kind: "thresholds", body: &body, script: None }.page(Mode::File)
}

/// What the study's own limit keeps.
fn sentence(rows: &[Row], own_mm: Option<f64>, counted: usize) -> String {
    let children = if counted == 1 { "child" } else { "children" };
    let Some(row) = rows.iter().find(|row| row.choice.limit_mm == own_mm) else {
        return format!("{counted} {children}, {} limits.", rows.len());
    };
    let limit =
        own_mm.map_or("Without a limit".to_owned(), |_| format!("With this study's limit of {}", limit_words(own_mm)));
    let [a, b, c, d] = row.children_above;
    let [e, f, g, h] = MINIMUMS_MIN.map(|m| figures(m, 0));
    format!(
        "{limit}, {a} of {counted} {children} keep at least {e} minutes, {b} at least {f}, {c} at least {g} and {d} at \
        least {h}."
    )
}
