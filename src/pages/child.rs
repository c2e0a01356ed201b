//! A child's page: the verdict in a sentence, each run as a ribbon, then what is left and what other choices would
//! change.

use std::fmt::Write;

use super::data::{ChildData, ChildRun, DEPTH_DB, Spectrum};
use super::document::{Parts, document, fill};
use super::kit::{Mode, escape};
use crate::censor::Reason;
use crate::outputs::{pretty, reason_words};
use crate::record::{MotionFacts, OtherRadius, ReportRow, Verdict};
use crate::remark::texts;
use crate::report::figures;

const SCRIPT: &str = include_str!("page/child.js");
const BODY: &str = include_str!("page/child.html");

/// Shown for a child of whom no run could be processed.
const WHAT_TO_DO: &str = "Nothing could be measured. Correct the problem given below and run the study again; only \
    this \
    child is processed again.";

/// A child's page.
#[must_use]
pub fn child_page(data: &ChildData, mode: Mode<'_>) -> String {
    let row = &data.joined;
    let mut notes = String::new();
    if let Some(problem) = &row.problem {
        let _ = writeln!(notes, "<p class=\"problem\">{}</p>", escape(&problem.text));
    }
    let warnings = texts(&row.warnings).into_iter().chain(data.left_out.iter().map(String::as_str));
    let items: String = warnings.map(|w| format!("<li>{}</li>", escape(w))).collect();
    if !items.is_empty() {
        let _ = writeln!(notes, "<h2>Noticed</h2>\n<ul class=\"warnings\">{items}</ul>");
    }
    let back = match mode {
        Mode::File if row.session_id.is_some() => "../../../cohort.html",
        Mode::File => "../../cohort.html",
        Mode::Review(_) => "/",
    };
    let runs: String = data.runs.iter().enumerate().map(|(i, run)| run_part(i, run)).collect();
    let run_facts: String = match data.runs.as_slice() {
        [_] => String::new(),
        runs if runs.iter().all(|run| run.fd_mm.is_empty()) => String::new(),
        runs => runs
            .iter()
            .map(|run| {
                format!(
                    "<details><summary>The same for {}</summary>\n{}</details>\n",
                    escape(&run.name),
                    facts(&run.row)
                )
            })
            .collect(),
    };
    let motion: String = data.runs.iter().map(motion_part).collect();
    let nothing = data.runs.iter().all(|run| run.fd_mm.is_empty());
    let form = if data.fd_form == "rms" { "RMS form" } else { "sum form" };
    let body = fill(
        BODY,
        &[
            ("back", back),
            ("study", &escape(&data.study)),
            ("stem", &escape(&data.stem)),
            ("verdict", &escape(&verdict(row, data.minutes_asked))),
            ("stillness", &escape(&if nothing { WHAT_TO_DO.to_owned() } else { stillness(row) })),
            ("form", form),
            ("version", &escape(&data.version)),
            ("digest", &escape(&data.results_digest)),
            ("limits", &limits(data)),
            ("radii", &radii(data)),
            (
                "facts",
                &if nothing {
                    "<p>Nothing is left, because no run could be read.</p>\n".to_owned()
                } else {
                    facts(row)
                },
            ),
            ("legend", &if nothing { String::new() } else { legend(&data.runs) }),
            ("run-facts", &run_facts),
            ("motion", &motion),
            ("runs", &runs),
            ("settings", &escape(&pretty(&data.settings))),
            ("notes", &notes),
        ],
    );
    let title = format!("{} – {}", data.stem, data.study);
    document(&Parts { title: &title, kind: "child", body: &body, script: SCRIPT, data }, mode)
}

/// The verdict in plain words.
fn verdict(row: &ReportRow, asked: f64) -> String {
    // Enough digits that it never reads "5.0 are kept, but 5 are required".
    let digits = (1..4).find(|&d| figures(row.minutes_kept, d) != figures(asked, d)).unwrap_or(1);
    let kept = figures(row.minutes_kept, digits);
    match row.verdict {
        Verdict::Enough => format!("Enough data: {kept} minutes are kept, and {asked} are required."),
        Verdict::LookFirst => {
            format!("Enough data ({kept} minutes), but look first: something may be wrong with it.")
        }
        Verdict::TooShort => format!("Too short: {kept} minutes are kept, but {asked} are required."),
        Verdict::TooFewDof => "Too few degrees of freedom are left after cleaning.".to_owned(),
        Verdict::PoorCoverage => {
            format!("Poor coverage: {} of {} parcels have enough of their voxels.", row.parcels_used, row.parcels)
        }
        Verdict::Failed => "No run could be processed.".to_owned(),
        Verdict::NotDone => "Not done yet with the settings that the study has now.".to_owned(),
    }
}

