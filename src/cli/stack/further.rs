//! The options of `keepstill stack` beyond the matrices, and what it says of them.

use std::fmt::Write;

use clap::Args;
use keepstill::group::groups::{Comparison, Effect};
use keepstill::stack::{
    AdjustSites, Alike, Amount, Equal, Further, Level, Match, Matched, StandardErrors, TestRequest,
};
use keepstill::tables::{figures, p_words};
use keepstill::units::Seconds;
use serde_json::Value;

use super::super::offers::{Offering, keys};
use super::super::out;

/// Equal data, matched groups, reliability, tests.
#[derive(Debug, Args)]
#[command(next_help_heading = "Equal data and matched groups")]
pub(super) struct Options {
    /// Compute each matrix anew from kept frames that last M minutes in total; file names then have EqualM.
    #[arg(long, value_name = "M", value_parser = above_zero, group = "equal_data")]
    equal_minutes: Option<f64>,
    /// The same from as many kept frames as leave D degrees of freedom: dof times the share of kept frames that is
    /// used; file names then have EqualDofD.
    #[arg(long, value_name = "D", value_parser = dof, group = "equal_data", allow_negative_numbers = true)]
    equal_dof: Option<f64>,
    /// Draw those frames in blocks of 30 s with this seed; by default the earliest are taken.
    #[arg(long, value_name = "SEED", requires = "equal_data", value_parser = seed, allow_negative_numbers = true)]
    draw: Option<u64>,
    /// Compute partial correlations anew with one shrinkage for all children, the median of their own, since those who
    /// kept less are shrunk more; file names then have Common.
    #[arg(long)]
    common_shrinkage: bool,
    /// Leave out children until groups have the same motion, with the choice that gives the group comparison most
    /// power. motion: the groups' means of mean FD lie within the caliper; motion-pairs: each child has a partner in
    /// every other group within the caliper.
    #[arg(long = "match", value_name = "WHAT", hide_possible_values = true,
        value_parser = Offering::new(alike, || keys(&ALIKE.map(Alike::key))))]
    matching: Option<Alike>,
    /// Column of cohort.tsv with the groups to match, and to compare in motion and minutes [default: group, if there is
    /// one].
    #[arg(long, value_name = "COLUMN")]
    pub(super) group: Option<String>,
    /// How far apart, in mm of mean FD, the means or the children of a pair may be [default: 0.1 (motion) or 0.2
    /// (motion-pairs) of the SD within groups].
    #[arg(long, value_name = "MM", requires = "matching", value_parser = caliper, allow_negative_numbers = true)]
    caliper: Option<f64>,
    /// Write how well the halves of each child's data agree, and the curve of agreement against minutes.
    #[arg(long, help_heading = "Reliability")]
    reliability: bool,
    /// Write the standard error of each child's edges, from blocks of kept frames drawn with replacement.
    #[arg(long, help_heading = "Reliability")]
    standard_errors: bool,
    /// How often blocks are drawn.
    #[arg(long, value_name = "N", requires = "standard_errors", default_value = "200", help_heading = "Reliability",
        value_parser = resamples, allow_negative_numbers = true)]
    resamples: u32,
    /// Length of those blocks, s.
    #[arg(long, value_name = "S", requires = "standard_errors", default_value = "60", help_heading = "Reliability",
        value_parser = block_seconds)]
    block_seconds: f64,
    /// Take the location and scale of each site in this column of cohort.tsv out of every edge, shrunk by empirical
    /// Bayes; file names then have Adjusted.
    #[arg(long, value_name = "COLUMN", help_heading = "Sites")]
    adjust_sites: Option<String>,
    /// Columns whose effects stay, such as "age_months + sex".
    #[arg(long, value_name = "TERMS", requires = "adjust_sites", help_heading = "Sites")]
    keep: Option<String>,
    /// Fit a linear model to each edge, such as "z ~ age + sex + mean_fd_mm": z, r or covariance, by columns of
    /// children.tsv.
    #[arg(long, value_name = "FORMULA", help_heading = "Tests")]
    test: Option<String>,
    /// What to test: each edge, or for each pair of networks the mean of its edges (Fisher's z, r or covariance):
    /// edges, networks.
    #[arg(long, value_name = "WHAT", requires = "test", default_value = "edges", help_heading = "Tests",
        hide_possible_values = true,
        value_parser = Offering::new(level, || keys(&Level::ALL.map(Level::key))))]
    level: Level,
    /// Write connected sets of edges whose |t| is above T, with p from the largest set of each permutation; single
    /// edges of a set are not shown to differ.
    #[arg(long, value_name = "T", requires_all = ["test", "permutations"], help_heading = "Tests",
        value_parser = threshold, allow_negative_numbers = true)]
    edge_sets: Option<f64>,
    /// Test only this term, column or coefficient; may be given more than once [default: all but the intercept].
    #[arg(long, value_name = "TERM", requires = "test", help_heading = "Tests")]
    of: Vec<String>,
    /// Number of permutations for family-wise p; 0: none.
    #[arg(long, value_name = "N", requires = "test", default_value = "0", help_heading = "Tests",
        value_parser = permutations, allow_negative_numbers = true)]
    permutations: u32,
    /// Permute only this term, column or coefficient; may be given more than once [default: all that are tested].
    #[arg(long, value_name = "TERM", requires_all = ["test", "permutations"], help_heading = "Tests")]
    permute: Vec<String>,
    /// Seed for --standard-errors and --permutations.
    #[arg(long, value_name = "SEED", default_value = "1", help_heading = "Tests", value_parser = seed,
        allow_negative_numbers = true)]
    seed: u64,
}

