//! `quality.html`: the question, the answer in plain words, the pictures, and every number. Self-contained, no script.

use std::fmt::Write;

use super::before::Before;
use super::groups::Groups;
use super::json::{Spread, all_kept, dof_lost};
use super::rows::QcFcRow;
use super::sites::picture;
use super::words::{self, percent};
use super::{chart, findings::Findings};
use crate::group::quality::SHUFFLES;
use crate::pages::kit::{Mode, Shell, escape};
use crate::report::figures;
use crate::stack::gather::request::Weights;
use crate::tables::p_words;

/// The whole page.
pub(super) fn page(findings: &Findings<'_>) -> String {
    let name = findings.studies().title();
    let name = name.as_deref().unwrap_or("A stack of children");
    let mut body = format!(
        "<p class=\"study\">{}</p>\n<h1>Is it just motion?</h1>\n<p class=\"verdict\">{}</p>\n<p>In the stack: \
         {}</p>\n",
        soft(name, LONG_WORD),
        unbroken(soft(&findings.answer, LONG_WORD)),
        soft(&words::stacked(&findings.quality.chosen), LONG_WORD)
    );
    let command = findings.before.command(findings.studies());
    if let (Before::None(why), Some(command)) = (&findings.before, command) {
        let _ = writeln!(
            body,
            "<p class=\"problem\">This page shows the data after censoring only: {}. To compare them with the data \
             before censoring, run <code>{}</code> (STUDY is the study file), then stack again.</p>",
            soft(why, LONG_WORD),
            escape(&command)
        );
    }
    if let Some(trap) = words::trap(&findings.quality.groups) {
        let _ = writeln!(body, "<p class=\"problem\">{}.</p>", soft(&words::capital(&trap), LONG_WORD));
    }
    kinds(&mut body, findings);
    let shuffles = findings.rows.iter().map(|row| row.beyond.shuffles).max().unwrap_or(SHUFFLES);
    let _ = writeln!(body, "<h2>The same in numbers</h2>\n{}", numbers(&findings.rows));
    let how = match shuffles {
        0 => "Motion could not be shuffled among the children, so there is nothing to compare with.".to_owned(),
        _ => format!(
            "What chance alone gives in these edges and children: mean FD is shuffled among the children {shuffles} \
             times. Each p is the share of orders, the true one included, whose result is at least as extreme."
        ),
    };
    let _ = writeln!(
        body,
        "<h2>Against motion shuffled among the children</h2>\n<p>{how}</p>\n{}",
        shuffled(&findings.rows)
    );
    noisier(&mut body, findings);
    let _ = writeln!(body, "<h2>What is left of the data</h2>\n{}", kept(findings));
    let _ = writeln!(
        body,
        "<h2>Do the groups move alike?</h2>\n<p>{}</p>\n{}",
        soft(&words::groups_sentence(&findings.quality.groups), LONG_WORD),
        groups(&findings.quality.groups)
    );
    sites(&mut body, findings);
    means(&mut body, findings);
    let items =
        |texts: &[String]| texts.iter().map(|text| format!("<li>{}</li>", soft(text, LONG_WORD))).collect::<String>();
    let left_out = words::LEFT_OUT.map(str::to_owned);
    let _ = writeln!(body, "<h2>What these numbers leave out</h2>\n<ul>{}</ul>", items(&left_out));
    let noted: Vec<String> = findings.notes.iter().map(|note| words::capital(note)).collect();
    if !noted.is_empty() {
        // Unfolded, so that they are on paper too: a note may say that rows are not independent.
        let _ = writeln!(body, "<details open><summary>Notes</summary>\n<ul>{}</ul></details>", items(&noted));
    }
    let settings = findings.studies().told().as_ref().map(crate::outputs::pretty).unwrap_or_default();
    let _ = write!(
        body,
        "<details><summary>Settings and version</summary>\n<p>keepstill {}</p>\n<pre \
         tabindex=\"0\">{}</pre></details>\n",
        env!("CARGO_PKG_VERSION"),
        escape(&settings)
    );
    let title = format!("{name} – is it just motion?");
    Shell { title: &title, kind: "quality", body: &body, script: None }.page(Mode::File)
}

