//! How an invented child moves: drift, startles, restless spells, and breathing, which shows in the trace only.
//!
//! Head position is six parameters (mm, rad). A **startle** moves the head at once in a random direction; part of it
//! stays and the rest goes back over a few seconds. A **spell** (stirring, crying) is a train of startles over ten to
//! twenty-five seconds, and an observer logs it. **Drift** is a slow slide. **Breathing** oscillates in the recorded
//! trace and not in the head: the moving chest disturbs the field and with it the estimated position (Fair et al. 2020,
//! NeuroImage 208:116400). Rates of breathing by age are those of [`crate::motion::respiration::band`]. Younger
//! children move more often and farther; the figures for that are this project's invention. They are set so that a calm
//! child keeps most of a run at a limit of 0.2 mm, and a restless young one keeps less than five minutes of ten.

use std::f64::consts::PI;

use rand::RngExt;
use rand::rngs::ChaCha8Rng;
use rand_distr::StandardNormal;

use crate::motion::respiration::BreathingBand;

/// Radius that turns rotations into millimetres, mm (Power et al. 2012, NeuroImage 59:2142).
const SPHERE_MM: f64 = 50.0;
/// How much more often a restless child startles.
const RESTLESS: f64 = 3.6;

/// How restless a child is in a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Temper {
    pub startles_per_min: f64,
    /// Median size of a startle, mm of translation.
    pub startle_mm: f64,
    pub spells_per_min: f64,
    /// Slide over a whole run, mm.
    pub drift_mm: f64,
    /// Unsteadiness from frame to frame, SD, mm.
    pub unsteady_mm: f64,
    /// Amplitude of breathing in the trace, mm.
    pub breathing_mm: f64,
    pub breaths_per_min: f64,
}

impl Temper {
    /// The temper of a child. `level` multiplies how often and how far it moves: 1 is usual, 0 lies still.
    pub fn draw(age_months: f64, restless: bool, level: f64, rng: &mut ChaCha8Rng) -> Self {
        let youth = (-age_months / 36.0).exp();
        let own = (0.25 * rng.sample::<f64, _>(StandardNormal)).exp();
        let often = level * own * if restless { RESTLESS } else { 1.0 };
        // An invented child's age is drawn within its group, so it is finite.
        let [low, high] = BreathingBand::by_age(age_months).map_or([0.0, 0.0], |band| band.per_min());
        Self {
            startles_per_min: (0.35 + 0.55 * youth) * often,
            startle_mm: (0.25 + 0.35 * youth) * level.sqrt(),
            spells_per_min: (0.05 + 0.09 * youth) * often,
            drift_mm: (0.3 + 0.5 * youth) * level.min(3.0),
            unsteady_mm: 0.005 * level.sqrt().min(2.0),
            breathing_mm: 0.012 + 0.010 * rng.random::<f64>(),
            breaths_per_min: low + (high - low) * rng.random::<f64>(),
        }
    }
}

/// One line of a watch log.
#[derive(Debug, Clone, PartialEq)]
pub struct Logged {
    pub onset_s: f64,
    pub duration_s: f64,
    pub what: &'static str,
}

/// What a run's head did, and what was recorded of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Movement {
    /// Where the head was, one row per frame: translations mm, rotations rad.
    pub head: Vec<[f64; 6]>,
    /// What the motion table says: the same with breathing.
    pub recorded: Vec<[f64; 6]>,
    /// Frames in which a startle began.
    pub startled: Vec<bool>,
    pub log: Vec<Logged>,
}

struct Startle {
    at_s: f64,
    jump: [f64; 6],
    stays: f64,
    back_s: f64,
}

