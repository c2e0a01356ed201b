//! Stage functions for the outside references in tests/reference: JSON in, JSON out.
//!
//! ```text
//! stages NAME < in.json > out.json       stages voxels IMAGE OUT
//! ```
//!
//! Numbers round-trip; null stands for "not available".
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::path::Path;
use std::process::ExitCode;

use keepstill::brain_mask;
use keepstill::censor::{self, settling};
use keepstill::clean::{self, detrend, fill, filter};
use keepstill::connectivity;
use keepstill::connectivity::percent::{self, RunPart};
use keepstill::discover::Sex;
use keepstill::linalg::{LeastSquares, summary};
use keepstill::motion::respiration::{self, BreathingBand, Design, FoldedBand, RespirationFilter};
use keepstill::motion::{MotionTrace, displacement, sphere};
use keepstill::nifti::{Affine, VolumeStream};
use keepstill::study::settings::{Axis, CensorSettings, CleanSettings, Fill, Length, Measure, RotationOrder, Settling};
use keepstill::units::{Millimetres, Seconds};
use ndarray::{Array1, Array2};
use serde_json::{Value, json};

#[path = "answer/answer.rs"]
mod answer;
use answer::{Result, answer, read_stdin};

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let done = match args.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["voxels", image, out] => voxels(Path::new(image), Path::new(out)),
        [stage] => read_stdin().and_then(|input| run(stage, &input)),
        _ => Err("usage: stages NAME < in.json, or stages voxels IMAGE OUT".into()),
    };
    answer(done)
}

fn voxels(image: &Path, out: &Path) -> Result<Value> {
    use std::io::Write;
    let mut stream = VolumeStream::open_any(image)?;
    let mut file = std::io::BufWriter::new(std::fs::File::create(out)?);
    let mut values = Vec::new();
    while let Some(volume) = stream.next_volume()? {
        volume.decode_all(&mut values);
        for value in &values {
            file.write_all(&value.to_le_bytes())?;
        }
    }
    file.flush()?;
    let header = stream.header();
    let mut shape: Vec<usize> = header.shape.to_vec();
    let extra: usize = header.extra_dims.iter().product();
    if header.axes > 3 {
        shape.push(header.frames / extra);
    }
    shape.extend(&header.extra_dims);
    Ok(json!({
        "shape": shape, "frames": header.frames, "affine": header.affine.0, "tr_s": header.tr_s().ok(),
        "dtype": header.dtype.name(),
    }))
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or(f64::NAN)
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().map(|a| a.iter().map(number).collect()).unwrap_or_default()
}

fn flags(value: &Value) -> Vec<bool> {
    value.as_array().map(|a| a.iter().map(|v| v.as_bool().unwrap_or(false)).collect()).unwrap_or_default()
}

fn matrix(value: &Value) -> Result<Array2<f64>> {
    let rows: Vec<Vec<f64>> = value.as_array().ok_or("expected rows")?.iter().map(numbers).collect();
    let columns = rows.first().map_or(0, Vec::len);
    Ok(Array2::from_shape_vec((rows.len(), columns), rows.concat())?)
}

fn rows(a: &Array2<f64>) -> Value {
    json!(a.rows().into_iter().map(|r| r.to_vec()).collect::<Vec<_>>())
}

fn count(input: &Value, field: &str) -> usize {
    input[field].as_u64().unwrap_or(0) as usize
}

/// `field` in frames, or `field_s` in seconds.
fn length(input: &Value, field: &str) -> Length {
    let seconds = input[format!("{field}_s")].as_f64().map(Length::Seconds);
    seconds.unwrap_or_else(|| Length::Frames(count(input, field)))
}

fn trace(input: &Value) -> Result<MotionTrace> {
    Ok(MotionTrace {
        translations_mm: matrix(&input["translation_mm"])?,
        rotations_rad: matrix(&input["rotation_rad"])?,
    })
}

fn shape(input: &Value) -> Result<[usize; 3]> {
    let lengths: Vec<usize> = numbers(&input["shape"]).into_iter().map(|n| n as usize).collect();
    lengths.try_into().map_err(|_| "shape needs three lengths".into())
}

/// Rates by age in months, or `rates` as [low, high].
fn breathing_band(input: &Value) -> Result<BreathingBand> {
    Ok(match numbers(&input["rates"]).as_slice() {
        [low, high] => BreathingBand::given([*low, *high])?,
        _ => BreathingBand::by_age(number(&input["age_months"]))?,
    })
}

fn folded_name(folded: FoldedBand) -> &'static str {
    match folded {
        FoldedBand::Whole { .. } => "whole",
        FoldedBand::AtNyquist { .. } => "at nyquist",
        FoldedBand::AtZero { .. } => "at zero",
        FoldedBand::Everything => "everything",
    }
}

