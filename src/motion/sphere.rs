//! The radius of the sphere that turns rotations into millimetres, by age or from the brain mask.
//!
//! *By age*: 50 mm × median head circumference at the child's age and sex ÷ the adult value (columns
//! `sphere_radius_mm`, `sphere_radius_from`). The 50 mm sphere is an adult one; the scaling is this project's own
//! convention. Medians: WHO Child Growth Standards 2007, head circumference-for-age (table in docs/methods.md), linear
//! between the table's ages; above 60 months linear to the adult value (55.1 cm male, 53.6 cm female) at 216 months.
//! The mean of both sexes is used when sex is unknown.
//!
//! *From the mask*: the mean distance from the mask's centroid to its surface voxels, which are those with a face
//! neighbour outside the mask (own convention). It is the brain's radius, not the head's.

use crate::discover::Sex;
use crate::nifti::Affine;
use crate::units::Millimetres;

const AGES_MONTHS: [f64; 14] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 9.0, 12.0, 18.0, 24.0, 36.0, 48.0, 60.0];
const MALE_CM: [f64; 14] =
    [34.46, 37.28, 39.13, 40.51, 41.63, 42.56, 43.33, 45.00, 46.07, 47.37, 48.25, 49.46, 50.21, 50.74];
const FEMALE_CM: [f64; 14] =
    [33.88, 36.55, 38.25, 39.53, 40.58, 41.46, 42.20, 43.83, 44.90, 46.24, 47.18, 48.51, 49.33, 49.92];
const ADULT_MONTHS: f64 = 216.0;
const ADULT_MALE_CM: f64 = 55.1;
const ADULT_FEMALE_CM: f64 = 53.6;
const ADULT_RADIUS_MM: f64 = 50.0;

/// Median head circumference, cm, at an age in months (below 0: the value at birth).
#[must_use]
pub fn circumference_cm(age_months: f64, sex: Sex) -> f64 {
    let of = |table: &[f64; 14], adult: f64| {
        if age_months >= ADULT_MONTHS {
            return adult;
        }
        let points = AGES_MONTHS.iter().copied().zip(table.iter().copied()).chain([(ADULT_MONTHS, adult)]);
        let mut below = (AGES_MONTHS[0], table[0]);
        for (age, value) in points {
            if age_months <= age {
                let span = age - below.0;
                let share = if span > 0.0 { ((age_months - below.0) / span).max(0.0) } else { 1.0 };
                return below.1 + share * (value - below.1);
            }
            below = (age, value);
        }
        adult
    };
    match sex {
        Sex::Male => of(&MALE_CM, ADULT_MALE_CM),
        Sex::Female => of(&FEMALE_CM, ADULT_FEMALE_CM),
        Sex::Unknown => (of(&MALE_CM, ADULT_MALE_CM) + of(&FEMALE_CM, ADULT_FEMALE_CM)) / 2.0,
    }
}

/// The sphere's radius, mm, at an age in months.
#[must_use]
pub fn radius(age_months: f64, sex: Sex) -> Millimetres {
    let adult = match sex {
        Sex::Male => ADULT_MALE_CM,
        Sex::Female => ADULT_FEMALE_CM,
        Sex::Unknown => (ADULT_MALE_CM + ADULT_FEMALE_CM) / 2.0,
    };
    Millimetres(ADULT_RADIUS_MM * circumference_cm(age_months, sex) / adult)
}

/// Why no radius can be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SphereError {
    #[error(
        "the brain mask has {flags} flags for a grid of {voxels} voxels; give one flag per voxel of the scan's \
        grid"
    )]
    Shape { flags: usize, voxels: usize },
    #[error(
        "the brain mask holds no voxel, so it has no radius; give another mask, or set motion.sphere_radius to \
        millimetres or \"by-age\""
    )]
    EmptyMask,
}

/// What a mask says about the head's size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MaskSize {
    /// Mean distance from the centroid to the centres of surface voxels.
    pub radius: Millimetres,
    /// Mean position of the mask's voxel centres, world mm.
    pub centroid_mm: [f64; 3],
    /// Voxels with a face neighbour outside the mask; everything beyond the volume's border counts as outside.
    pub surface_voxels: usize,
}

