//! `--test "z ~ age + sex"`: one linear model per edge, with the stack's children as they are in `children.tsv`.
//!
//! The formula is understood as in [`crate::group::formula`], fitted as in [`crate::group::edge_tests`]. q is by
//! Benjamini & Hochberg over the edges of one coefficient; family-wise p is by Freedman & Lane with the largest |t|
//! over the same edges, so each coefficient is a family of its own. Children with an empty cell in a column of the
//! formula are left out of the test, not of the stack. `z` is Fisher's z of the stacked 32-bit correlations, itself as
//! 32-bit float: the numbers of `--fisher-z`. Covariances have no z and no r and are not tested. Unlike the stack
//! itself, a test holds the edges of one atlas and measure in memory: 4 bytes per edge and child.

mod about;
mod data;
mod notes;
pub(crate) mod prepared;
mod terms;
mod written;

use ndarray::ArrayView2;
use serde_json::Value;

use crate::group::edge_tests::{EdgeTestError, fit_weighted, scatter};
use crate::group::formula::{Design, Response};
use crate::group::multiple::benjamini_hochberg;
use crate::group::permutation::{Draws, freedman_lane};
use crate::group::weights::{Scale, VarianceModel};
use crate::outputs::pretty;
use crate::stack::arrays::whole::Whole;
use crate::stack::gather::block::Source;
use crate::stack::gather::error::{StackError, TestError};
use crate::stack::gather::request::Weights;
use crate::stack::gather::step::Step;
use crate::stack::gather::work::Work;
use crate::stack::quality::weighting::model_told;
use prepared::{PreparedTest, Tested};

/// Fits every atlas and measure and writes tables, matrices and `test.json`; returns what is in the last.
pub(crate) fn write(
    work: &Work<'_>,
    prepared: &PreparedTest,
    weights: Weights,
    sampling: &[f64],
    files: &mut Vec<Whole>,
) -> Result<Value, StackError> {
    let Work { results, folder, found, atlases, tell } = *work;
    let PreparedTest { wanted, formula, design, .. } = prepared;
    let sampling: Vec<f64> = design.rows.iter().map(|&row| sampling[row]).collect();
    let z = formula.response == Response::FisherZ;
    let draws = Draws { count: wanted.permutations, seed: wanted.seed };
    let (mut told, mut notes) = (Vec::new(), prepared.notes.clone());
    for (at, kind) in found.kinds.iter().enumerate().filter(|(_, kind)| kind.measure.is_correlation()) {
        let Some(atlas) = atlases.iter().find(|atlas| atlas.name == kind.atlas) else { continue };
        let name = found.name(kind);
        let data = data::edges(&Source { results, found, kind: at, atlas }, &design.rows, z)?;
        let fail = |source| TestError::Edges { name: name.clone(), source };
        let model = variance(design, data.view(), weights, &sampling, z).map_err(fail)?;
        let classes = model.weighted(&sampling);
        let fits = fit_weighted(design.matrix.view(), &design.names, data.view(), &classes).map_err(fail)?;
        let mut tests = Vec::new();
        for (place, &coefficient) in prepared.tested.iter().enumerate() {
            let what = format!("testing {}, {}", kind.atlas, kind.measure.key());
            tell(&Step { what, done: place, of: prepared.tested.len(), unit: "coefficients" });
            let permute =
                || freedman_lane(design.matrix.view(), &design.names, coefficient, data.view(), &classes, draws);
            let permuted = prepared.permuted.contains(&coefficient).then(permute);
            let permuted = permuted.transpose().map_err(fail)?;
            let q = benjamini_hochberg(&fits.p.row(coefficient).to_vec());
            tests.push(Tested { coefficient, q, permuted });
        }
        notes.extend(notes::in_part(&name, &fits));
        let mut array = written::write(folder, &name, prepared, atlas, kind, &fits, &tests, files)?;
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
    z: bool,
) -> Result<VarianceModel, EdgeTestError> {
    if weights == Weights::Equal {
        return Ok(VarianceModel::equal(data.ncols()));
    }
    let scatter = scatter(design.matrix.view(), &design.names, data, sampling)?;
    // The variance of r itself falls as |r| rises, so each edge has its own scale.
    let scale = if z { Scale::FisherZ } else { Scale::OfEachEdge };
    Ok(VarianceModel::estimate(&scatter, design.matrix.view(), sampling, scale)?)
}
