//! `quality.html`: the question, the answer in plain words, the pictures, and every number. Self-contained, no script.

use std::fmt::Write;

use super::before::Before;
use super::groups::Groups;
use super::rows::Row;
use super::told::{Spread, all_kept, dof_lost};
use super::words::{self, p_words, percent};
use super::{Findings, chart};
use crate::report::{document, escape, figures};

/// The whole page.
pub(super) fn page(findings: &Findings<'_>) -> String {
    let name = findings.settings().and_then(|s| s["study"]["name"].as_str()).unwrap_or("A stack of children");
    let mut body = format!(
        "<p class=\"study\">{}</p>\n<h1>Is it just motion?</h1>\n<p class=\"verdict\">{}</p>\n",
        escape(name),
        escape(&findings.answer)
    );
    let command = findings.before.command(findings.settings());
    if let (Before::None(why), Some(command)) = (&findings.before, command) {
        let _ = writeln!(
            body,
            "<p class=\"problem\">Shown is what there is after censoring alone: {}. What to compare it with is made by <code>{}</code> (STUDY is the study file); then stack again.</p>",
            escape(why),
            escape(&command)
        );
    }
    if let Some(trap) = words::trap(&findings.quality.groups) {
        let _ = writeln!(body, "<p class=\"problem\">{}.</p>", escape(&words::capital(&trap)));
    }
    kinds(&mut body, findings);
    let _ = writeln!(body, "<h2>The same in numbers</h2>\n{}", numbers(&findings.rows));
    let _ = writeln!(body, "<h2>What is left of the data</h2>\n{}", kept(findings));
    let _ = writeln!(
        body,
        "<h2>Do the groups move alike?</h2>\n<p>{}</p>\n{}",
        escape(&words::groups_sentence(&findings.quality.groups)),
        groups(&findings.quality.groups)
    );
    means(&mut body, findings);
    let items = |texts: &[String]| texts.iter().map(|text| format!("<li>{}</li>", escape(text))).collect::<String>();
    let left_out = words::LEFT_OUT.map(str::to_owned);
    let _ = writeln!(body, "<h2>What these numbers leave out</h2>\n<ul>{}</ul>", items(&left_out));
    let noted: Vec<String> = findings.notes.iter().map(|note| words::capital(note)).collect();
    if !noted.is_empty() {
        let _ = writeln!(body, "<details><summary>Notes</summary>\n<ul>{}</ul></details>", items(&noted));
    }
    let settings = findings.settings_told().as_ref().map(crate::outputs::pretty).unwrap_or_default();
    let _ = write!(
        body,
        "<details><summary>Settings and version</summary>\n<p>keepstill {}</p>\n<pre>{}</pre></details>\n",
        env!("CARGO_PKG_VERSION"),
        escape(&settings)
    );
    document(&format!("{name} – is it just motion?"), &body)
}

/// Pictures of each atlas and measure; more than one are told apart by a heading and a sentence.
fn kinds(body: &mut String, findings: &Findings<'_>) {
    let mut seen: Vec<(&str, &str)> = Vec::new();
    for row in &findings.rows {
        if !seen.contains(&(&row.atlas, &row.measure)) {
            seen.push((&row.atlas, &row.measure));
        }
    }
    let several = seen.len() > 1;
    for (atlas, measure) in seen {
        let (main, before) = words::pair(&findings.rows, atlas, measure);
        let rows: Vec<&Row> = main.into_iter().chain(before).collect();
        if several {
            let facts = &findings.quality.children.facts;
            let answer = words::answer_of(&findings.rows, atlas, measure, facts);
            let title = format!("{atlas}, {measure}");
            let _ = writeln!(body, "<h2>{}</h2>\n<p>{}</p>", escape(&title), escape(&answer));
        }
        let what = if rows.iter().any(|row| row.fisher_z) { "Fisher's z" } else { "the value" };
        if let Some(svg) = chart::histogram(&rows) {
            let _ = writeln!(
                body,
                "<figure class=\"chart\">{svg}<figcaption>Of each edge, the correlation over children of {what} ({}, {}) with mean framewise displacement, against what chance alone gives.</figcaption></figure>",
                escape(measure),
                escape(atlas)
            );
        }
        if let Some(svg) = chart::distance(&rows) {
            let _ = writeln!(
                body,
                "<figure class=\"chart\">{svg}<figcaption>The same correlations by the distance between parcels: motion makes near parcels more alike than far ones. Each mark holds as many edges.</figcaption></figure>"
            );
        }
    }
}

