//! What makes motion dangerous: signal that is lost when the head moves, unevenly but alike in neighbouring places.
//!
//! A head that has moved is excited unevenly until the spins settle again, so that signal falls in proportion to the
//! displacement. It comes back over some ten seconds, here as exp(−t/3.5 s), which leaves a twentieth of the loss after
//! ten. How much a parcel loses is 0.6 + z, z a Gaussian field drawn anew with each startle, with covariance
//! exp(−d²/2ℓ²), d the distance between parcels and ℓ = 35 mm. The shared 0.6 makes all parcels seem connected; the
//! field makes near parcels seem more connected than far ones, the pattern that Power et al. 2012, NeuroImage 59:2142
//! and Satterthwaite et al. 2012, NeuroImage 60:623 found in people who move. The shape is theirs; the figures are this
//! project's own.

use rand::RngExt;
use rand::rngs::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::parcellation::Parcel;
use super::truth::{Square, distance_mm};

/// Time constant of the return, s.
const RETURN_S: f64 = 3.5;
/// Reach of the field, mm.
const REACH_MM: f64 = 35.0;
/// The part of the loss that all parcels share, against the unit SD of the field.
const SHARED: f64 = 0.6;
/// Loss per mm of displacement where the field and the shared part add up to 1, percent.
const LOSS_PERCENT_PER_MM: f64 = 4.0;
/// Added to the field's variance so that its covariance can be factored, whatever the parcels.
const NUGGET: f64 = 1e-6;

/// The spatial pattern that losses are drawn from.
#[derive(Debug, Clone, PartialEq)]
pub struct LossField {
    factor: Square,
}

/// Signal lost in a run, percent of the baseline.
#[derive(Debug, Clone, PartialEq)]
pub struct Loss {
    /// `[frame][parcel]`.
    pub parcels: Vec<Vec<f64>>,
    /// What tissue outside parcels loses: the shared part, one value per frame.
    pub shared: Vec<f64>,
}

impl LossField {
    /// The field over some parcels; none only if the centroids are not finite.
    #[must_use]
    pub fn new(parcels: &[Parcel]) -> Option<Self> {
        let covariance = Square::from_fn(parcels.len(), |i, j| {
            let d = distance_mm(&parcels[i], &parcels[j]) / REACH_MM;
            (-d * d / 2.0).exp() + if i == j { NUGGET } else { 0.0 }
        });
        Some(Self { factor: covariance.cholesky()? })
    }

    /// Losses for a run: `moved_mm` is the head's own displacement in each frame, `startled` says when the pattern
    /// changes.
    pub fn draw(&self, moved_mm: &[f64], startled: &[bool], tr_s: f64, rng: &mut ChaCha8Rng) -> Loss {
        let fades = (-tr_s / RETURN_S).exp();
        let mut pattern = self.pattern(rng);
        let mut now = vec![0.0; self.factor.size];
        let mut shared_now = 0.0;
        let mut loss = Loss { parcels: Vec::with_capacity(moved_mm.len()), shared: Vec::with_capacity(moved_mm.len()) };
        for (&mm, &new) in moved_mm.iter().zip(startled) {
            if new {
                pattern = self.pattern(rng);
            }
            let push = LOSS_PERCENT_PER_MM * mm;
            for (lost, p) in now.iter_mut().zip(&pattern) {
                *lost = *lost * fades + push * p;
            }
            shared_now = shared_now * fades + push * SHARED;
            loss.parcels.push(now.clone());
            loss.shared.push(shared_now);
        }
        loss
    }

    fn pattern(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let white: Vec<f64> = (0..self.factor.size).map(|_| rng.sample(StandardNormal)).collect();
        self.factor.lower_times(&white).into_iter().map(|z| SHARED + z).collect()
    }
}
