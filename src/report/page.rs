//! Plain pages: a child's report and the cohort at a glance. Self-contained, no script, no request.

use std::fmt::Write;

use super::figure::spectrum;
use super::{figures, stillness};
use crate::outputs::CAUTION;
use crate::pipeline::joined::{Joined, RunResult};
use crate::record::{MotionFacts, OtherRadius, ReportRow, ScanRecord, Verdict};
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
        if let Some(motion) = &record.row.motion {
            body += &motion_part(record, motion, study.censor.fd_mm);
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

/// Where a run's motion comes from, what breathing does in it, and what another radius would change.
fn motion_part(record: &ScanRecord, motion: &MotionFacts, limit_mm: f64) -> String {
    let mut said = Vec::new();
    if let (Some(frame), Some(pivot)) = (motion.reference_frame, motion.pivot_mm) {
        let [x, y, z] = pivot.map(|mm| figures(mm, 1));
        said.push(format!(
            "Head motion was measured from the images: each frame was registered to frame {frame} (counted from 0), about the point ({x}, {y}, {z}) mm."
        ));
        said.push(match motion.largest_outside_share {
            Some(share) => format!(
                "Parcels were averaged at each frame's own head position; of a kept frame, at most {} % of the brain mask lay outside the field of view there.",
                figures(100.0 * share, 1)
            ),
            None => "Parcels were averaged where the voxels lie, without following the head.".to_owned(),
        });
    }
    if motion.settling_frames > 0 {
        said.push(format!("The first {} frames were cut while the signal settles.", motion.settling_frames));
    }
    said.extend(motion.breathing.iter().cloned());
    let mut out = String::new();
    for sentence in said {
        let _ = writeln!(out, "<p>{}</p>", escape(&sentence));
    }
    let _ = writeln!(
        out,
        "<figure>{}<figcaption>{}</figcaption></figure>",
        spectrum(record, motion),
        escape(
            "Power of the six motion parameters by frequency, in decibels below each one's peak: translations above, rotations below; x solid, y dashed, z dotted. Grey band: where the expected breathing rates show."
        )
    );
    if !motion.other_radii.is_empty() {
        out += "<table class=\"cohort\">\n<caption>What another head radius would change</caption>\n<thead><tr><th scope=\"col\">radius from</th><th scope=\"col\">mm</th><th scope=\"col\">mean FD, mm</th><th scope=\"col\">frames above the limit</th></tr></thead>\n<tbody>\n";
        for other in &motion.other_radii {
            let _ = writeln!(
                out,
                "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{}</td><td>{}</td></tr>",
                escape(&other.from),
                figures(other.radius_mm, 1),
                figures(other.mean_fd_mm, 3),
                escape(&change(other, limit_mm))
            );
        }
        out += "</tbody>\n</table>\n";
    }
    out
}

/// Frames that another radius would move across the limit, in words.
fn change(other: &OtherRadius, limit_mm: f64) -> String {
    if limit_mm <= 0.0 {
        return "no limit is set".to_owned();
    }
    let part = |frames: &[usize], what: &str| match frames {
        [] => String::new(),
        frames => {
            /// Frames named one by one; the report in JSON has all.
            const NAMED: usize = 12;
            let named: Vec<String> = frames.iter().take(NAMED).map(ToString::to_string).collect();
            let rest = if frames.len() > NAMED { ", …" } else { "" };
            format!("{} {what} ({}{rest})", frames.len(), named.join(", "))
        }
    };
    let parts = [part(&other.frames_more, "more"), part(&other.frames_fewer, "fewer")];
    let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    if parts.is_empty() { "the same".to_owned() } else { parts.join(", ") }
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