/// Pictures of each atlas and measure; if there are several, each has a heading and a sentence.
fn kinds(body: &mut String, findings: &Findings<'_>) {
    let mut seen: Vec<(&str, &str)> = Vec::new();
    for row in &findings.rows {
        if !seen.contains(&(&row.atlas, row.measure)) {
            seen.push((&row.atlas, row.measure));
        }
    }
    let several = seen.len() > 1;
    for (atlas, measure) in seen {
        let (main, before) = words::pair(&findings.rows, atlas, measure);
        let rows: Vec<&QcFcRow> = main.into_iter().chain(before).collect();
        if several {
            let answer = words::answer_of(findings.quality, &findings.rows, atlas, measure);
            let title = format!("{atlas}, {measure}");
            let _ = writeln!(body, "<h2>{}</h2>\n<p>{}</p>", soft(&title, LONG_WORD), soft(&answer, LONG_WORD));
        }
        let what = if rows.iter().any(|row| row.fisher_z) { "Fisher's z" } else { "the value" };
        if let Some(svg) = chart::histogram(&rows) {
            let _ = writeln!(
                body,
                "<figure class=\"chart\">{svg}<figcaption>For each edge, {what} ({}, {}) is correlated with mean \
                 framewise displacement over children. The picture compares these correlations with what chance alone \
                 gives.</figcaption></figure>",
                escape(measure),
                soft(atlas, LONG_WORD)
            );
        }
        if let Some(svg) = chart::distance(&rows) {
            let apart = if rows.len() > 1 { "; marks after and before censoring are drawn a little apart" } else { "" };
            let _ = writeln!(
                body,
                "<figure class=\"chart\">{svg}<figcaption>The same correlations by the distance between parcels. \
                 Motion makes near parcels more alike than far ones. Each mark is the median of an equal number of \
                 edges; thin lines reach from the lower to the upper quartile{apart}.</figcaption></figure>"
            );
        }
    }
}

/// Words longer than this may be broken: on a narrow screen a heading holds about as much (own convention).
const LONG_WORD: usize = 16;
/// In tables, which have scroll boxes of their own, only what would make a sheet of paper too narrow.
const LONG_CELL: usize = 25;

/// Text whose words of more than `longest` letters may be broken, so that no name makes the page scroll sideways.
fn soft(text: &str, longest: usize) -> String {
    let word = |word: &str| {
        let letters: Vec<char> = word.chars().collect();
        if letters.len() <= longest {
            return escape(word);
        }
        let pieces: Vec<String> =
            letters.chunks(LONG_WORD).map(|piece| escape(&piece.iter().collect::<String>())).collect();
        pieces.join("<wbr>")
    };
    text.split(' ').map(word).collect::<Vec<_>>().join(" ")
}

/// A number stays on one line with its unit, and with what it is compared with.
fn unbroken(text: String) -> String {
    let comparison = |text: String, sign: &str| text.replace(&format!(" {sign} "), &format!("\u{a0}{sign}\u{a0}"));
    let text = comparison(comparison(text, "&lt;"), "=");
    text.replace("&lt; ", "&lt;\u{a0}").replace(" %", "\u{a0}%")
}

/// The text of a cell.
fn whole(cell: &str) -> String {
    unbroken(soft(cell, LONG_CELL))
}

fn header(cells: &[&str]) -> String {
    let cells: String = cells.iter().map(|cell| format!("<th scope=\"col\">{}</th>", whole(cell))).collect();
    format!("<thead><tr>{cells}</tr></thead>")
}

