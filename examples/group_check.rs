//! Group statistics for the outside references in tests/reference: JSON in, JSON out, large arrays as .npy.
//!
//! ```text
//! group_check NAME < in.json > out.json         group_check time permutation|quality
//! ```
//!
//! A table is a list of rows, or the path of a two-dimensional .npy of doubles (edges also of single precision). null
//! stands for "not available", coming and going.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::process::ExitCode;
use std::time::Instant;

use keepstill::group::edge_sets::Pairs;
use keepstill::group::edge_tests::{EdgeFits, Model, fit_in_blocks, fit_joint, fit_weighted, scatter};
use keepstill::group::exchange::{Blocks, Exchange};
use keepstill::group::formula::{Column, Formula};
use keepstill::group::groups::{self, Effect, Test};
use keepstill::group::icc::icc;
use keepstill::group::matching;
use keepstill::group::multiple::benjamini_hochberg;
use keepstill::group::permutation::{
    Draws, PermutationTest, edge_sets, permutation_test, permutation_test_joint, permutations,
};
use keepstill::group::quality::{self, Accumulator, QcFc};
use keepstill::group::reliability::{self, RunFrames, RunSeries, WhichFrames};
use keepstill::group::site_effects::{SiteSums, Sites};
use keepstill::group::weights::{Scale, VarianceModel, WeightedEdges, sampling_variance};
use keepstill::study::settings::Measure;
use keepstill::units::Seconds;
use ndarray::{Array1, Array2, ArrayView1};
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};
use serde_json::{Value, json};

#[path = "answer/answer.rs"]
mod answer;
use answer::{Result, answer, read_stdin};

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let done = match args.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["time", "permutation"] => time_permutation(),
        ["time", "quality"] => time_quality(),
        [name] => read_stdin().and_then(|input| run(name, &input)),
        _ => Err("usage: group_check NAME < in.json, or group_check time permutation|quality".into()),
    };
    answer(done)
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or(f64::NAN)
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().map(|a| a.iter().map(number).collect()).unwrap_or_default()
}

fn whole(value: &Value) -> usize {
    value.as_u64().unwrap_or(0) as usize
}

fn wholes(value: &Value) -> Vec<usize> {
    value.as_array().map(|a| a.iter().map(whole).collect()).unwrap_or_default()
}

fn texts(value: &Value) -> Vec<String> {
    let text = |v: &Value| v.as_str().unwrap_or_default().to_owned();
    value.as_array().map(|a| a.iter().map(text).collect()).unwrap_or_default()
}

fn matrix(value: &Value) -> Result<Array2<f64>> {
    if let Some(path) = value.as_str() {
        return Ok(ndarray_npy::read_npy(path)?);
    }
    let rows: Vec<Vec<f64>> = value.as_array().ok_or("expected rows")?.iter().map(numbers).collect();
    let columns = rows.first().map_or(0, Vec::len);
    Ok(Array2::from_shape_vec((rows.len(), columns), rows.concat())?)
}

/// Classes of edges with weights: `{ "edges": [...], "weights": [...] }` each; none: all alike.
fn classes(input: &Value, (children, edges): (usize, usize)) -> Vec<WeightedEdges> {
    let Some(all) = input["classes"].as_array() else { return WeightedEdges::alike(children, edges) };
    let of = |class: &Value| WeightedEdges { edges: wholes(&class["edges"]), weights: numbers(&class["weights"]) };
    all.iter().map(of).collect()
}

/// The blocks of rows: participants, and larger blocks; none where each row is by itself.
fn blocks(input: &Value, rows: usize) -> Blocks {
    let larger = wholes(&input["blocks"]);
    let participants = wholes(&input["participants"]);
    let participants = if participants.is_empty() { (0..rows).collect() } else { participants };
    Blocks::new(&participants, (!larger.is_empty()).then_some(larger.as_slice()))
}

/// Who may be exchanged to test a column.
fn exchange(input: &Value, column: ArrayView1<'_, f64>) -> Result<Exchange> {
    Ok(blocks(input, column.len()).exchange(column).ok_or("the column varies both between and within blocks")?)
}

/// Edges as they are in a stack: single precision.
fn single(value: &Value) -> Result<Array2<f32>> {
    match value.as_str() {
        Some(path) => Ok(ndarray_npy::read_npy(path)?),
        None => Ok(matrix(value)?.mapv(|v| v as f32)),
    }
}

fn rows(a: &Array2<f64>) -> Value {
    json!(a.rows().into_iter().map(|r| r.to_vec()).collect::<Vec<_>>())
}