fn header(cells: &[&str]) -> String {
    let cells: String = cells.iter().map(|cell| format!("<th scope=\"col\">{}</th>", escape(cell))).collect();
    format!("<thead><tr>{cells}</tr></thead>")
}

fn table(head: &[&str], rows: &[Vec<String>]) -> String {
    let line = |cells: &Vec<String>| {
        let mut cells = cells.iter();
        let first = cells.next().map(|cell| format!("<th scope=\"row\">{}</th>", escape(cell))).unwrap_or_default();
        // A number stays on one line with its sign and unit.
        let whole = |cell: &str| cell.replace(" %", "\u{a0}%").replace("< ", "<\u{a0}");
        let rest: String = cells.map(|cell| format!("<td class=\"n\">{}</td>", escape(&whole(cell)))).collect();
        format!("<tr>{first}{rest}</tr>\n")
    };
    format!(
        "<div class=\"wide\"><table>\n{}\n<tbody>\n{}</tbody>\n</table></div>\n",
        header(head),
        rows.iter().map(line).collect::<String>()
    )
}

/// All rows of `quality.tsv`.
fn numbers(rows: &[Row]) -> String {
    let head = [
        "atlas, measure",
        "censoring",
        "taken out",
        "children",
        "edges",
        "median |r|",
        "by chance",
        "p < 0.05",
        "q < 0.05",
        "with distance: rho",
        "p",
    ];
    let line = |row: &Row| {
        let taken_out = if row.adjusted_for.is_empty() { "nothing".to_owned() } else { row.adjusted_for.join(", ") };
        let of = &row.summary;
        vec![
            format!("{}, {}", row.atlas, row.measure),
            row.censoring.key().to_owned(),
            taken_out,
            row.children.to_string(),
            row.summary.edges.to_string(),
            figures(of.median_abs_r, 3),
            figures(row.chance_median(), 3),
            percent(of.share_p),
            percent(of.share_q),
            words::signed(row.distance.rho, 2),
            p_words(row.distance.p),
        ]
    };
    table(&head, &rows.iter().map(line).collect::<Vec<_>>())
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
        rows.push(vec!["lost by censoring, of each child".to_owned(), none(), none(), spread_words(&lost, 1.0, 1)]);
    }
    let head = ["median (range) over children", "minutes kept", "% of frames kept", "degrees of freedom"];
    table(&head, &rows)
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
        out += &table(&head, &rows);
    }
    let tests: String = groups
        .compared
        .iter()
        .map(|compared| {
            let words = match &compared.found {
                Ok(found) => words::tests_words(found),
                Err(why) => why.clone(),
            };
            format!("<li>{}: {}</li>", escape(compared.words), escape(&words))
        })
        .collect();
    if !tests.is_empty() {
        let _ = writeln!(out, "<ul>{tests}</ul>");
    }
    out
}

/// The mean matrices by network.
fn means(body: &mut String, findings: &Findings<'_>) {
    let figures: Vec<String> = findings
        .means
        .iter()
        .filter_map(|mean| {
            let how = if mean.fisher_z { "averaged as Fisher's z and turned back" } else { "averaged as they are" };
            Some(format!(
                "<figure class=\"chart\">{}<figcaption>{}, {}: means over the edges within and between networks, {how}.</figcaption></figure>\n",
                chart::matrix(mean)?,
                escape(&mean.atlas),
                escape(&mean.measure)
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
