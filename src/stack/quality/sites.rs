//! Each site's children before and after adjustment: a picture and what `quality.json` says.

use std::fmt::Write;

use serde_json::{Value, json};

use super::chart::shortened;
use super::words::signed;
use crate::group::site_effects::MeanAndSd;
use crate::pages::kit::chart::{Plot, Scale, begin, mark, text};
use crate::report::figures;
use crate::stack::gather::adjust::Adjusted;
use crate::stack::gather::kind::Kind;

/// One atlas and measure.
#[derive(Debug)]
pub(crate) struct SitesShown {
    pub atlas: String,
    /// The measure's word.
    pub measure: &'static str,
    pub fisher_z: bool,
    pub sites: Vec<SiteShown>,
    pub edges: usize,
    /// Edges that every site has children enough for.
    pub fitted: usize,
}

/// One site.
#[derive(Debug)]
pub(crate) struct SiteShown {
    pub site: String,
    pub children: usize,
    pub before: MeanAndSd,
    pub after: MeanAndSd,
}

impl SitesShown {
    pub(crate) fn of(kind: &Kind, adjusted: &Adjusted, after: &[MeanAndSd]) -> Self {
        let sites = &adjusted.effects.sites;
        let of = |((site, children), (&before, &after)): ((&String, usize), (&MeanAndSd, &MeanAndSd))| SiteShown {
            site: site.clone(),
            children,
            before,
            after,
        };
        Self {
            atlas: kind.atlas.clone(),
            measure: kind.measure.key(),
            fisher_z: kind.measure.is_correlation(),
            sites: sites
                .names
                .iter()
                .zip(sites.children.iter().copied())
                .zip(adjusted.before.iter().zip(after))
                .map(of)
                .collect(),
            edges: adjusted.effects.mean.len(),
            fitted: adjusted.effects.fitted(),
        }
    }

    pub(super) fn told(&self) -> Value {
        let number = |value: f64| if value.is_finite() { json!(value) } else { Value::Null };
        let pair = |of: &MeanAndSd| json!({ "mean": number(of.mean), "sd": number(of.sd) });
        let each: Vec<Value> = self
            .sites
            .iter()
            .map(|of| {
                let [before, after] = [&of.before, &of.after].map(pair);
                json!({ "site": of.site, "children": of.children, "before": before, "after": after })
            })
            .collect();
        json!({
            "atlas": self.atlas,
            "measure": self.measure,
            "values": if self.fisher_z { "fisher_z" } else { "as_in_matrix" },
            "edges": self.edges,
            "edges_fitted": self.fitted,
            "sites": each,
        })
    }
}

const LEFT: f64 = 230.0;
const RIGHT: f64 = 700.0;
const TOP: f64 = 56.0;
/// Height of a site: two lines, with room for its name in large letters.
const ROW: f64 = 44.0;

/// The mean of each site with its SD to both sides, before and after; empty where nothing was fitted.
pub(super) fn picture(shown: &SitesShown) -> Option<String> {
    let ends = || {
        let both = shown.sites.iter().flat_map(|of| [of.before, of.after]);
        both.flat_map(|of| [of.mean - of.sd, of.mean + of.sd])
    };
    if shown.fitted == 0 || ends().any(|end| !end.is_finite()) {
        return None;
    }
    let (low, high) = ends().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), end| (low.min(end), high.max(end)));
    let room = (0.05 * (high - low)).max(f64::MIN_POSITIVE);
    let x = Scale { from: low - room, to: high + room, start: LEFT, end: RIGHT };
    let plot = Plot { left: LEFT, right: RIGHT, top: TOP, bottom: TOP + ROW * shown.sites.len() as f64 };
    let digits = if shown.fisher_z { 3 } else { 4 };
    let words = |of: &MeanAndSd| format!("mean {}, SD {}", signed(of.mean, digits), figures(of.sd, digits));
    let mut label = "Mean and SD of each site's children, before and after adjustment.".to_owned();
    for of in &shown.sites {
        let _ = write!(label, " {}: before {}, after {}.", of.site, words(&of.before), words(&of.after));
    }
    let mut svg = begin(&label, plot.height());
    let name = if shown.fisher_z { "Fisher's z: mean and SD over children" } else { "mean and SD over children" };
    plot.axes(&mut svg, (name, &x.ticks()), ("", &[]));
    for (class, words, at) in [(1, "before adjustment", 0.0), (0, "after adjustment", 280.0)] {
        let _ = writeln!(svg, "<path class=\"line kept-{class}\" d=\"M{at:.1} 20h36\"/>");
        mark(&mut svg, class, at + 18.0, 20.0);
        text(&mut svg, [at + 44.0, 26.0], "start", words);
    }
    for (row, of) in shown.sites.iter().enumerate() {
        let middle = TOP + ROW * (row as f64 + 0.5);
        text(&mut svg, [LEFT - 10.0, middle + 5.0], "end", &shortened(&of.site));
        for (class, of, y) in [(1, &of.before, middle - 9.0), (0, &of.after, middle + 9.0)] {
            let (from, to) = (x.at(of.mean - of.sd), x.at(of.mean + of.sd));
            let _ = writeln!(svg, "<path class=\"line kept-{class}\" d=\"M{from:.1} {y:.1}H{to:.1}\"/>");
            mark(&mut svg, class, x.at(of.mean), y);
        }
    }
    Some(svg + "</svg>")
}