/// How still the child kept, in plain words.
fn stillness(row: &ReportRow) -> String {
    if !row.kept_share.is_finite() {
        return "Nothing could be measured.".to_owned();
    }
    format!(
        "{} of {} minutes are kept ({} %). The longest still stretch lasts {} s. Mean FD is {} mm, and {} mm in the \
        frames kept.",
        figures(row.minutes_kept, 1),
        figures(row.minutes, 1),
        figures(100.0 * row.kept_share, 0),
        figures(row.longest_stretch_s, 0),
        figures(row.mean_fd_mm, 3),
        figures(row.mean_fd_kept_mm, 3)
    )
}

/// Shades, words and counts of the reasons that occur in the ribbons.
fn legend(runs: &[ChildRun]) -> String {
    let count = |k: usize| runs.iter().flat_map(|run| run.why.bytes()).filter(|&b| usize::from(b - b'0') == k).count();
    let frames = |n: usize| format!("{n} {}", if n == 1 { "frame" } else { "frames" });
    let mut out = format!("<li><span class=\"swatch r0\"></span>kept: {}</li>", frames(count(0)));
    let found = Reason::ALL.iter().enumerate().map(|(k, reason)| (k, (reason, count(k + 1))));
    for (k, (reason, count)) in found.filter(|(_, (_, n))| *n > 0) {
        let _ = write!(
            out,
            "<li title=\"{}\"><span class=\"swatch r{}\"></span>{}: {}</li>",
            escape(reason_words(*reason)),
            k + 1,
            reason.key().replace('_', " "),
            frames(count)
        );
    }
    out
}

/// What the report's numbers are called on the page.
fn facts(row: &ReportRow) -> String {
    let dropped = row.dropped.iter().map(|(reason, count)| format!("{} {count}", reason.key().replace('_', " ")));
    let dropped = dropped.collect::<Vec<_>>().join(", ");
    let over_span = format!("{} mm", figures(row.mean_fd_span_mm, 3));
    let over_span = row.mean_fd_span_mm.is_finite().then_some(("mean FD over the span that censoring uses", over_span));
    let lines = [
        ("minutes kept", format!("{} of {}", figures(row.minutes_kept, 2), figures(row.minutes, 2))),
        ("frames kept", format!("{} of {}", row.frames_kept, row.frames)),
        ("repetition time", format!("{} s", figures(row.tr_s, 3))),
        ("mean FD", format!("{} mm", figures(row.mean_fd_mm, 3))),
    ];
    let further = [
        ("mean FD of kept frames", format!("{} mm", figures(row.mean_fd_kept_mm, 3))),
        ("largest FD", format!("{} mm", figures(row.max_fd_mm, 2))),
        ("median DVARS", format!("{} %", figures(row.median_dvars_percent, 2))),
        ("longest kept stretch", format!("{} s", figures(row.longest_stretch_s, 0))),
        ("degrees of freedom left", figures(row.dof, 1)),
        ("degrees of freedom left if frames were independent", figures(row.dof_white, 1)),
        ("parcels used", format!("{} of {}", row.parcels_used, row.parcels)),
        ("median tSNR", figures(row.tsnr_median, 1)),
        ("autocorrelation of cleaned series, one frame apart", figures(row.lag1_autocorrelation, 2)),
        ("sphere radius", format!("{} mm ({})", figures(row.sphere_radius_mm, 1), row.sphere_radius_from)),
        ("frames dropped, by first reason", dropped),
    ];
    let mut out = "<table class=\"facts\">\n".to_owned();
    for (name, value) in lines.into_iter().chain(over_span).chain(further) {
        let _ = writeln!(out, "<tr><th scope=\"row\">{name}</th><td>{}</td></tr>", escape(&value));
    }
    out + "</table>\n"
}

