//! One level's fit: Gauss–Newton steps on a robust least-squares cost.
//!
//! With T the pose so far and g the gain, a point x of the reference has the residual e = F(T x) − g R(x). A step
//! minimises Σ w (e − g ∂R·δ − R·dg)² over δ and dg, then T ← T ∘ Wδ⁻¹ and g ← g + dg. The weights are Tukey's biweight
//! (Beaton & Tukey 1974, Technometrics 16:147), (1 − (e/4.685σ)²)² and 0 beyond, with σ from the median of
//! |e|, so that a place whose own signal changes does not pull the pose: where a blob of 60 % less signal (SD 6 voxels)
//! wandered through the head, the mean position error was 0.51 mm without weights, 0.095 mm with Huber's and 0.026 mm
//! with these when they were chosen (`local_change` in tests/reference/test_realign.py holds it). Without such places
//! all three did equally well.

use super::normal;
use super::pyramid::Pyramid;
use super::reference::Level;
use super::rigid::Rigid;
use super::spline::Padded;

/// The biweight's constant: 95 % efficiency when residuals are normal (Holland & Welsch 1977, Communications in
/// Statistics A6:813; from memory).
const BIWEIGHT: f32 = 4.685;
/// From a median of absolute normal residuals to their SD: 1 over the normal distribution's upper quartile, 0.67449.
const MAD_TO_SD: f32 = 1.4826;
/// Residuals below this, in units of the reference's RMS, are the rounding of single precision: σ goes no lower.
const ROUNDING: f32 = 1e-6;
/// A coordinate this far (voxels) beyond the outermost usable voxel is rounding, not outside.
const EDGE: f32 = 1e-3;
/// A step below this share of the error that is implied anyway is also the last one: own convention.
const WORTHLESS: f64 = 0.1;
/// Points whose products are summed in single precision before they go into a double: 256 · 2⁻²⁴ is far below the
/// noise.
const CHUNK: usize = 256;

/// What a fit has found so far.
#[derive(Debug, Clone, Copy)]
pub(super) struct State {
    pub rigid: Rigid,
    pub gain: f64,
    /// Pearson correlation of frame and reference over the points inside, at the last pose looked at.
    pub correlation: f64,
    /// Share of points inside the field of view.
    pub overlap: f64,
    /// Length of the last step, mm: of the shift, and of the turn on the reference's sphere.
    pub step_mm: f64,
    /// Steps made, and the length below which one would have been the last, mm.
    pub steps: usize,
    pub tolerance_mm: f64,
    /// The pose error that the residuals imply, mm ([`spread`]); infinite when nothing could be solved.
    pub spread_mm: f64,
}

/// How long a level goes on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Patience {
    /// A step shorter than this ends the fit.
    pub tolerance_mm: f64,
    pub most_steps: usize,
    /// A longer step is cut to this length.
    pub longest_step_mm: f64,
}

/// Room for a fit, used again for each.
#[derive(Debug)]
pub(super) struct Room {
    residuals: Vec<f32>,
    sorted: Vec<f32>,
}

impl Room {
    pub fn new(most_points: usize) -> Self {
        Self { residuals: vec![0.0; most_points], sorted: vec![0.0; most_points] }
    }
}

/// The image that a level is laid upon.
#[derive(Clone, Copy)]
pub(super) struct Frame<'a> {
    pub pyramid: &'a Pyramid,
    pub level: usize,
    /// The frame's own voxels, when some are not finite: points that fall beside one are left out.
    pub holes: Option<Holes<'a>>,
}

/// A frame in which some voxels are not finite.
#[derive(Clone, Copy)]
pub(super) struct Holes<'a> {
    pub voxels: &'a [f32],
    pub shape: [usize; 3],
}

