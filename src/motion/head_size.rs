//! The radius of the sphere that turns rotations into millimetres, by age.
//!
//! 50 mm × median head circumference at the child's age and sex ÷ the adult value. The 50 mm sphere is an adult one; the
//! scaling is this project's own convention. Medians: WHO Child Growth Standards 2007, head circumference-for-age
//! (methods.md), linear between the table's ages; above 60 months linear to the adult value (55.1 cm male, 53.6 cm female)
//! at 216 months. The mean of both sexes is used when sex is unknown.

use crate::discover::Sex;
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

#[cfg(test)]
mod tests {
    use super::*;

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
