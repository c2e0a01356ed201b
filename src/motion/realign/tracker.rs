//! Frame after frame: where to start, which start to keep, and when to say that there is no pose.

use super::fit::{self, Frame, Holes, Patience, Room, State};
use super::pyramid::Pyramid;
use super::reference::Reference;
use super::rigid::{Pose, Rigid};

/// A frame whose correlation with the reference, at its best pose, is below this shows something other than the moved
/// head. Measured (`frames_without_a_head` in tests/reference/test_realign.py): noise and smooth noise at most 0.28,
/// half the volume gone at most 0.66, a head at SNR 1 at least 0.90; the limit lies in the middle of the gap.
const LEAST_CORRELATION: f64 = 0.8;
/// A frame may not be dimmer than this share of the reference: alternate missing slices leave the smoothed image
/// similar but half as bright. Brighter frames are common, since the first ones are not saturated. Own convention.
const LEAST_GAIN: f64 = 2.0 / 3.0;
/// The share of points that must stay inside the field of view. Own convention: with less, too much of the head is
/// unseen.
const LEAST_OVERLAP: f64 = 0.5;
/// The finest level ends with a step below this, mm.
const FINE_TOLERANCE_MM: f64 = 0.003;
/// Steps at the finest level, at most: twice what a frame with a pose took at most (10, where a place had lost 60 % of
/// its signal; 1 to 5 as a rule; tests/reference/test_realign.py).
const FINE_STEPS: usize = 20;
/// A frame whose residuals imply a larger error than this ([`fit::State::spread_mm`]) has no pose. Own convention: no
/// frame of a scan may be worse. Crops of 10 × 10 × 18 and 17 × 21 × 3 voxels of real scans come to 0.28 mm and more, a
/// whole head at SNR 25 to 0.03 mm (`crops_of_the_brain` in tests/reference/test_realign.py).
const MOST_SPREAD_MM: f64 = 0.25;
/// Coarser levels end with a step below this share of their voxel; the next level does the rest.
const COARSE_TOLERANCE: f64 = 0.01;
/// Steps at a coarser level, at most: 15 mm and 10° are three voxels of the coarsest, which steps of at most one voxel
/// reach in a few; the rest is for convergence.
const COARSE_STEPS: usize = 25;

/// Why a frame has no pose.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Unaligned {
    #[error("the frame has {found} voxels, the reference {expected}; give frames of one scan")]
    Length { found: usize, expected: usize },
    #[error("the frame has no image in it: its values are all the same, or not finite")]
    Empty,
    #[error("only {:.0} % of the brain stays in the field of view; {:.0} % are needed", found * 100.0, needed * 100.0)]
    Overlap { found: f64, needed: f64 },
    #[error("at its best pose the frame correlates {found:.3} with the reference; {needed} is needed")]
    Unlike { found: f64, needed: f64 },
    #[error("the frame has {found:.2} times the reference's signal; at least {needed:.2} is needed")]
    Dim { found: f64, needed: f64 },
    #[error("its residuals imply a pose error of {found_mm:.2} mm; at most {allowed_mm} mm is allowed")]
    Uncertain { found_mm: f64, allowed_mm: f64 },
    #[error("after {steps} steps the pose still moves by {step_mm:.3} mm a step")]
    NotConverged { steps: usize, step_mm: f64 },
}

/// Finds poses of one scan's frames, in their order.
#[derive(Debug)]
pub struct Tracker<'a> {
    reference: &'a Reference,
    pyramid: Pyramid,
    room: Room,
    last: Rigid,
}

impl<'a> Tracker<'a> {
    /// Allocates all the memory that it will need.
    #[must_use]
    pub fn new(reference: &'a Reference) -> Self {
        let grids: Vec<_> = reference.levels.iter().map(|level| level.grid).collect();
        let most_points = reference.levels.iter().map(|level| level.points.len()).max().unwrap_or(0);
        let voxel_mm = reference.levels.first().map_or([1.0; 3], |level| level.to_world.voxel_sizes());
        Self { reference, pyramid: Pyramid::new(&grids, voxel_mm), room: Room::new(most_points), last: Rigid::IDENTITY }
    }