/// A row whose first cell is its name.
fn line(cells: &[String]) -> String {
    let mut cells = cells.iter();
    let first = cells.next().map(|cell| format!("<th scope=\"row\">{}</th>", whole(cell))).unwrap_or_default();
    let rest: String = cells.map(|cell| format!("<td class=\"n\">{}</td>", whole(cell))).collect();
    format!("<tr>{first}{rest}</tr>\n")
}

/// A table in a box that scrolls, by keys too; `label` names the box.
fn boxed(label: &str, head: &[&str], bodies: &str) -> String {
    format!(
        "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"{}\"><table>\n{}\n{bodies}</table></div>\n",
        escape(label),
        header(head)
    )
}

fn table(label: &str, head: &[&str], rows: &[Vec<String>]) -> String {
    let lines: String = rows.iter().map(|cells| line(cells)).collect();
    boxed(label, head, &format!("<tbody>\n{lines}</tbody>\n"))
}

/// All rows of `quality.tsv`, those of an atlas and measure below its name: so narrow that a sheet of paper has room.
fn numbers(rows: &[QcFcRow]) -> String {
    let head =
        ["censoring", "children", "edges", "median |r| (by chance)", "p < 0.05", "q < 0.05", "rho with distance"];
    let cells = |row: &QcFcRow| {
        let of = &row.summary;
        let mut median = figures(of.median_abs_r, 3);
        if row.chance_median().is_finite() {
            let _ = write!(median, " ({})", figures(row.chance_median(), 3));
        }
        vec![
            which(row),
            row.children.to_string(),
            row.summary.edges.to_string(),
            median,
            percent(of.share_p),
            percent(of.share_q),
            words::signed(row.distance.rho, 2),
        ]
    };
    by_kind("The same in numbers", &head, rows, cells)
}

/// Where the data stand among the shuffles of motion.
fn shuffled(rows: &[QcFcRow]) -> String {
    let head = [
        "censoring",
        "p of the median |r|",
        "p < 0.05 in nine of ten shuffles",
        "p of that share",
        "p of the share with q < 0.05",
        "p of rho with distance",
    ];
    let cells = |row: &QcFcRow| {
        let beyond = &row.beyond;
        let p = |p: f64| if p.is_finite() { p_words(p) } else { "n/a".to_owned() };
        let [low, _, high] = beyond.range_share_p;
        let range = if low.is_finite() { format!("{} to {}", percent(low), percent(high)) } else { "n/a".to_owned() };
        vec![which(row), p(beyond.median_abs_r), range, p(beyond.share_p), p(beyond.share_q), p(beyond.distance_rho)]
    };
    by_kind("Against motion shuffled among the children", &head, rows, cells)
}

/// `after, adjusted for age_months, sex`.
fn which(row: &QcFcRow) -> String {
    let adjusted = if row.adjusted_for.is_empty() {
        String::new()
    } else {
        format!(", adjusted for {}", row.adjusted_for.join(", "))
    };
    format!("{}{adjusted}", row.censoring.key())
}

/// A table with a body for each atlas and measure, below its name.
fn by_kind(label: &str, head: &[&str], rows: &[QcFcRow], cells: impl Fn(&QcFcRow) -> Vec<String>) -> String {
    let same = |a: &QcFcRow, b: &QcFcRow| a.atlas == b.atlas && a.measure == b.measure;
    let bodies: String = rows
        .chunk_by(same)
        .map(|rows| {
            let name = whole(&format!("{}, {}", rows[0].atlas, rows[0].measure));
            let lines: String = rows.iter().map(|row| line(&cells(row))).collect();
            format!(
                "<tbody>\n<tr class=\"own\"><th scope=\"rowgroup\" colspan=\"{}\">{name}</th></tr>\n{lines}</tbody>\n",
                head.len()
            )
        })
        .collect();
    boxed(label, head, &bodies)
}