/// Where a run's ribbon goes; the script draws it.
fn run_part(position: usize, run: &ChildRun) -> String {
    let name = escape(&run.name);
    if run.fd_mm.is_empty() {
        return format!("<h3>{name}</h3>\n<p>This run could not be processed; the reason is given above.</p>\n");
    }
    let problem = run.row.problem.as_ref().map(|p| format!("<p class=\"problem\">{}</p>\n", escape(&p.text)));
    format!("<h3>{name}</h3>\n{}<div class=\"ribbon\" data-run=\"{position}\"></div>\n", problem.unwrap_or_default())
}

/// What other limits would keep.
fn limits(data: &ChildData) -> String {
    if data.runs.iter().all(|run| run.minutes_at_limits.is_empty()) {
        return String::new();
    }
    let mut out = "<table class=\"plain\">\n<caption>With another limit of displacement, all else the same. The \
        minutes go by motion alone and count every run that could be read, whether or not cleaning leaves it degrees \
        of freedom.</caption>\n<thead><tr><th scope=\"col\">limit, mm</th><th scope=\"col\">minutes kept</th><th \
        scope=\"col\">long enough</th></tr></thead>\n<tbody>\n"
        .to_owned();
    for (k, limit) in data.limits_mm.iter().enumerate() {
        let minutes: f64 = data.runs.iter().filter_map(|run| run.minutes_at_limits.get(k)).sum();
        let own = limit.unwrap_or(0.0) == data.fd_limit_mm;
        let (class, mark) = if own { (" class=\"own\"", " (this study)") } else { ("", "") };
        let limit = limit.map_or("none".to_owned(), |mm| figures(mm, 2));
        let enough = if crate::pipeline::long_enough(minutes, data.minutes_asked) { "yes" } else { "no" };
        let _ = writeln!(
            out,
            "<tr{class}><th scope=\"row\">{limit}{mark}</th><td class=\"n\">{}</td><td>{enough}</td></tr>",
            figures(minutes, 2)
        );
    }
    out + "</tbody>\n</table>\n"
}

/// What other radii of the head would change.
fn radii(data: &ChildData) -> String {
    let rows: Vec<(&str, &OtherRadius)> = data
        .runs
        .iter()
        .filter_map(|run| Some((run.name.as_str(), run.row.motion.as_ref()?)))
        .flat_map(|(name, motion)| motion.other_radii.iter().map(move |other| (name, other)))
        .collect();
    if rows.is_empty() {
        let hidden = "<p>The sphere radius is hidden together with group, sex and age, and so is what another radius \
            would change.</p>\n";
        return if data.blinded { hidden.to_owned() } else { String::new() };
    }
    let mut out = "<table class=\"plain\">\n<caption>With another sphere radius, all else the \
        same</caption>\n<thead><tr><th scope=\"col\">run</th><th scope=\"col\">where the radius comes from</th><th \
        scope=\"col\">radius, mm</th><th scope=\"col\">mean FD, mm</th><th scope=\"col\">frames above the \
        limit</th></tr></thead>\n<tbody>\n"
        .to_owned();
    for (name, other) in rows {
        let _ = writeln!(
            out,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td>{}</td></tr>",
            escape(name),
            escape(&other.from),
            figures(other.radius_mm, 1),
            figures(other.mean_fd_mm, 3),
            escape(&change(other, data.fd_limit_mm))
        );
    }
    out + "</tbody>\n</table>\n"
}