    /// The pose of the next frame. `frame` has one value per voxel, x fastest.
    ///
    /// # Errors
    /// [`Unaligned`]: there is none that could be trusted.
    pub fn align(&mut self, frame: &[f32]) -> Result<Pose, Unaligned> {
        let (found, gain) = self.fit(frame)?;
        self.last = found.rigid;
        Ok(found.rigid.pose(gain))
    }

    /// The fit, and how bright the whole frame is relative to the reference.
    fn fit(&mut self, frame: &[f32]) -> Result<(State, f64), Unaligned> {
        let expected: usize = self.reference.shape.iter().product();
        if frame.len() != expected {
            return Err(Unaligned::Length { found: frame.len(), expected });
        }
        let filled = self.pyramid.fill(frame, self.reference.scale, Some(self.reference.mean));
        if filled.constant {
            return Err(Unaligned::Empty);
        }
        let holes = filled.holes.then_some(Holes { voxels: frame, shape: self.reference.shape });
        let coarsest = self.reference.levels.len() - 1;

        let mut best = self.level(coarsest, self.last, holes);
        if self.last.shift != [0.0; 3] {
            let other = self.level(coarsest, Rigid::IDENTITY, holes);
            if better(&other, &best) {
                best = other;
            }
        }
        for level in (0..coarsest).rev() {
            best = self.level(level, best.rigid, holes);
        }
        let gain = filled.mean / self.reference.mean;
        Ok((judged(best, gain)?, gain))
    }

    fn level(&mut self, index: usize, start: Rigid, holes: Option<Holes<'_>>) -> State {
        let level = &self.reference.levels[index];
        let voxel_mm = level.to_world.voxel_sizes().into_iter().fold(f64::INFINITY, f64::min);
        let patience = if index == 0 {
            Patience { tolerance_mm: FINE_TOLERANCE_MM, most_steps: FINE_STEPS, longest_step_mm: voxel_mm }
        } else {
            Patience { tolerance_mm: COARSE_TOLERANCE * voxel_mm, most_steps: COARSE_STEPS, longest_step_mm: voxel_mm }
        };
        let frame = Frame { pyramid: &self.pyramid, level: index, holes };
        fit::fit(level, frame, self.reference.pivot, self.reference.radius_mm, start, patience, &mut self.room)
    }
}

/// Whether fit `a` is better than `b`: enough of the brain in view counts first, then the correlation.
fn better(a: &State, b: &State) -> bool {
    let seen = |state: &State| state.overlap >= LEAST_OVERLAP;
    match (seen(a), seen(b)) {
        (true, false) => true,
        (false, true) => false,
        _ => a.correlation > b.correlation || b.correlation.is_nan(),
    }
}

fn judged(state: State, gain: f64) -> Result<State, Unaligned> {
    if !(state.overlap >= LEAST_OVERLAP) {
        return Err(Unaligned::Overlap { found: state.overlap, needed: LEAST_OVERLAP });
    }
    if !(state.correlation >= LEAST_CORRELATION) {
        return Err(Unaligned::Unlike { found: state.correlation, needed: LEAST_CORRELATION });
    }
    if !(gain >= LEAST_GAIN) {
        return Err(Unaligned::Dim { found: gain, needed: LEAST_GAIN });
    }
    if !(state.spread_mm <= MOST_SPREAD_MM) {
        return Err(Unaligned::Uncertain { found_mm: state.spread_mm, allowed_mm: MOST_SPREAD_MM });
    }
    if !(state.step_mm < state.tolerance_mm) {
        return Err(Unaligned::NotConverged { steps: state.steps, step_mm: state.step_mm });
    }
    Ok(state)
}
