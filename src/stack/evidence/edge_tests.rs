//! `--test "z ~ age + sex"`: one linear model per edge, with the stack's children as they are in `children.tsv`.
//!
//! The formula is understood as in [`crate::group::formula`], fitted as in [`crate::group::edge_tests`]. q is by
//! Benjamini & Hochberg over the edges of one coefficient; family-wise p is by permutation with the largest |t|
//! over the same edges, so each coefficient is a family of its own. Children with an empty cell in a column of the
//! formula are left out of the test, not of the stack. `z` is Fisher's z of the stacked 32-bit correlations, itself as
//! 32-bit float: the numbers of `--fisher-z`. `z ~` and `r ~` test correlations, `covariance ~` covariances as they are
//! stacked. With `--level networks` the same is done on each child's mean edge of each pair of networks. Unlike the
//! stack itself, a test holds the edges of one atlas and measure in memory: 4 bytes per edge and child.

mod about;
pub(super) mod data;
mod edge_notes;
mod least;
mod notes;
mod places;
pub(crate) mod prepared;
mod sets;
mod terms;
mod written;

use ndarray::ArrayView2;
use serde_json::Value;

use crate::group::edge_sets::Pairs;
use crate::group::edge_tests::{EdgeTestError, fit_in_blocks, fit_joint, scatter};
use crate::group::exchange::Exchange;
use crate::group::formula::{Design, Response};
use crate::group::multiple::benjamini_hochberg;
use crate::group::permutation::{Draws, edge_sets, permutation_test, permutation_test_joint};
use crate::group::weights::{Scale, VarianceModel};
use crate::outputs::pretty;
use crate::stack::arrays::whole::Whole;
use crate::stack::gather::adjust::Adjusted;
use crate::stack::gather::block::Source;
use crate::stack::gather::error::{StackError, TestError};
use crate::stack::gather::request::{Level, Weights};
use crate::stack::gather::step::Step;
use crate::stack::gather::work::Work;
use crate::stack::quality::weighting::model_told;
use edge_notes::TestedEdges;
use places::TestedPlaces;
use prepared::{PreparedTest, Tested, TestedTerm};

/// Fits every atlas and measure and writes tables, matrices and `test.json`; returns what is in the last.
pub(crate) fn write(
    work: &Work<'_>,
    prepared: &PreparedTest,
    weights: Weights,
    sampling: &[f64],
    sites: &[Option<Adjusted>],
    files: &mut Vec<Whole>,
) -> Result<Value, StackError> {
    let Work { results, folder, found, atlases, tell, .. } = *work;
    let PreparedTest { wanted, formula, design, .. } = prepared;
    let sampling: Vec<f64> = design.rows.iter().map(|&row| sampling[row]).collect();
    let z = formula.response == Response::FisherZ;
    let draws = Draws { count: wanted.permutations, seed: wanted.seed };
    let (mut told, mut notes) = (Vec::new(), prepared.notes.clone());
    for (at, kind) in found.kinds.iter().enumerate().filter(|(_, kind)| formula.response.is_of(kind.measure)) {
        let Some(atlas) = atlases.iter().find(|atlas| atlas.name == kind.atlas) else { continue };
        let places = TestedPlaces::of(wanted.level, atlas)?;
        let name = places.name(&found.name(kind));
        let adjust = sites.get(at).and_then(Option::as_ref).map(|adjusted| &adjusted.effects);
        let source = Source { results, found, kind: at, atlas, adjust };
        let data = places.values(data::edges(&source, &design.rows, z)?);
        let fail = |source| TestError::Edges { name: name.clone(), source };
        // The variance of r itself falls as |r| rises, that of a covariance rises with the parcels' variances, and that
        // of a mean falls as its edges are more: each has a scale of its own.
        let scale = if z && wanted.level == Level::Edges { Scale::FisherZ } else { Scale::OfEachEdge };
        let model = variance(design, data.view(), weights, &sampling, scale).map_err(fail)?;
        let classes = model.weighted(&sampling);
        let fits = fit_in_blocks(design.matrix.view(), &design.names, data.view(), &classes, &prepared.blocks);
        let mut fits = fits.map_err(fail)?;
        least::take_away(&mut fits, data.nrows());
        let mut tests = Vec::new();
        for (place, &coefficient) in prepared.tested.iter().enumerate() {
            let what = format!("testing {}, {}", kind.atlas, kind.measure.key());
            tell(&Step { what, done: place, of: prepared.tested.len(), unit: "coefficients" });
            let (matrix, names) = (design.matrix.view(), &design.names);
            let permute = |(_, exchange): &(usize, Exchange)| {
                permutation_test(matrix, names, coefficient, data.view(), &classes, exchange, draws)
            };
            let exchanged = prepared.permuted.iter().find(|(permuted, _)| *permuted == coefficient);
            let permuted = exchanged.map(permute).transpose().map_err(fail)?;
            let q = benjamini_hochberg(&fits.p.row(coefficient).to_vec());
            let of_sets = |(threshold, (_, exchange)): (f64, &(usize, Exchange))| {
                let graph = (&Pairs::of_parcels(places.nodes.len()), threshold);
                edge_sets(matrix, names, coefficient, data.view(), &classes, (exchange, draws), graph)
            };
            let sets = wanted.edge_sets.zip(exchanged).map(of_sets).transpose().map_err(fail)?;
            tests.push(Tested { coefficient, q, permuted, sets });
        }
        let mut joint = Vec::new();
        for (place, term) in prepared.joint.iter().enumerate() {
            let (matrix, of) = (design.matrix.view(), &term.coefficients);
            let mut fits = fit_joint(matrix, of, data.view(), &classes, &fits).map_err(fail)?;
            if !prepared.blocks.are_single() {
                // Rows of one block are related, and no formula for F here takes that into account.
                fits.p.fill(f64::NAN);
            }
            let permute = |exchange: &Exchange| {
                permutation_test_joint(matrix, &design.names, of, data.view(), &classes, exchange, draws)
            };
            let permuted = term.exchange.as_ref().map(permute).transpose().map_err(fail)?;
            let q = benjamini_hochberg(&fits.p);
            joint.push(TestedTerm { term: place, fits, q, permuted });
        }
        notes.extend(TestedEdges { name: &name, prepared, places: &places, fits: &fits, tests: &tests }.notes());
        let between = (weights == Weights::Variance).then(|| model.between_of_edges());
        let mut array =
            written::write(folder, &name, prepared, &places, kind, &fits, between.as_deref(), (&tests, &joint), files)?;
        array["weights"] = model_told(weights, &model);
        told.push(array);
    }
    let about = about::about(prepared, found, &told, &notes);
    files.push(Whole::of(&folder.join("test.json"), pretty(&about).as_bytes())?);
    Ok(about)
}

/// How much the edges vary between children and by sampling, once the model is taken out.
fn variance(
    design: &Design,
    data: ArrayView2<'_, f32>,
    weights: Weights,
    sampling: &[f64],
    scale: Scale,
) -> Result<VarianceModel, EdgeTestError> {
    if weights == Weights::Equal {
        return Ok(VarianceModel::equal(data.ncols()));
    }
    let scatter = scatter(design.matrix.view(), &design.names, data, sampling)?;
    Ok(VarianceModel::estimate(&scatter, design.matrix.view(), sampling, scale)?)
}