impl Movement {
    /// Draws a run of `frames` frames of `tr_s` seconds.
    pub fn draw(temper: &Temper, frames: usize, tr_s: f64, rng: &mut ChaCha8Rng) -> Self {
        let length_s = frames as f64 * tr_s;
        let mut startles = Vec::new();
        let mut log = Vec::new();
        for at_s in arrivals(temper.startles_per_min, length_s, rng) {
            startles.push(startle(at_s, temper.startle_mm, rng));
        }
        for onset_s in arrivals(temper.spells_per_min, length_s, rng) {
            let duration_s = (10.0 + 15.0 * rng.random::<f64>()).min(length_s - onset_s);
            for at_s in arrivals(24.0, duration_s, rng) {
                startles.push(startle(onset_s + at_s, 1.2 * temper.startle_mm, rng));
            }
            // The note is made by hand, a moment late and a moment long.
            let late_s = rng.random::<f64>();
            let what = if rng.random::<f64>() < 0.5 { "stirring" } else { "crying" };
            log.push(Logged { onset_s: onset_s + late_s, duration_s: duration_s + 1.0, what });
        }
        // Eyes open is logged as well, and need not come with movement.
        for onset_s in arrivals(0.04, length_s, rng) {
            log.push(Logged { onset_s, duration_s: 15.0 + 20.0 * rng.random::<f64>(), what: "eyes_open" });
        }
        for entry in &mut log {
            entry.onset_s = (entry.onset_s * 10.0).round() / 10.0;
            let left_s = (length_s - entry.onset_s).max(0.1);
            entry.duration_s = (entry.duration_s.min(left_s) * 10.0).round() / 10.0;
        }
        log.sort_by(|a, b| a.onset_s.total_cmp(&b.onset_s));

        let slide = direction(temper.drift_mm, rng);
        let sway = direction(temper.drift_mm / 2.0, rng);
        let mut breath_phase = 2.0 * PI * rng.random::<f64>();
        let breath = direction(temper.breathing_mm, rng);
        let mut movement = Self { head: Vec::new(), recorded: Vec::new(), startled: vec![false; frames], log };
        for frame in 0..frames {
            let time_s = (frame as f64 + 0.5) * tr_s;
            let share = time_s / length_s;
            let mut head: [f64; 6] = std::array::from_fn(|p| {
                let unit = if p < 3 { temper.unsteady_mm } else { temper.unsteady_mm / SPHERE_MM };
                slide[p] * share + sway[p] * (PI * share).sin() + unit * rng.sample::<f64, _>(StandardNormal)
            });
            for s in startles.iter().filter(|s| s.at_s <= time_s) {
                let left = s.stays + (1.0 - s.stays) * (-(time_s - s.at_s) / s.back_s).exp();
                (0..6).for_each(|p| head[p] += s.jump[p] * left);
                if time_s - s.at_s < tr_s {
                    movement.startled[frame] = true;
                }
            }
            // The rate wanders by a tenth from breath to breath.
            let wander = 1.0 + 0.1 * rng.sample::<f64, _>(StandardNormal);
            breath_phase += 2.0 * PI * temper.breaths_per_min / 60.0 * tr_s * wander;
            let swing = breath_phase.sin();
            movement.head.push(head);
            movement.recorded.push(std::array::from_fn(|p| head[p] + breath[p] * swing));
        }
        movement
    }
}

/// Displacement between frames, sum form, mm; 0 in the first frame (Power et al. 2012, NeuroImage 59:2142).
#[must_use]
pub fn displacement_mm(trace: &[[f64; 6]]) -> Vec<f64> {
    let between = trace
        .windows(2)
        .map(|w| (0..6).map(|p| (w[1][p] - w[0][p]).abs() * if p < 3 { 1.0 } else { SPHERE_MM }).sum::<f64>());
    std::iter::once(0.0).chain(between).take(trace.len()).collect()
}

/// Times of events that come at random at a steady rate.
fn arrivals(per_min: f64, length_s: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut times = Vec::new();
    if per_min <= 0.0 {
        return times;
    }
    let mut at_s = 0.0;
    loop {
        at_s += -(1.0 - rng.random::<f64>()).ln() * 60.0 / per_min;
        if at_s >= length_s {
            return times;
        }
        times.push(at_s);
    }
}

/// A displacement in a random direction: `mm` of translation, and rotations that move the sphere half as far.
fn direction(mm: f64, rng: &mut ChaCha8Rng) -> [f64; 6] {
    let mut v: [f64; 6] = std::array::from_fn(|_| rng.sample(StandardNormal));
    for (half, size) in [(0, mm), (3, mm / 2.0 / SPHERE_MM)] {
        let norm = v[half..half + 3].iter().map(|x: &f64| x * x).sum::<f64>().sqrt().max(1e-12);
        v[half..half + 3].iter_mut().for_each(|x| *x *= size / norm);
    }
    v
}

fn startle(at_s: f64, median_mm: f64, rng: &mut ChaCha8Rng) -> Startle {
    let mm = median_mm * (0.6 * rng.sample::<f64, _>(StandardNormal)).exp();
    let jump = direction(mm, rng);
    let stays = if rng.random::<f64>() < 0.35 { 1.0 } else { 0.3 * rng.random::<f64>() };
    Startle { at_s, jump, stays, back_s: 1.5 + 2.5 * rng.random::<f64>() }
}