/// Fits one level from a start.
pub(super) fn fit(
    level: &Level,
    frame: Frame<'_>,
    pivot: [f64; 3],
    radius_mm: f64,
    start: Rigid,
    patience: Patience,
    room: &mut Room,
) -> State {
    let mut state = State {
        rigid: start,
        gain: f64::NAN,
        correlation: f64::NAN,
        overlap: 0.0,
        step_mm: f64::INFINITY,
        steps: 0,
        tolerance_mm: patience.tolerance_mm,
        spread_mm: f64::INFINITY,
    };
    for _ in 0..patience.most_steps {
        let sums = sample(level, frame, state.rigid, pivot, room);
        state.overlap = sums.count / level.points.len().max(1) as f64;
        state.correlation = sums.correlation();
        if state.gain.is_nan() {
            state.gain = sums.frame_reference / sums.reference_reference;
        }
        if !state.gain.is_finite() || state.gain <= 0.0 {
            break;
        }
        let (equations, sigma) = equations(level, state.gain as f32, room);
        let matrix: [[f64; 7]; 7] = std::array::from_fn(|i| std::array::from_fn(|j| equations[i][j]));
        let right: [f64; 7] = std::array::from_fn(|i| equations[i][7]);
        let (Some(x), Some(spread)) = (normal::solve(&matrix, &right), spread(&matrix, level.every)) else {
            (state.step_mm, state.spread_mm) = (f64::INFINITY, f64::INFINITY);
            break;
        };
        state.steps += 1;
        state.spread_mm = spread * sigma / state.gain;
        state.tolerance_mm = patience.tolerance_mm.max(state.spread_mm * WORTHLESS);
        let mut step: [f64; 6] = std::array::from_fn(|i| x[i] / state.gain);
        let length = |v: &[f64]| v.iter().map(|x| x * x).sum::<f64>().sqrt();
        state.step_mm = length(&step[..3]) + length(&step[3..]);
        if state.step_mm > patience.longest_step_mm {
            let cut = patience.longest_step_mm / state.step_mm;
            step = step.map(|v| v * cut);
        }
        for turn in &mut step[3..] {
            *turn /= radius_mm;
        }
        state.rigid = state.rigid.after_inverse(step);
        state.gain += x[6];
        if state.step_mm < state.tolerance_mm {
            break;
        }
    }
    state
}

/// Sums over the points inside.
#[derive(Debug, Default, Clone, Copy)]
struct Sums {
    count: f64,
    frame: f64,
    reference: f64,
    frame_frame: f64,
    frame_reference: f64,
    reference_reference: f64,
}

impl Sums {
    fn correlation(&self) -> f64 {
        let n = self.count;
        let both = self.frame_reference - self.frame * self.reference / n;
        let of_frame = self.frame_frame - self.frame * self.frame / n;
        let of_reference = self.reference_reference - self.reference * self.reference / n;
        // 1e-10 of the squares: what rounding leaves of a constant image.
        if of_frame > 1e-10 * self.frame_frame && of_reference > 1e-10 * self.reference_reference {
            both / (of_frame * of_reference).sqrt()
        } else {
            0.0
        }
    }
}

/// Writes the frame's value at each point's place into `room.residuals`, NaN outside, and sums up.
fn sample(level: &Level, frame: Frame<'_>, rigid: Rigid, pivot: [f64; 3], room: &mut Room) -> Sums {
    let image: &Padded = &frame.pyramid.levels[frame.level];
    let map = level.to_voxel.compose(&rigid.affine(pivot).compose(&level.to_world)).0;
    let map: [[f32; 4]; 3] = map.map(|row| row.map(|v| v as f32));
    let last: [f32; 3] = std::array::from_fn(|a| (image.shape[a] - 1 - level.rim[a]) as f32);
    let first = level.rim.map(|rim| rim as f32);
    let mut sums = Sums::default();
    for (chunk, values) in room.residuals[..level.points.len()].chunks_mut(CHUNK).enumerate() {
        let points = &level.points[chunk * CHUNK..];
        let rows = &level.rows[chunk * CHUNK..];
        let [mut n, mut f, mut r, mut ff, mut fr, mut rr] = [0.0_f32; 6];
        for ((value, p), row) in values.iter_mut().zip(points).zip(rows) {
            let mut at: [f32; 3] =
                std::array::from_fn(|a| map[a][0] * p[0] + map[a][1] * p[1] + map[a][2] * p[2] + map[a][3]);
            let inside = (0..3).all(|a| at[a] >= first[a] - EDGE && at[a] <= last[a] + EDGE);
            if !inside {
                *value = f32::NAN;
                continue;
            }
            for a in 0..3 {
                at[a] = at[a].clamp(first[a], last[a]);
            }
            if let Some(holes) = frame.holes
                && beside_a_hole(holes, level, at)
            {
                *value = f32::NAN;
                continue;
            }
            let v = image.at(at);
            *value = v;
            n += 1.0;
            f += v;
            r += row[6];
            ff += v * v;
            fr += v * row[6];
            rr += row[6] * row[6];
        }
        sums.count += f64::from(n);
        sums.frame += f64::from(f);
        sums.reference += f64::from(r);
        sums.frame_frame += f64::from(ff);
        sums.frame_reference += f64::from(fr);
        sums.reference_reference += f64::from(rr);
    }
    sums
}