/// What the figures behind the weights mean.
const COLUMNS_OF_WEIGHTS: &str = "\
    The SD between children is that of an average edge, beyond the noise of each child's own data. 0.00 means that \
    this noise alone explains how much children differ; children then count by their degrees of freedom alone. The \
    factor, over the degrees of freedom less 2, is the variance of that noise: about 1 for Pearson's r, whose \
    Fisher's z has this scale by itself. 0.00 means that children with fewer degrees of freedom are not noisier; all \
    then count alike. Of covariances, both are in units of the variance of an edge over children.";

/// Whether matrices of those who moved are noisier, and what each child counts.
fn noisier(body: &mut String, findings: &Findings<'_>) {
    let words = match findings.quality.request.weights {
        Weights::Variance => {
            "Each child counts by one over the variance of its edges: the variance between children, plus the factor \
             over the degrees of freedom that cleaning left, less 2. So all of the above holds although some matrices \
             are noisier."
        }
        Weights::Equal => "All children count alike, as asked for, so the above may find motion where there is none.",
    };
    let head = ["censoring", "noisier?", "SD between children", "factor", "weights of children: least to most"];
    let rows: Vec<Vec<String>> = findings
        .weightings
        .iter()
        .map(|of| {
            let (least, most) = of.children.iter().fold((f64::INFINITY, 0.0_f64), |(least, most), child| {
                (least.min(child.weight), most.max(child.weight))
            });
            let [sd, factor] = match of.how {
                Weights::Variance => [of.model.between.sqrt(), of.model.factor].map(|v| figures(v, 2)),
                Weights::Equal => ["–".to_owned(), "–".to_owned()],
            };
            let name = format!("{}, {}, {}", of.atlas, of.measure, of.censoring.key());
            vec![name, of.sentence(), sd, factor, format!("{} to {}", figures(least, 2), figures(most, 2))]
        })
        .collect();
    let title = "Are the matrices of those who moved noisier?";
    let _ = writeln!(body, "<h2>{title}</h2>\n<p>{words}</p>\n{}", table(title, &head, &rows));
    if findings.quality.request.weights == Weights::Variance {
        let _ = writeln!(body, "<p>{COLUMNS_OF_WEIGHTS}</p>");
    }
}

fn spread_words(spread: &Spread, times: f64, digits: usize) -> String {
    let [median, least, most] = [spread.median, spread.least, spread.most].map(|v| figures(times * v, digits));
    if spread.children == 0 { "n/a".to_owned() } else { format!("{median} ({least} to {most})") }
}

/// Median and range of minutes, frames and degrees of freedom.
fn kept(findings: &Findings<'_>) -> String {
    let mut rows: Vec<Vec<String>> = all_kept(findings)
        .iter()
        .map(|(censoring, [minutes, share, dof])| {
            vec![
                format!("{censoring} censoring"),
                spread_words(minutes, 1.0, 1),
                spread_words(share, 100.0, 0),
                spread_words(dof, 1.0, 1),
            ]
        })
        .collect();
    if let Some(lost) = dof_lost(findings) {
        let none = || "–".to_owned();
        rows.push(vec!["lost to censoring, per child".to_owned(), none(), none(), spread_words(&lost, 1.0, 1)]);
    }
    let over = format!("median (range) over {}", findings.quality.blocks.counted());
    let head = [over.as_str(), "minutes kept", "% of frames kept", "degrees of freedom"];
    table("What is left of the data", &head, &rows)
}