fn fits(fits: &EdgeFits) -> Value {
    json!({
        "coefficients": rows(&fits.coefficients), "se": rows(&fits.standard_errors), "t": rows(&fits.t),
        "p": rows(&fits.p), "children": fits.children, "dof": fits.dof, "sd": fits.residual_sd.to_vec(),
        "names": fits.names,
    })
}

fn permuted(test: &PermutationTest) -> Value {
    json!({
        "t": test.t.to_vec(), "family_wise_p": test.family_wise_p.to_vec(), "maxima": test.maxima,
        "family": test.family,
    })
}

fn correlations(found: &QcFc) -> Value {
    let summary = quality::summarise(found);
    json!({
        "r": found.r.to_vec(), "p": found.p.to_vec(), "children": found.children, "dof": found.dof,
        "edges": summary.edges, "median_abs_r": summary.median_abs_r, "share_p": summary.share_p,
        "share_q": summary.share_q,
    })
}

fn test(test: Test) -> Value {
    match test {
        Test::WelchT { t, dof, p } => json!({ "t": t, "dof": dof, "p": p }),
        Test::WelchF { f, between, within, p } => json!({ "f": f, "between": between, "within": within, "p": p }),
        Test::KruskalWallis { h, dof, p } => json!({ "h": h, "dof": dof, "p": p }),
    }
}

fn measure(input: &Value) -> Result<Measure> {
    Ok(match input["measure"].as_str() {
        None | Some("pearson") => Measure::Pearson,
        Some("spearman") => Measure::Spearman,
        Some("partial") => Measure::Partial,
        Some("covariance") => Measure::Covariance,
        Some(other) => return Err(format!("no measure is called {other}").into()),
    })
}

fn choice(input: &Value) -> WhichFrames {
    let seed = input["seed"].as_u64().unwrap_or(0);
    match input["how"].as_str() {
        Some("blocks") => WhichFrames::Blocks { block: Seconds(number(&input["block_s"])), seed },
        _ => WhichFrames::Earliest,
    }
}

/// A child's runs: `runs` = [{data, frames, tr_s}].
struct Runs {
    data: Vec<Array2<f64>>,
    mean_signals: Vec<Vec<f64>>,
    frames: Vec<Vec<usize>>,
    tr: Vec<Seconds>,
}

impl Runs {
    fn read(input: &Value) -> Result<Self> {
        let mut runs = Self { data: Vec::new(), mean_signals: Vec::new(), frames: Vec::new(), tr: Vec::new() };
        for run in input["runs"].as_array().ok_or("expected runs")? {
            runs.data.push(matrix(&run["data"])?);
            runs.mean_signals.push(numbers(&run["mean_signal"]));
            runs.frames.push(wholes(&run["frames"]));
            runs.tr.push(Seconds(number(&run["tr_s"])));
        }
        Ok(runs)
    }

    fn series(&self) -> Vec<RunSeries<'_>> {
        let parts = self.data.iter().zip(&self.mean_signals).zip(&self.frames).zip(&self.tr);
        parts
            .map(|(((data, mean_signal), frames), &tr)| RunSeries { residuals: data.view(), mean_signal, frames, tr })
            .collect()
    }

    fn frames(&self) -> Vec<RunFrames<'_>> {
        self.frames.iter().zip(&self.tr).map(|(frames, &tr)| RunFrames { frames, tr }).collect()
    }
}