fn above_zero(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(minutes) if minutes > 0.0 && minutes.is_finite() => Ok(minutes),
        _ => Err("expected minutes above 0, such as 5 or 7.5".to_owned()),
    }
}

fn dof(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(dof) if dof > 0.0 && dof.is_finite() => Ok(dof),
        _ => Err("expected degrees of freedom above 0, such as 20".to_owned()),
    }
}

fn seed(text: &str) -> Result<u64, String> {
    text.trim().parse().map_err(|_| "expected a whole number, 0 or more, such as 1".to_owned())
}

fn permutations(text: &str) -> Result<u32, String> {
    text.trim().parse().map_err(|_| "expected a whole number of permutations, 0 or more, such as 1000".to_owned())
}

fn resamples(text: &str) -> Result<u32, String> {
    let number = text.trim().parse().ok().filter(|number| *number >= 2);
    number.ok_or_else(|| "expected a whole number of draws, 2 or more, such as 200".to_owned())
}

fn block_seconds(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(seconds) if seconds > 0.0 && seconds.is_finite() => Ok(seconds),
        _ => Err("expected seconds above 0, such as 60".to_owned()),
    }
}

const ALIKE: [Alike; 2] = [Alike::Means, Alike::Pairs];

fn alike(text: &str) -> Result<Alike, String> {
    let known = ALIKE.into_iter().find(|alike| alike.key() == text);
    known.ok_or_else(|| "expected motion or motion-pairs".to_owned())
}

fn level(text: &str) -> Result<Level, String> {
    let known = Level::ALL.into_iter().find(|level| level.key() == text);
    known.ok_or_else(|| "expected edges or networks".to_owned())
}

fn threshold(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(t) if t > 0.0 && t.is_finite() => Ok(t),
        _ => Err("expected a t above 0, such as 3".to_owned()),
    }
}

fn caliper(text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(mm) if mm >= 0.0 && mm.is_finite() => Ok(mm),
        _ => Err("expected millimetres, 0 or more, such as 0.05".to_owned()),
    }
}

impl Options {
    /// As the library takes them.
    pub(super) fn further(&self) -> Further {
        let equal = |amount| Equal { amount, draw: self.draw };
        Further {
            equal: self.equal_minutes.map(Amount::Minutes).or(self.equal_dof.map(Amount::Dof)).map(equal),
            common_shrinkage: self.common_shrinkage,
            matching: self.matching.map(|alike| Match { alike, group: self.group.clone(), caliper_mm: self.caliper }),
            reliability: self.reliability,
            standard_errors: self.standard_errors.then_some(StandardErrors {
                resamples: self.resamples as usize,
                seed: self.seed,
                block: Seconds(self.block_seconds),
            }),
            test: self.test.as_ref().map(|formula| TestRequest {
                formula: formula.clone(),
                of: self.of.clone(),
                permutations: self.permutations as usize,
                permute: self.permute.clone(),
                seed: self.seed,
                level: self.level,
                edge_sets: self.edge_sets,
            }),
            sites: self
                .adjust_sites
                .as_ref()
                .map(|column| AdjustSites { column: column.clone(), keep: self.keep.clone() }),
        }
    }
}