/// Groups side by side, and the tests.
fn groups(groups: &Groups) -> String {
    let mut out = String::new();
    let mut rows = Vec::new();
    for (at, (name, children)) in groups.groups.iter().enumerate() {
        let mut cells = vec![name.clone(), children.to_string()];
        for compared in &groups.compared {
            let of = compared.found.as_ref().ok().and_then(|found| found.groups.get(at));
            cells.push(of.map_or("n/a".to_owned(), |g| {
                let digits = if compared.unit == "mm" { 3 } else { 1 };
                let [mean, sd, median] = [g.mean, g.sd, g.median].map(|v| figures(v, digits));
                format!("{mean} ± {sd}; {median}")
            }));
        }
        rows.push(cells);
    }
    if !rows.is_empty() {
        let column = groups.column.clone().unwrap_or_default();
        let words: Vec<String> = groups
            .compared
            .iter()
            .map(|compared| format!("{}, {}: mean ± SD; median", compared.words, compared.unit))
            .collect();
        let head: Vec<&str> =
            [column.as_str(), "children"].into_iter().chain(words.iter().map(String::as_str)).collect();
        out += &table("Do the groups move alike?", &head, &rows);
    }
    let tests: String = groups
        .compared
        .iter()
        .map(|compared| {
            let words = match &compared.found {
                Ok(found) => words::tests_words(found),
                Err(why) => why.clone(),
            };
            format!("<li>{}: {}</li>", escape(compared.words), soft(&words, LONG_WORD))
        })
        .collect();
    if !tests.is_empty() {
        let _ = writeln!(out, "<ul>{tests}</ul>");
    }
    out
}

/// Each site before and after adjustment, where sites were adjusted.
fn sites(body: &mut String, findings: &Findings<'_>) {
    let figures: Vec<String> = findings
        .sites
        .iter()
        .filter_map(|shown| {
            let what = if shown.fisher_z { "Fisher's z" } else { "the value" };
            Some(format!(
                "<figure class=\"chart\">{}<figcaption>{}, {}: {what} of each site's children, averaged over {} of {} \
                 edges. Marks are means, lines reach one SD between children to both sides. Sites that differ in \
                 what is kept differ after adjustment too.</figcaption></figure>\n",
                picture(shown)?,
                soft(&shown.atlas, LONG_WORD),
                escape(shown.measure),
                shown.fitted,
                shown.edges
            ))
        })
        .collect();
    if !figures.is_empty() {
        let _ = writeln!(body, "<h2>The sites before and after adjustment</h2>\n{}", figures.concat());
    }
}

/// The mean matrices by network.
fn means(body: &mut String, findings: &Findings<'_>) {
    let figures: Vec<String> = findings
        .means
        .iter()
        .filter_map(|mean| {
            let how = match mean.fisher_z {
                true => "averaged as Fisher's z and converted back",
                false => "in percent², averaged as they are",
            };
            Some(format!(
                "<figure class=\"chart\">{}<figcaption>{}, {}: means over the edges within and between networks, \
                 {how}.{}</figcaption></figure>\n",
                chart::matrix(mean)?,
                soft(&mean.atlas, LONG_WORD),
                escape(mean.measure),
                soft(&networks_named(&mean.networks), LONG_WORD)
            ))
        })
        .collect();
    let words = if figures.is_empty() {
        "<p>The atlas names no networks to average over.</p>\n".to_owned()
    } else {
        figures.concat()
    };
    let _ = writeln!(body, "<h2>The mean matrix</h2>\n{words}");
}

/// The whole names of networks, where the picture has no room for one.
fn networks_named(networks: &[String]) -> String {
    if networks.iter().all(|name| chart::shortened(name) == *name) {
        return String::new();
    }
    let names: Vec<String> = networks.iter().enumerate().map(|(at, name)| format!("{} {name}", at + 1)).collect();
    format!(" Networks: {}.", names.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_words_may_be_broken_and_stay_text() {
        assert_eq!(soft("short words stay as they are", LONG_WORD), "short words stay as they are");
        let long = "abcdefghijklmno<br>&";
        assert_eq!(soft(long, LONG_WORD), "abcdefghijklmno&lt;<wbr>br&gt;&amp;");
        assert_eq!(soft(long, LONG_CELL), escape(long));
        assert_eq!(whole("p < 0.05 of 3.0 %"), "p\u{a0}&lt;\u{a0}0.05 of 3.0\u{a0}%");
    }
}