fn run(name: &str, input: &Value) -> Result<Value> {
    let design = || matrix(&input["design"]);
    let names = |columns: usize| -> Vec<String> {
        let given = texts(&input["names"]);
        if given.is_empty() { (0..columns).map(|j| format!("b{j}")).collect() } else { given }
    };
    Ok(match name {
        "design" => {
            let table: Vec<(String, Column)> = input["table"]
                .as_object()
                .ok_or("expected columns")?
                .iter()
                .map(|(name, cells)| {
                    let numeric = cells.as_array().is_some_and(|cells| cells.iter().all(|c| !c.is_string()));
                    let column =
                        if numeric { Column::Number(numbers(cells)) } else { Column::from_cells(texts(cells)) };
                    (name.clone(), column)
                })
                .collect();
            let design = Formula::parse(input["formula"].as_str().unwrap_or_default())?.design(&table)?;
            json!({ "matrix": rows(&design.matrix), "names": design.names, "rows": design.rows })
        }
        "edge_tests" => {
            let design = design()?;
            let model = Model::new(design.view(), &names(design.ncols()))?;
            fits(&if input["single"] == true {
                model.fit(single(&input["data"])?.view())?
            } else {
                model.fit(matrix(&input["data"])?.view())?
            })
        }
        "fit_weighted" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let classes = classes(input, data.dim());
            fits(&fit_weighted(design.view(), &names(design.ncols()), data.view(), &classes)?)
        }
        "weights" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let sampling: Vec<f64> = numbers(&input["dof"]).into_iter().map(sampling_variance).collect();
            let squares = scatter(design.view(), &names(design.ncols()), data.view(), &sampling)?;
            let scale = if input["own_scale"] == true { Scale::OfEachEdge } else { Scale::FisherZ };
            let found = VarianceModel::estimate(&squares, design.view(), &sampling, scale)?;
            let weighted = found.weighted(&sampling).into_iter().zip(&found.classes);
            let classes: Vec<Value> = weighted
                .map(|(own, class)| json!({ "edges": own.edges, "weights": own.weights, "between": class.between }))
                .collect();
            json!({ "factor": found.factor, "between": found.between, "classes": classes })
        }
        "site_effects" => {
            let (data, covariates) = (single(&input["data"])?, matrix(&input["kept"])?);
            let of = wholes(&input["site"]);
            let name = |start: &str, count: usize| (0..count).map(|k| format!("{start}{k}")).collect();
            let count = of.iter().max().map_or(0, |most| most + 1);
            let sites = Sites::new(name("site", count), of, name("x", covariates.ncols()), covariates)?;
            let mut sums = SiteSums::new(sites, data.ncols(), &classes(input, data.dim()));
            let all: Vec<Vec<f32>> = data.rows().into_iter().map(|row| row.to_vec()).collect();
            sums.take(0, &all.iter().map(Vec::as_slice).collect::<Vec<_>>());
            let found = sums.effects();
            let mut adjusted = all;
            adjusted.iter_mut().enumerate().for_each(|(child, row)| found.apply(child, row));
            json!({
                "mean": found.mean, "sd": found.sd, "kept": rows(&found.kept), "location": rows(&found.location),
                "scale": rows(&found.scale), "adjusted": adjusted,
            })
        }
        "benjamini_hochberg" => json!({ "q": benjamini_hochberg(&numbers(&input["p"])) }),
        "permutations" => {
            let drawn = permutations(whole(&input["children"]), whole(&input["count"]), whole(&input["seed"]) as u64);
            json!({ "permutations": drawn.rows().into_iter().map(|r| r.to_vec()).collect::<Vec<_>>() })
        }
        "permutation_test" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let draws = Draws { count: whole(&input["count"]), seed: whole(&input["seed"]) as u64 };
            let names = names(design.ncols());
            let classes = classes(input, data.dim());
            let tested = whole(&input["tested"]);
            let exchange = exchange(input, design.column(tested))?;
            permuted(&permutation_test(design.view(), &names, tested, data.view(), &classes, &exchange, draws)?)
        }
        "permutation_test_joint" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let draws = Draws { count: whole(&input["count"]), seed: whole(&input["seed"]) as u64 };
            let (names, tested) = (names(design.ncols()), wholes(&input["tested"]));
            let classes = classes(input, data.dim());
            let exchange = Exchange::free(design.nrows());
            permuted(&permutation_test_joint(design.view(), &names, &tested, data.view(), &classes, &exchange, draws)?)
        }
        "joint" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let classes = classes(input, data.dim());
            let fits = fit_weighted(design.view(), &names(design.ncols()), data.view(), &classes)?;
            let found = fit_joint(design.view(), &wholes(&input["tested"]), data.view(), &classes, &fits)?;
            json!({ "f": found.f, "p": found.p, "numerator": found.numerator, "dof": fits.dof })
        }
        "edge_sets" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let draws = Draws { count: whole(&input["count"]), seed: whole(&input["seed"]) as u64 };
            let (names, classes) = (names(design.ncols()), classes(input, data.dim()));
            let pairs = Pairs::of_parcels(whole(&input["parcels"]));
            let graph = (&pairs, number(&input["threshold"]));
            let (tested, data) = (whole(&input["tested"]), data.view());
            let draws = (&Exchange::free(design.nrows()), draws);
            let found = edge_sets(design.view(), &names, tested, data, &classes, draws, graph)?;
            let set = |of: &keepstill::group::permutation::TestedSet| {
                json!({
                    "positive": of.set.positive, "edges": of.set.edges, "parcels": of.set.parcels,
                    "excess": of.set.excess, "p_excess": of.p_excess, "p_edges": of.p_edges,
                })
            };
            let largest: Vec<Value> = found.largest.iter().map(|l| json!([l.excess, l.edges])).collect();
            json!({ "sets": found.sets.iter().map(set).collect::<Vec<_>>(), "largest": largest })
        }
        "exchange" => {
            let column = Array1::from_vec(numbers(&input["column"]));
            let exchange = exchange(input, column.view())?;
            let drawn = exchange.draw(0..whole(&input["count"]), whole(&input["seed"]) as u64);
            let orders: Vec<Vec<u32>> = drawn.rows().into_iter().map(|row| row.to_vec()).collect();
            json!({ "orders": orders, "count": exchange.orders() })
        }
        "fit_in_blocks" => {
            let (design, data) = (design()?, matrix(&input["data"])?);
            let (names, classes) = (names(design.ncols()), classes(input, data.dim()));
            let blocks = blocks(input, design.nrows());
            let found = fit_in_blocks(design.view(), &names, data.view(), &classes, &blocks)?;
            let mut told = fits(&found);
            told["t_dof"] = rows(&found.t_dof);
            told
        }
        "icc" => {
            let found = icc(matrix(&input["table"])?.view());
            json!({ "icc": [found.one_way, found.agreement, found.consistency], "children": found.children })
        }
        "quality" => {
            let (edges, covariates) = (single(&input["edges"])?, matrix(&input["covariates"])?);
            let mut sums = Accumulator::new(edges.ncols(), covariates.ncols());
            for (edges, covariates) in edges.rows().into_iter().zip(covariates.rows()) {
                sums.add_child(&edges.to_vec(), &covariates.to_vec(), 1.0)?;
            }
            let found = sums.correlation(0, &wholes(&input["controls"]))?;
            let mut answer = correlations(&found);
            let distance = quality::distance_dependence(&found.r.to_vec(), &numbers(&input["distance_mm"]));
            answer["distance"] = json!({ "rho": distance.rho, "p": distance.p, "edges": distance.edges });
            answer["mean"] = json!(sums.mean().to_vec());
            answer["sd"] = json!(sums.sd().to_vec());
            answer
        }
        "compare" => {
            let values: Vec<Vec<f64>> =
                input["groups"].as_array().ok_or("expected groups")?.iter().map(numbers).collect();
            let groups: Vec<(&str, &[f64])> = values.iter().map(|v| ("group", v.as_slice())).collect();
            let found = groups::compare(&groups)?;
            let effect = match found.effect {
                Effect::HedgesG(g) => json!({ "g": g }),
                Effect::OmegaSquared(omega) => json!({ "omega": omega }),
            };
            let summaries: Vec<Value> = found
                .groups
                .iter()
                .map(|g| json!({ "children": g.children, "mean": g.mean, "sd": g.sd, "median": g.median }))
                .collect();
            json!({
                "groups": summaries, "welch": test(found.welch), "ranks": test(found.kruskal_wallis), "effect": effect,
            })
        }
        "match" => {
            let groups: Vec<Option<usize>> = input["groups"]
                .as_array()
                .map(|a| a.iter().map(|g| g.as_u64().map(|g| g as usize)).collect())
                .unwrap_or_default();
            let way =
                if input["means"].as_bool() == Some(true) { matching::match_means } else { matching::match_tuples };
            let values = numbers(&input["values"]);
            let found = way(&values, &groups, whole(&input["count"]), number(&input["caliper"]))?;
            json!({ "tuples": found.tuples, "kept": found.kept })
        }
        "split_half" => {
            let runs = Runs::read(input)?;
            let found = reliability::split_half(&runs.series(), Seconds(number(&input["block_s"])), measure(input)?)?;
            json!({ "r": found.r, "spearman_brown": found.spearman_brown, "minutes": found.minutes })
        }
        "first_against_second" => {
            let runs = Runs::read(input)?;
            let hidden = numbers(&input["hidden"]);
            let found = reliability::first_against_second(&runs.series(), &hidden, measure(input)?)?;
            let halves = found.halves;
            json!({
                "r": halves.r, "spearman_brown": halves.spearman_brown, "minutes": halves.minutes,
                "corrected": found.corrected,
            })
        }
        "widening" => {
            let runs = Runs::read(input)?;
            let block = Seconds(number(&input["block_s"]));
            json!({ "factor": reliability::widening(&runs.frames(), block, &numbers(&input["hidden"]))? })
        }
        "curve" => {
            let runs = Runs::read(input)?;
            let from = whole(&input["from"]) as u32;
            let curve = reliability::agreement_curve(&runs.series(), from, choice(input), measure(input)?)?;
            json!({ "points": curve.iter().map(|point| [point.minutes, point.r]).collect::<Vec<_>>() })
        }
        "choose" => {
            let runs = Runs::read(input)?;
            json!({ "rows": reliability::choose(&runs.frames(), number(&input["minutes"]), choice(input))? })
        }
        "standard_errors" => {
            let runs = Runs::read(input)?;
            let (block, seed) = (Seconds(number(&input["block_s"])), whole(&input["seed"]) as u64);
            let replicates = whole(&input["replicates"]);
            let drawn = (0..replicates as u64)
                .map(|number| reliability::bootstrap_rows(&runs.frames(), block, seed, number))
                .collect::<std::result::Result<Vec<_>, _>>()?;
            let se = reliability::standard_errors(&runs.series(), block, replicates, seed, measure(input)?)?;
            json!({ "se": se.to_vec(), "rows": drawn })
        }
        other => return Err(format!("no check is called {other}").into()),
    })
}