/// Whether one of the frame's eight voxels around a place of the level is not finite.
#[cold]
fn beside_a_hole(holes: Holes<'_>, level: &Level, at: [f32; 3]) -> bool {
    let [nx, ny, _] = holes.shape;
    // A level's last voxel is one of the scan's own, so these are inside.
    let low: [usize; 3] = std::array::from_fn(|a| (at[a] * level.grid.factor[a] as f32) as usize);
    let high: [usize; 3] = std::array::from_fn(|a| (low[a] + 1).min(holes.shape[a] - 1));
    (0..8).any(|corner| {
        let [x, y, z] = [0, 1, 2].map(|a| if corner >> a & 1 == 0 { low[a] } else { high[a] });
        !holes.voxels[x + nx * (y + ny * z)].is_finite()
    })
}

/// The root mean square pose error, mm over the sphere of [`super::Reference::radius_mm`], that residuals of SD 1
/// imply.
///
/// Were the residuals independent, the covariance of the solution would be the matrix's inverse; a turn by ω moves
/// points of the sphere by ⅔ω² in the mean square. Smoothing by 1 2 1 and by β³ amounts to 1 6 10 6 1 along each axis.
/// It leaves white noise with 174/576 of its variance per axis, spread over neighbours, so that a sum over all voxels
/// varies (576/174)³ = 36 times as much as if they were independent; taking every `every`-th voxel takes that factor
/// away again.
fn spread(matrix: &[[f64; 7]; 7], every: usize) -> Option<f64> {
    let dependence = ((576.0_f64 / 174.0).powi(3) / every as f64).max(1.0);
    let mut variance = 0.0;
    for i in 0..6 {
        let unit = std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 });
        variance += normal::solve(matrix, &unit)?[i] * if i < 3 { 1.0 } else { 2.0 / 3.0 };
    }
    Some((variance * dependence).sqrt())
}

/// Weighted sums of products of the rows, the residual in the eighth place; and the residuals' robust SD.
fn equations(level: &Level, gain: f32, room: &mut Room) -> ([[f64; 8]; 8], f64) {
    let count = level.points.len();
    let Room { residuals, sorted } = room;
    let residuals = &mut residuals[..count];
    let mut inside = 0;
    for (residual, row) in residuals.iter_mut().zip(&level.rows) {
        *residual -= gain * row[6];
        sorted[inside] = residual.abs();
        inside += usize::from(!residual.is_nan());
    }
    let mut sums = [[0.0_f64; 8]; 8];
    if inside == 0 {
        return (sums, f64::INFINITY);
    }
    let (_, median, _) = sorted[..inside].select_nth_unstable_by(inside / 2, f32::total_cmp);
    let sigma = (MAD_TO_SD * *median).max(ROUNDING);
    let bound = BIWEIGHT * sigma;
    for (residuals, rows) in residuals.chunks(CHUNK).zip(level.rows.chunks(CHUNK)) {
        // The upper triangle in blocks of four columns: as many sums as the processor has registers for.
        let mut left = [[0.0_f32; 4]; 4];
        let mut right = [[0.0_f32; 4]; 7];
        for (&e, row) in residuals.iter().zip(rows) {
            let share = e / bound;
            let rest = 1.0 - share * share;
            // Outside the field of view e is NaN, and this is not true either.
            if !(rest > 0.0) {
                continue;
            }
            let weight = rest * rest;
            let mut row = *row;
            row[7] = e;
            for i in 0..4 {
                let w = weight * row[i];
                for j in 0..4 {
                    left[i][j] += w * row[j];
                }
            }
            for i in 0..7 {
                let w = weight * row[i];
                for j in 0..4 {
                    right[i][j] += w * row[4 + j];
                }
            }
        }
        for i in 0..7 {
            for j in 0..4 {
                sums[i][j] += if i < 4 { f64::from(left[i][j]) } else { f64::from(right[j][i - 4]) };
                sums[i][4 + j] += f64::from(right[i][j]);
            }
        }
    }
    (sums, f64::from(sigma))
}
