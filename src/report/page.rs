//! Plain pages: a child's report and the cohort at a glance. Self-contained, no script, no request.

use std::fmt::Write;

use super::{figures, stillness};
use crate::outputs::CAUTION;
use crate::pipeline::joined::{Joined, RunResult};
use crate::record::{ReportRow, Verdict};
use crate::study::Study;

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

/// The verdict as a sentence.
fn sentence(row: &ReportRow, study: &Study) -> String {
    let kept = figures(row.minutes_kept, 1);
    match row.verdict {
        Verdict::Enough => format!("Enough data: {kept} minutes kept, {} asked for.", study.enough.minutes),
        Verdict::TooShort => format!("Too short: {kept} minutes kept, {} asked for.", study.enough.minutes),
        Verdict::TooFewDof => "Too few degrees of freedom are left after cleaning.".to_owned(),
        Verdict::PoorCoverage => {
            format!("Poor coverage: {} of {} parcels have enough of their voxels.", row.parcels_used, row.parcels)
        }
        Verdict::Failed => "No run could be done.".to_owned(),
    }
}

/// What the report's numbers are called on the page.
fn facts(row: &ReportRow) -> Vec<(&'static str, String)> {
    vec![
        ("minutes kept", format!("{} of {}", figures(row.minutes_kept, 2), figures(row.minutes, 2))),
        ("frames kept", format!("{} of {}", row.frames_kept, row.frames)),
        ("mean FD", format!("{} mm", figures(row.mean_fd_mm, 3))),
        ("mean FD of kept frames", format!("{} mm", figures(row.mean_fd_kept_mm, 3))),
        ("largest FD", format!("{} mm", figures(row.max_fd_mm, 2))),
        ("median DVARS", format!("{} %", figures(row.median_dvars_percent, 2))),
        ("longest kept stretch", format!("{} s", figures(row.longest_stretch_s, 0))),
        ("degrees of freedom left", figures(row.dof, 1)),
        ("parcels used", format!("{} of {}", row.parcels_used, row.parcels)),
        ("median tSNR", figures(row.tsnr_median, 1)),
        ("head radius", format!("{} mm ({})", figures(row.head_radius_mm, 1), row.head_radius_from)),
        (
            "frames dropped, by first reason",
            format!(
                "settling {}, unaligned {}, moved {}, signal jump {}, logged {}, beside motion {}, short stretch {}",
                row.dropped_settling,
                row.dropped_unaligned,
                row.dropped_moved,
                row.dropped_signal_jump,
                row.dropped_logged,
                row.dropped_beside_motion,
                row.dropped_short_stretch
            ),
        ),
    ]
}

fn fact_table(row: &ReportRow) -> String {
    let mut out = "<table class=\"facts\">\n".to_owned();
    for (name, value) in facts(row) {
        let _ = writeln!(out, "<tr><th scope=\"row\">{name}</th><td>{}</td></tr>", escape(&value));
    }
    out + "</table>\n"
}

/// `S_report.html`.
#[must_use]
pub fn child_page(study: &Study, stem: &str, runs: &[RunResult], joined: &Joined, settings: &str) -> String {
    let row = &joined.row;
    let mut body = format!(
        "<p class=\"study\">{}</p>\n<h1>{}</h1>\n<p class=\"verdict {}\">{}</p>\n",
        escape(&study.name),
        escape(stem),
        row.verdict.key(),
        escape(&sentence(row, study))
    );
    if let Some(problem) = &row.problem {
        let _ = writeln!(body, "<p class=\"problem\">{}</p>", escape(problem));
    }
    if !row.warnings.is_empty() {
        let items: String = row.warnings.iter().map(|w| format!("<li>{}</li>", escape(w))).collect();
        let _ = writeln!(body, "<ul class=\"warnings\">{items}</ul>");
    }
    body += &fact_table(row);
    for run in runs {
        let RunResult::Done(record) = run else { continue };
        let _ = writeln!(
            body,
            "<h2>{}</h2>\n<figure>{}<figcaption>Head displacement of each frame ({}), cut off at five times the limit (dashed). Shaded: dropped frames.</figcaption></figure>",
            escape(&record.id.to_string()),
            stillness(record, study.censor.fd_mm),
            match study.motion.displacement {
                crate::study::settings::Displacement::Sum => "sum form",
                crate::study::settings::Displacement::Rms => "RMS form",
            }
        );
        if runs.len() > 1 {
            body += &fact_table(&record.row);
        }
    }
    let _ = write!(
        body,
        "<details><summary>Settings and version</summary>\n<p>keepstill {}</p>\n<pre>{}</pre></details>\n",
        env!("CARGO_PKG_VERSION"),
        escape(settings)
    );
    document(&format!("{stem} – {}", study.name), &body)
}

/// A row of the cohort page.
#[derive(Debug, Clone)]
pub struct CohortLine {
    pub stem: String,
    /// Relative to the results folder; none where no page was written.
    pub page: Option<String>,
    pub row: ReportRow,
}

/// `cohort.html`: most motion first.
#[must_use]
pub fn cohort_page(study: &Study, lines: &[CohortLine]) -> String {
    let mut order: Vec<&CohortLine> = lines.iter().collect();
    let key = |l: &CohortLine| if l.row.mean_fd_mm.is_nan() { f64::INFINITY } else { l.row.mean_fd_mm };
    order.sort_by(|a, b| key(b).total_cmp(&key(a)));
    let enough = lines.iter().filter(|l| l.row.verdict == Verdict::Enough).count();
    let mut body = format!(
        "<h1>{}</h1>\n<p class=\"verdict\">{enough} of {} have enough data.</p>\n<table class=\"cohort\">\n<thead><tr>\
<th scope=\"col\">child</th><th scope=\"col\">verdict</th><th scope=\"col\">minutes kept</th><th scope=\"col\">kept</th>\
<th scope=\"col\">mean FD, mm</th><th scope=\"col\">problem</th></tr></thead>\n<tbody>\n",
        escape(&study.name),
        lines.len()
    );
    for line in order {
        let name = escape(&line.stem);
        let name = match &line.page {
            Some(page) => format!("<a href=\"{}\">{name}</a>", escape(page)),
            None => name,
        };
        let row = &line.row;
        let share = if row.kept_share.is_finite() { 100.0 * row.kept_share } else { 0.0 };
        let _ = writeln!(
            body,
            "<tr><th scope=\"row\">{name}</th><td>{}</td><td class=\"n\">{}</td><td><span class=\"bar\"><span style=\"width:{share:.0}%\"></span></span> {share:.0} %</td><td class=\"n\">{}</td><td>{}</td></tr>",
            row.verdict.key().replace('_', " "),
            figures(row.minutes_kept, 1),
            figures(row.mean_fd_mm, 3),
            escape(row.problem.as_deref().unwrap_or(""))
        );
    }
    body += "</tbody>\n</table>\n";
    document(&format!("{} – cohort", study.name), &body)
}