/// What was made beyond the matrices, in words.
pub(super) fn text(matched: Option<&Matched>, about: &Value) -> String {
    let mut text = String::new();
    if let Some(matched) = matched {
        let what = match matched.alike {
            Alike::Means => "means",
            Alike::Pairs => "the children of a pair",
        };
        let of_sd =
            matched.caliper_of_sd.map_or(String::new(), |share| format!(" ({share} of the SD within groups before)"));
        let caliper = figures(matched.caliper_mm, 4);
        let _ = writeln!(text, "Mean FD by {}, {what} within {caliper} mm{of_sd}:", matched.group);
        groups(&mut text, "before", &matched.before);
        if let Some(after) = &matched.after {
            groups(&mut text, "after", after);
        }
    }
    if !about["reliability"].is_null() {
        text.push_str("Reliability: reliability.tsv, agreement.tsv, agreement_summary.tsv.\n");
    }
    for array in list(&about["sessions"]["arrays"]) {
        let number = |key: &str| array[key].as_f64().map_or("n/a".to_owned(), |value| figures(value, 2));
        let _ = writeln!(
            text,
            "Between sessions, {} {}: median ICC(2,1) {}, ICC(3,1) {} over edges, of {} ({}).",
            array["atlas"].as_str().unwrap_or_default(),
            array["measure"].as_str().unwrap_or_default(),
            number("median_icc_2_1"),
            number("median_icc_3_1"),
            out::counted(about["sessions"]["children"].as_u64().unwrap_or_default() as usize, "child", "children"),
            list(&array["files"]).iter().filter_map(Value::as_str).collect::<Vec<_>>().join(", ")
        );
    }
    if !about["standard_errors"].is_null() {
        let arrays = list(&about["standard_errors"]["arrays"]).iter();
        let files = arrays.flat_map(|array| list(&array["files"])).filter_map(|file| file["file"].as_str());
        let _ = writeln!(text, "Standard errors: {}.", files.collect::<Vec<_>>().join(", "));
    }
    let test = &about["test"];
    if !test.is_null() {
        let word = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        let _ = writeln!(
            text,
            "Test {}: {}{}, {}{} (see test.json).",
            word(&test["formula"]),
            out::counted(count(&test["children"]), "child", "children"),
            if test["rows"] == test["children"] { String::new() } else { format!(" ({} rows)", test["rows"]) },
            out::counted(count(&test["dof"]), "degree of freedom", "degrees of freedom"),
            if test["blocks"] == test["rows"] { "" } else { " if rows were independent" },
        );
        let level = Level::ALL.into_iter().find(|level| test["level"] == level.key());
        let [one, many] = level.unwrap_or(Level::Edges).words();
        let _ = writeln!(
            text,
            "q and family-wise p are corrected over the {many} that at least half of the {} have, of one coefficient \
             of one atlas and measure, not for there being several of these.",
            if test["rows"] == test["children"] { "children" } else { "rows" }
        );
        for array in list(&test["arrays"]) {
            let start = format!("{} {}", word(&array["atlas"]), word(&array["measure"]));
            for coefficient in list(&array["coefficients"]) {
                let name = word(&coefficient["name"]);
                let _ = writeln!(text, "{start} {name}: {}", found(coefficient, [one, many]));
                let sets = &coefficient["edge_sets"];
                if !sets.is_null() {
                    let _ = writeln!(
                        text,
                        "{start} {name}: {} of {} with p < 0.05 by excess",
                        sets["sets_p_excess_below_0.05"],
                        out::counted(count(&sets["sets"]), "edge set", "edge sets")
                    );
                }
            }
            for term in list(&array["terms"]) {
                let _ = writeln!(text, "{start} {}, F: {}", word(&term["name"]), found(term, [one, many]));
            }
        }
    }
    text
}

/// How many edges were called by the test of a coefficient or term.
fn found(test: &Value, [one, many]: [&str; 2]) -> String {
    if count(&test["edges_tested"]) == 0 {
        return format!("tested on no {one}");
    }
    let tested = out::counted(count(&test["edges_tested"]), one, many);
    let family = &test["edges_p_familywise_below_0.05"];
    let family = if family.is_null() {
        String::new()
    } else {
        format!(", {family} of {} with family-wise p < 0.05", test["family"])
    };
    match test["edges_q_below_0.05"].as_u64() {
        Some(called) => format!("{called} of {tested} with q < 0.05{family}"),
        None => format!("q is n/a on all of {tested} (the notes say why){family}"),
    }
}

fn count(value: &Value) -> usize {
    value.as_u64().unwrap_or_default() as usize
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map(Vec::as_slice).unwrap_or_default()
}

fn groups(text: &mut String, when: &str, groups: &Comparison) {
    let each: Vec<String> = groups
        .groups
        .iter()
        .map(|g| {
            format!(
                "{} {} {} mm (SD {})",
                g.name,
                out::counted(g.children, "child", "children"),
                figures(g.mean, 3),
                figures(g.sd, 3)
            )
        })
        .collect();
    let (name, effect) = match groups.effect {
        Effect::HedgesG(g) => ("Hedges's g", g),
        Effect::OmegaSquared(omega) => ("omega squared", omega),
    };
    let _ = writeln!(
        text,
        "  {when}: {}; Welch p {}, {name} {}",
        each.join(", "),
        p_words(groups.welch.p()),
        figures(effect, 2)
    );
}