/// Numbers near enough to normal, in a stream of their own.
fn noise(rng: &mut ChaCha8Rng) -> f32 {
    let bits = rng.next_u64();
    (0..4).map(|k| ((bits >> (16 * k)) & 0xffff) as f32 / 65_536.0 - 0.5).sum()
}

/// 1,000 children × 19,900 edges × 1,000 permutations, an intercept and 5 covariates.
fn time_permutation() -> Result<Value> {
    const CHILDREN: usize = 1000;
    const EDGES: usize = 19_900;
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let data = Array2::from_shape_simple_fn((CHILDREN, EDGES), || noise(&mut rng));
    let design = Array2::from_shape_fn((CHILDREN, 6), |(_, j)| if j == 0 { 1.0 } else { f64::from(noise(&mut rng)) });
    let names: Vec<String> = (0..6).map(|j| format!("b{j}")).collect();
    let start = Instant::now();
    let fitted = Model::new(design.view(), &names)?.fit(data.view())?;
    let fit_s = start.elapsed().as_secs_f64();
    let start = Instant::now();
    // Six classes with weights of their own: what a stack has at most.
    let weights = |class: usize| (0..CHILDREN).map(|child| 1.0 + ((child * (7 + class)) % 11) as f64 / 5.0).collect();
    let class = |class: usize| WeightedEdges { edges: (class..EDGES).step_by(6).collect(), weights: weights(class) };
    let classes: Vec<WeightedEdges> = (0..6).map(class).collect();
    let draws = Draws { count: 1000, seed: 1 };
    let found = permutation_test(design.view(), &names, 1, data.view(), &classes, &Exchange::free(CHILDREN), draws)?;
    let permutations_s = start.elapsed().as_secs_f64();
    let smallest = found.family_wise_p.fold(1.0_f64, |m, &p| m.min(p));
    Ok(json!({
        "fit_s": fit_s, "permutations_s": permutations_s, "threads": rayon::current_num_threads(),
        "smallest_family_wise_p": smallest, "edges": fitted.dof.len(),
    }))
}