/// A filter of the motion trace: a notch over a band, or with `cutoff_hz` a low-pass.
fn respiration_filter(input: &Value, tr: Seconds) -> Result<RespirationFilter> {
    Ok(match input["cutoff_hz"].as_f64() {
        Some(cutoff_hz) => RespirationFilter::low_pass(cutoff_hz, breathing_band(input).ok(), tr)?,
        None => RespirationFilter::notch(breathing_band(input)?, tr)?,
    })
}

fn how_to_fill(input: &Value) -> Fill {
    if input["fill"] == "spectral" { Fill::Spectral } else { Fill::Linear }
}

fn band(input: &Value) -> Option<[f64; 2]> {
    match numbers(&input["band_hz"]).as_slice() {
        [low, high] => Some([*low, *high]),
        _ => None,
    }
}

fn kept_rows(kept: &[bool]) -> Vec<usize> {
    (0..kept.len()).filter(|&i| kept[i]).collect()
}

fn run(stage: &str, input: &Value) -> Result<Value> {
    let tr = Seconds(number(&input["tr_s"]));
    Ok(match stage {
        "displacement" => {
            let axes = |c| match c {
                'x' => Axis::X,
                'y' => Axis::Y,
                _ => Axis::Z,
            };
            let order: Vec<Axis> = input["order"].as_str().unwrap_or("xyz").chars().map(axes).collect();
            let order = RotationOrder(order.try_into().map_err(|_| "order needs three axes")?);
            let span = input["span_s"].as_f64().map_or(1, |span_s| Seconds(span_s).nearest_frames(tr));
            let fd = displacement::over_span(&trace(input)?, Millimetres(number(&input["radius_mm"])), order, span);
            json!({ "sum": fd.sum_mm.to_vec(), "rms": fd.rms_mm.to_vec() })
        }
        "motion_terms" => json!({ "data": rows(&trace(input)?.terms(count(input, "terms"))) }),
        "sphere_radius" => {
            let sex = match input["sex"].as_str() {
                Some("male") => Sex::Male,
                Some("female") => Sex::Female,
                _ => Sex::Unknown,
            };
            json!({ "radius_mm": sphere::radius(number(&input["age_months"]), sex).0 })
        }
        "sphere_radius_from_mask" => {
            let mut affine = Affine::scaling([1.0; 3]);
            for (row, given) in affine.0.iter_mut().zip(matrix(&input["affine"])?.rows()) {
                row.iter_mut().zip(given).for_each(|(cell, &value)| *cell = value);
            }
            let size = sphere::of_mask(&flags(&input["mask"]), shape(input)?, &affine)?;
            json!({ "radius_mm": size.radius.0, "centroid_mm": size.centroid_mm, "surface": size.surface_voxels })
        }
        "brain_mask" => {
            let mask = brain_mask::from_mean(&numbers(&input["mean"]), shape(input)?)?;
            json!({
                "inside": mask.inside, "threshold": mask.threshold, "voxels": mask.voxels, "filled": mask.filled,
                "left_out": mask.left_out,
            })
        }
        "otsu" => json!({ "threshold": brain_mask::otsu(&numbers(&input["values"]))? }),
        "settling" => json!({ "frames": settling::frames(Array1::from_vec(numbers(&input["mean"])).view()) }),
        "breathing_band" => {
            let band = breathing_band(input)?;
            let folded = band.folded(tr);
            json!({
                "per_min": band.per_min(), "folded": folded_name(folded), "edges_hz": folded.edges_hz(tr),
                "below_nyquist": band.is_below_nyquist(tr), "said": respiration::where_it_shows(&band, tr),
            })
        }
        "folded_hz" => {
            let shown: Vec<f64> =
                numbers(&input["hz"]).into_iter().map(|hz| respiration::band::folded_hz(hz, tr)).collect();
            json!({ "hz": shown })
        }
        "respiration" => {
            let filter = respiration_filter(input, tr)?;
            let filtered = filter.apply(&trace(input)?)?;
            let (design, hz) = match filter.design() {
                Design::Notch { centre_hz, bandwidth_hz } => ("notch", vec![centre_hz, bandwidth_hz]),
                Design::LowPassForNotch { cutoff_hz } => ("low-pass for notch", vec![cutoff_hz]),
                Design::LowPass { cutoff_hz } => ("low-pass", vec![cutoff_hz]),
            };
            json!({
                "translation_mm": rows(&filtered.translations_mm), "rotation_rad": rows(&filtered.rotations_rad),
                "design": design, "hz": hz, "said": filter.sentences(),
            })
        }
        "motion_spectrum" => {
            let found = respiration::spectrum::spectrum(&trace(input)?, tr);
            json!({ "hz": found.frequencies_hz.to_vec(), "power": rows(&found.power) })
        }
        "censor" => {
            let settings = CensorSettings {
                fd_mm: number(&input["fd_mm"]),
                dvars_percent: number(&input["dvars_percent"]),
                before: length(input, "before"),
                after: length(input, "after"),
                shortest_stretch: length(input, "shortest_stretch"),
                settling: Settling::Frames(count(input, "settling")),
                watch_log: true,
                watch_log_types: Vec::new(),
            };
            let (fd, dvars) = (Array1::from_vec(numbers(&input["fd"])), Array1::from_vec(numbers(&input["dvars"])));
            let mask = censor::censor(
                fd.view(),
                dvars.view(),
                &vec![true; fd.len()],
                &flags(&input["logged"]),
                count(input, "settling"),
                tr,
                &settings,
            );
            json!({ "kept": mask.kept(), "reasons": mask.reasons() })
        }
        "fill" => {
            let mut data = matrix(&input["data"])?;
            fill::Filling::new(&flags(&input["kept"]), how_to_fill(input)).fill(&mut data);
            json!({ "data": rows(&data) })
        }
        "bandpass" => {
            let mut data = matrix(&input["data"])?;
            filter::band_pass(&mut data, band(input).ok_or("band_hz needs two edges")?, tr)?;
            json!({ "data": rows(&data) })
        }
        "detrend" => {
            let mut data = matrix(&input["data"])?;
            detrend::remove(&mut data, &kept_rows(&flags(&input["kept"])), count(input, "degree"))?;
            json!({ "data": rows(&data) })
        }
        "regress" => {
            let (data, mut design) = (matrix(&input["data"])?, matrix(&input["design"])?);
            if input["intercept"] == true {
                let ones = Array2::ones((data.nrows(), 1));
                design = ndarray::concatenate![ndarray::Axis(1), ones, design];
            }
            let fit = LeastSquares::new(design.view())?;
            let (residuals, coefficients) = (fit.residuals(data.view())?, fit.coefficients(data.view())?);
            json!({ "residuals": rows(&residuals), "coefficients": rows(&coefficients), "rank": fit.rank() })
        }
        "clean" => {
            let settings = CleanSettings {
                motion_terms: 0,
                tissue_means: Vec::new(),
                global_signal: false,
                tissue_components: 0,
                confound_columns: Vec::new(),
                detrend_degree: count(input, "detrend_degree"),
                band_hz: band(input),
                fill: how_to_fill(input),
            };
            let (data, confounds) = (matrix(&input["data"])?, matrix(&input["confounds"])?);
            let kept = flags(&input["kept"]);
            let cleaned = clean::clean(data.view(), confounds.view(), &kept, tr, &settings)?;
            json!({ "residuals": rows(&cleaned.residuals), "dof": cleaned.dof.own, "dof_white": cleaned.dof.white,
                "dof_before_regression": cleaned.dof.before_regression, "rank": cleaned.rank })
        }
        "connectivity" => {
            let measure = match input["measure"].as_str() {
                Some("pearson") => Measure::Pearson,
                Some("spearman") => Measure::Spearman,
                Some("partial") => Measure::Partial,
                Some("covariance") => Measure::Covariance,
                _ => return Err("no such measure".into()),
            };
            let found = connectivity::connectivity(matrix(&input["data"])?.view(), measure)?;
            json!({ "matrix": rows(&found.matrix), "shrinkage": found.shrinkage })
        }
        // Of a child's runs as they are before and after cleaning.
        "covariance" => {
            let mut runs: Vec<(Array2<f64>, Vec<f64>)> = Vec::new();
            for run in input["runs"].as_array().ok_or("expected runs")? {
                let signal = percent::mean_signal(matrix(&run["signal"])?.view(), &flags(&run["kept"]));
                runs.push((matrix(&run["residuals"])?, signal));
            }
            let parts: Vec<RunPart<'_>> = runs
                .iter()
                .map(|(residuals, mean_signal)| RunPart { residuals: residuals.view(), mean_signal })
                .collect();
            let found = connectivity::of_runs(&parts, Measure::Covariance)?;
            json!({ "matrix": rows(&found.matrix) })
        }
        "fisher_z" => {
            let z: Vec<f64> = numbers(&input["r"]).into_iter().map(connectivity::fisher_z).collect();
            json!({ "z": z })
        }
        "summary" => {
            let s = summary(&numbers(&input["x"]), |_| true);
            json!({ "mean": s.mean, "sd": s.sd, "lag1": s.lag1 })
        }
        other => return Err(format!("no stage is called {other}").into()),
    })
}