/// The size of a mask with one flag per voxel of a grid of `shape` voxels, stored with the first axis fastest and
/// placed in the world by `affine`.
///
/// # Errors
/// [`SphereError`].
pub fn of_mask(mask: &[bool], shape: [usize; 3], affine: &Affine) -> Result<MaskSize, SphereError> {
    let [nx, ny, nz] = shape;
    let voxels = nx * ny * nz;
    if mask.len() != voxels {
        return Err(SphereError::Shape { flags: mask.len(), voxels });
    }
    let at = |voxel: usize| [voxel % nx, voxel / nx % ny, voxel / (nx * ny)];
    let (mut sum, mut count) = ([0.0; 3], 0.0);
    for voxel in (0..voxels).filter(|&voxel| mask[voxel]) {
        // Indices are summed, and the mean is placed in the world: exact, as the map is affine.
        at(voxel).iter().zip(&mut sum).for_each(|(&index, sum)| *sum += index as f64);
        count += 1.0;
    }
    if count == 0.0 {
        return Err(SphereError::EmptyMask);
    }
    let centroid_mm = affine.apply(sum.map(|s| s / count));
    let is_surface = |voxel: usize| {
        let mut stride = 1;
        shape.iter().zip(at(voxel)).any(|(&length, place)| {
            let step = stride;
            stride *= length;
            place == 0 || place + 1 == length || !mask[voxel - step] || !mask[voxel + step]
        })
    };
    let (mut distances, mut surface_voxels) = (0.0, 0);
    for voxel in (0..voxels).filter(|&voxel| mask[voxel] && is_surface(voxel)) {
        let place = affine.apply(at(voxel).map(|index| index as f64));
        distances += (0..3).map(|a| (place[a] - centroid_mm[a]).powi(2)).sum::<f64>().sqrt();
        surface_voxels += 1;
    }
    // A mask with a voxel has a surface: its first voxel in storage order has nothing before it.
    Ok(MaskSize { radius: Millimetres(distances / surface_voxels as f64), centroid_mm, surface_voxels })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ball in a grid of voxels of these sizes, centred somewhere between voxels, and its affine.
    fn ball(radius_mm: f64, sizes: [f64; 3]) -> (Vec<bool>, [usize; 3], Affine) {
        let shape = sizes.map(|size| (2.0 * radius_mm / size) as usize + 6);
        let mut affine = Affine::scaling(sizes);
        (0..3).for_each(|a| affine.0[a][3] = -sizes[a] * (shape[a] as f64 / 2.0 - 0.3) + 7.0);
        let [nx, ny, nz] = shape;
        let mask = (0..nx * ny * nz)
            .map(|v| {
                let place = affine.apply([v % nx, v / nx % ny, v / (nx * ny)].map(|n| n as f64));
                place.iter().map(|x| (x - 7.0).powi(2)).sum::<f64>() <= radius_mm * radius_mm
            })
            .collect();
        (mask, shape, affine)
    }

    #[test]
    fn a_ball_has_its_radius_but_for_half_a_voxel() {
        // Centres of surface voxels lie up to a voxel inside the ball, half of one on average.
        for (radius, sizes) in [(50.0, [3.0; 3]), (40.0, [2.0, 2.0, 4.0]), (33.0, [3.0, 2.5, 1.5]), (20.0, [1.0; 3])] {
            let (mask, shape, affine) = ball(radius, sizes);
            let size = of_mask(&mask, shape, &affine).unwrap();
            let short = radius - size.radius.0;
            let voxel = sizes.iter().copied().fold(0.0, f64::max);
            assert!(short > 0.0 && short < 0.75 * voxel, "{radius}: {short} short, voxels of {sizes:?}");
            assert!(size.centroid_mm.iter().all(|c| (c - 7.0).abs() < 0.05), "{:?}", size.centroid_mm);
            let area = 4.0 * std::f64::consts::PI * radius * radius;
            assert!(size.surface_voxels as f64 > 0.5 * area / (sizes[0] * sizes[1]).max(sizes[1] * sizes[2]));
        }
    }

    #[test]
    fn a_mask_that_fills_its_volume_has_the_border_for_a_surface() {
        let size = of_mask(&[true; 27], [3, 3, 3], &Affine::scaling([2.0; 3])).unwrap();
        assert_eq!((size.surface_voxels, size.centroid_mm), (26, [2.0; 3]));
        // Six faces' middles at 2 mm, twelve edges' at √8, eight corners at √12.
        let expected = (6.0 * 2.0 + 12.0 * 8f64.sqrt() + 8.0 * 12f64.sqrt()) / 26.0;
        assert!((size.radius.0 - expected).abs() < 1e-12);
        let single = of_mask(&[false, true, false], [3, 1, 1], &Affine::scaling([2.0; 3])).unwrap();
        assert_eq!((single.radius, single.surface_voxels), (Millimetres(0.0), 1));
    }

    #[test]
    fn masks_without_a_voxel_or_of_another_grid_are_refused() {
        let affine = Affine::scaling([1.0; 3]);
        assert_eq!(of_mask(&[false; 8], [2, 2, 2], &affine), Err(SphereError::EmptyMask));
        assert_eq!(of_mask(&[], [0, 2, 2], &affine), Err(SphereError::EmptyMask));
        let error = of_mask(&[true; 7], [2, 2, 2], &affine).unwrap_err();
        assert_eq!(error, SphereError::Shape { flags: 7, voxels: 8 });
    }

    #[test]
    fn the_tables_ages_give_the_tables_values() {
        for (i, &age) in AGES_MONTHS.iter().enumerate() {
            assert_eq!(circumference_cm(age, Sex::Male), MALE_CM[i]);
            assert_eq!(circumference_cm(age, Sex::Female), FEMALE_CM[i]);
        }
        assert_eq!(radius(216.0, Sex::Female), Millimetres(50.0));
        assert_eq!(radius(400.0, Sex::Unknown), Millimetres(50.0));
    }

    #[test]
    fn between_ages_it_is_linear() {
        let half = circumference_cm(7.5, Sex::Male);
        assert!((half - (43.33 + 45.00) / 2.0).abs() < 1e-12);
        let later = circumference_cm(138.0, Sex::Male);
        assert!((later - (50.74 + 55.1) / 2.0).abs() < 1e-12);
        assert!((radius(0.0, Sex::Unknown).0 - 50.0 * 34.17 / 54.35).abs() < 1e-12);
    }
}