/// 20,000 children × 19,900 edges, motion and two covariates to be taken out.
fn time_quality() -> Result<Value> {
    const CHILDREN: usize = 20_000;
    const EDGES: usize = 19_900;
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    // A row's worth of noise, read from another place for each child: making the numbers is not what is timed.
    let pool: Vec<f32> = (0..2 * EDGES).map(|_| noise(&mut rng)).collect();
    let mut pass = |missing: bool| -> Result<(Accumulator, f64)> {
        let mut sums = Accumulator::new(EDGES, 3);
        let mut row = vec![0.0_f32; EDGES];
        let start = Instant::now();
        for _ in 0..CHILDREN {
            let first = rng.next_u64() as usize % EDGES;
            row.copy_from_slice(&pool[first..first + EDGES]);
            if missing {
                // A parcel's worth of edges: after a few hundred children no edge is complete.
                (0..199).for_each(|_| row[rng.next_u64() as usize % EDGES] = f32::NAN);
            }
            let covariates: Array1<f64> = Array1::from_shape_simple_fn(3, || f64::from(noise(&mut rng)));
            sums.add_child(&row, &covariates.to_vec(), 1.0)?;
        }
        Ok((sums, start.elapsed().as_secs_f64()))
    };
    let (_, incomplete_s) = pass(true)?;
    let (sums, pass_s) = pass(false)?;
    let start = Instant::now();
    let summaries =
        [quality::summarise(&sums.correlation(0, &[])?), quality::summarise(&sums.correlation(0, &[1, 2])?)];
    Ok(json!({
        "pass_s": pass_s, "pass_with_every_edge_incomplete_s": incomplete_s,
        "correlations_s": start.elapsed().as_secs_f64(),
        "share_p": summaries.iter().map(|s| s.share_p).collect::<Vec<_>>(),
    }))
}
