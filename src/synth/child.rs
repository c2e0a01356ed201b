//! Who an invented child is: age, sex, how it moves, what its brain mask covers. Each is drawn from a stream of its
//! own.

use rand::RngExt;

use super::head::{AgeGroup, Head, VoxelGrid};
use super::movement::Temper;
use super::scan::Voxels;
use super::settings::SynthSettings;
use super::streams::{CHILD_STREAM, stream};

/// An invented child.
#[derive(Debug, Clone)]
pub(super) struct Child {
    pub(super) number: usize,
    pub(super) age_months: f64,
    pub(super) sex: &'static str,
    pub(super) group: AgeGroup,
    pub(super) restless: bool,
    /// Size of the brain mask against the template's.
    pub(super) size: f64,
    /// Slices below this are missing, mm; minus infinity: none.
    pub(super) floor_mm: f64,
    pub(super) temper: Temper,
}

impl Child {
    /// Newborns, toddlers and school children come in turn. In every six, the first (a newborn) and the fifth (a
    /// toddler) are restless; in every five, the fourth was scanned without its lowest slices.
    pub(super) fn draw(number: usize, settings: &SynthSettings, template: &Head) -> Self {
        let mut rng = stream(settings.seed, CHILD_STREAM + number as u64);
        let group = AgeGroup::ALL[number % 3];
        let [young, old] = group.ages_months();
        let age_months = young + (old - young) * rng.random::<f64>();
        let restless = matches!(number % 6, 0 | 4);
        Self {
            number,
            age_months,
            sex: if rng.random::<f64>() < 0.5 { "F" } else { "M" },
            group,
            restless,
            size: 0.97 + 0.03 * rng.random::<f64>(),
            floor_mm: if number % 5 == 3 { -0.72 * template.half_axes_mm[2] } else { f64::NEG_INFINITY },
            temper: Temper::draw(age_months, restless, settings.motion, &mut rng),
        }
    }

    pub(super) fn label(&self) -> String {
        format!("sub-{:02}", self.number + 1)
    }

    /// Its voxels on a grid with these labels, without slices below `floor_mm`.
    pub(super) fn voxels(&self, template: &Head, grid: &VoxelGrid, labels: &[i16], floor_mm: f64) -> Voxels {
        let own = Head { half_axes_mm: template.half_axes_mm.map(|a| a * self.size) };
        Voxels::of_child(grid, &grid.matter(template), &grid.matter(&own), labels, floor_mm)
    }
}