/// Frames that would cross the limit with another radius, in words.
fn change(other: &OtherRadius, limit_mm: f64) -> String {
    if limit_mm <= 0.0 {
        return "no limit is set".to_owned();
    }
    let part = |frames: &[usize], what: &str| match frames {
        [] => String::new(),
        frames => {
            /// Frames that are named one by one; the report in JSON has all.
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

/// Where a run's motion comes from, what breathing does in it, and the motion parameters by frequency.
fn motion_part(run: &ChildRun) -> String {
    let Some(motion) = &run.row.motion else { return String::new() };
    let mut out = format!("<h3>{}</h3>\n", escape(&run.name));
    for sentence in motion_sentences(motion) {
        let _ = writeln!(out, "<p>{}</p>", escape(&sentence));
    }
    if let Some(spectrum) = &run.spectrum {
        let _ = writeln!(
            out,
            "<figure class=\"frequencies\">{}<figcaption>Power of the six motion parameters by frequency, in \
            decibels below the peak of each: translations above, rotations below; x is solid, y dashed, z \
            dotted.{}</figcaption></figure>",
            spectrum_figure(spectrum),
            if spectrum.breathing_band_hz.is_some() {
                " The grey band is where the expected breathing rates appear."
            } else {
                ""
            }
        );
    }
    out
}

fn motion_sentences(motion: &MotionFacts) -> Vec<String> {
    let mut said = Vec::new();
    match (motion.reference_frame, motion.pivot_mm) {
        (Some(frame), Some(pivot)) => {
            let [x, y, z] = pivot.map(|mm| figures(mm, 1));
            said.push(format!(
                "Head motion was measured from the images: each frame was registered to frame {frame} (counted from \
                0), about the point ({x}, {y}, {z}) mm."
            ));
            said.push(match motion.largest_outside_share {
                Some(share) => format!(
                    "Parcels were averaged at each frame's own head position. In no kept frame did more than {} % of \
                    the brain mask lie outside the field of view.",
                    figures(100.0 * share, 1)
                ),
                None => "Parcels were averaged at fixed voxels, without following the head.".to_owned(),
            });
        }
        _ => said.push("Head motion was read from the motion table.".to_owned()),
    }
    if motion.settling_frames > 0 {
        said.push(format!(
            "The first {} frames were cut because the signal was still settling.",
            motion.settling_frames
        ));
    }
    said.extend(motion.breathing.iter().cloned());
    said
}

/// Pictures are drawn in whole tenths of a pixel.
const WIDTH: f64 = 9600.0;
/// Height of one of the two pictures of a spectrum, and room for the axis below them.
const PANEL: f64 = 900.0;
const AXIS: f64 = 180.0;
fn spectrum_figure(spectrum: &Spectrum) -> String {
    let x = |hz: f64| (hz / spectrum.nyquist_hz * WIDTH).round();
    let names = ["x", "y", "z"];
    let peaks = spectrum.peaks_hz.iter().enumerate().map(|(p, hz)| {
        let kind = if p < 3 { "translation" } else { "rotation" };
        format!("{kind} {} at {hz} Hz", names[p % 3])
    });
    let label = format!(
        "motion parameters from 0 to {} Hz; strongest: {}",
        figures(spectrum.nyquist_hz, 3),
        peaks.collect::<Vec<_>>().join(", ")
    );
    let mut svg = format!("<svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-label=\"{label}\">", 2.0 * PANEL + AXIS);
    if let Some([low, high]) = spectrum.breathing_band_hz {
        let _ = write!(
            svg,
            "<rect class=\"band\" x=\"{}\" y=\"0\" width=\"{}\" height=\"{}\"/>",
            x(low),
            x(high) - x(low),
            2.0 * PANEL
        );
    }
    for (p, decibels) in spectrum.decibels.iter().enumerate().filter(|(_, d)| !d.is_empty()) {
        let base = if p < 3 { 0.0 } else { PANEL };
        let mut path = String::new();
        for (k, (hz, db)) in spectrum.hz.iter().zip(decibels).enumerate() {
            let y = base - db / DEPTH_DB * (PANEL - 60.0) + 30.0;
            let _ = write!(path, "{}{} {}", if k == 0 { 'M' } else { 'L' }, x(*hz), y.round());
        }
        let _ = write!(svg, "<path class=\"line {}\" d=\"{path}\"/>", names[p % 3]);
    }
    let y = 2.0 * PANEL + AXIS - 40.0;
    let _ = write!(
        svg,
        "<path class=\"limit\" d=\"M0 {PANEL}H{WIDTH}\"/><text x=\"0\" y=\"{y}\">0 Hz</text><text x=\"{WIDTH}\" \
        y=\"{y}\" text-anchor=\"end\">{} Hz</text></svg>",
        figures(spectrum.nyquist_hz, 3)
    );
    svg
}
