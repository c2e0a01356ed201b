//! How far each child's covariance was shrunk for partial correlations, and `--common-shrinkage`.
//!
//! Ledoit & Wolf's shrinkage ([`crate::connectivity::ledoit_wolf`]) is larger the fewer frames there are, and a larger
//! one draws partial correlations to 0: so children who kept less have smaller ones, whatever their brains do, and
//! weights do not change that. `children.tsv` has each child's shrinkage (column `shrinkage_A` of atlas A). With
//! `--common-shrinkage` all children's partial correlations are worked out anew with one shrinkage per atlas, the
//! median over the children in the stack (own convention): what then differs between children is not the shrinkage.
//! Those with less data are noisier for it, which weights take up.

use rayon::prelude::*;

use super::children::{Child, GatheredChildren, Shrinkage};
use super::equal;
use super::error::{RunsError, StackError};
use super::folders::Folders;
use super::parcels::StackedAtlas;
use super::runs::JoinedRuns;
use crate::group::quality::rank_correlation;
use crate::group::quantile;
use crate::results::Report;
use crate::study::settings::Measure;

/// The shrinkage of each atlas with partial correlations; `common`: whether all children get the same.
pub(crate) fn find(
    results: &Folders,
    common: bool,
    atlases: &[StackedAtlas],
    found: &GatheredChildren,
) -> Result<Vec<Shrinkage>, StackError> {
    let partial: Vec<&StackedAtlas> = atlases
        .iter()
        .filter(|atlas| found.kinds.iter().any(|kind| kind.atlas == atlas.name && kind.measure == Measure::Partial))
        .collect();
    if partial.is_empty() {
        return if common { Err(StackError::NoPartial) } else { Ok(Vec::new()) };
    }
    let of_children: Vec<Result<Vec<f64>, StackError>> =
        found.children.par_iter().map(|child| of_child(results, &partial, found, child)).collect();
    let of_children = of_children.into_iter().collect::<Result<Vec<_>, StackError>>()?;
    let of_atlas = |(at, atlas): (usize, &&StackedAtlas)| {
        let children: Vec<f64> = of_children.iter().map(|own| own[at]).collect();
        let mut known: Vec<f64> = children.iter().copied().filter(|own| own.is_finite()).collect();
        known.sort_by(f64::total_cmp);
        let common = (common && !known.is_empty()).then(|| quantile(&known, 0.5));
        Shrinkage { atlas: atlas.name.clone(), children, common }
    };
    Ok(partial.iter().enumerate().map(of_atlas).collect())
}

/// One child's, of each of these atlases: as its report has it, or of the frames that are used.
fn of_child(
    results: &Folders,
    atlases: &[&StackedAtlas],
    found: &GatheredChildren,
    child: &Child,
) -> Result<Vec<f64>, StackError> {
    if found.equal.is_none() {
        let report = Report::read(&child.report(results)).map_err(|source| RunsError::Report { source })?;
        let of = |atlas: &&StackedAtlas| {
            let own = report.joined.shrinkage.iter().find(|own| own.atlas == atlas.name);
            own.map_or(f64::NAN, |own| own.shrinkage)
        };
        return Ok(atlases.iter().map(of).collect());
    }
    let runs = JoinedRuns::read(results, child)?;
    let rows = equal::rows(found, child, &runs)?;
    let of = |atlas: &&StackedAtlas| {
        let own = runs.series(atlas, rows.as_deref())?.shrinkage().map_err(|source| runs.linalg(source))?;
        Ok(own.unwrap_or(f64::NAN))
    };
    atlases.iter().map(of).collect()
}

/// What to know of partial correlations; `header`: that of the cohort table.
pub(crate) fn notes(found: &GatheredChildren, header: &[String]) -> Vec<String> {
    let column = header.iter().position(|name| name == "minutes_kept");
    let kept = |child: &Child| column.and_then(|at| child.cells.split('\t').nth(at)?.parse().ok()).unwrap_or(f64::NAN);
    let minutes = |child: &Child| child.used.map_or_else(|| kept(child), |used| used.minutes);
    let minutes: Vec<f64> = found.children.iter().map(minutes).collect();
    let told = |own: &Shrinkage| {
        let known = || own.children.iter().copied().filter(|own| own.is_finite());
        let (least, most) = (known().fold(f64::INFINITY, f64::min), known().fold(0.0, f64::max));
        let words = |value: f64| crate::tables::figures(value, 2);
        match own.common {
            Some(common) => Some(format!(
                "partial correlations of atlas {} have the common shrinkage {}, the median of the children's own ({} \
                 to {}); --reliability and --standard-errors go by each child's own",
                own.atlas,
                words(common),
                words(least),
                words(most)
            )),
            None if most > least => Some(format!(
                "partial correlations of atlas {} are shrunk by {} to {}{}; those that are shrunk more are smaller for \
                 it: compare with --common-shrinkage, or with another measure",
                own.atlas,
                words(least),
                words(most),
                with_minutes(&own.children, &minutes)
                    .map_or(String::new(), |rho| format!("; rank correlation with minutes kept {}", words(rho)))
            )),
            None => None,
        }
    };
    found.shrinkage.iter().filter_map(told).collect()
}

/// Rank correlation of shrinkage with minutes kept; none where one of them does not vary.
fn with_minutes(shrinkage: &[f64], minutes: &[f64]) -> Option<f64> {
    let both = shrinkage.iter().zip(minutes).filter(|(own, minutes)| own.is_finite() && minutes.is_finite());
    let (own, minutes): (Vec<f64>, Vec<f64>) = both.unzip();
    Some(rank_correlation(&own, &minutes)).filter(|rho| rho.is_finite())
}
