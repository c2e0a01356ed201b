//! The time of a decision: UTC, to the second, as RFC 3339 writes it (`2026-11-25T09:30:00Z`).
//!
//! Days are counted in eras of 400 years, each of 146 097 days. Years begin in March, so that the leap day is the last
//! of its year. These are the Gregorian rules; the arithmetic is our own, and a test compares it with a slow twin.

use std::time::{SystemTime, UNIX_EPOCH};

/// The time now.
#[must_use]
pub fn now() -> String {
    let seconds = match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_secs()).unwrap_or(i64::MAX / 2),
        // A clock that was never set.
        Err(_) => 0,
    };
    utc(seconds)
}

/// Seconds since 1970-01-01T00:00:00Z as text.
#[must_use]
pub fn utc(seconds: i64) -> String {
    let (day, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let (year, month, day) = date(day);
    format!("{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z", second / 3600, second / 60 % 60, second % 60)
}

/// Year, month, day of a day counted from 1970-01-01.
fn date(day: i64) -> (i64, i64, i64) {
    // From 0000-03-01, which is 719 468 days before.
    let day = day + 719_468;
    let (era, of_era) = (day.div_euclid(146_097), day.rem_euclid(146_097));
    // Years before this day in its era: one day in 1460 is a leap day, but one in 36 524 is not, and the era's last is.
    let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    // March to July and August to December have 153 days in five months.
    let month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month + 2) / 5 + 1;
    let month = if month < 10 { month + 3 } else { month - 9 };
    (era * 400 + year_of_era + i64::from(month <= 2), month, day)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_day_of_eight_centuries_is_that_of_a_calendar_turned_day_by_day() {
        let (mut year, mut month, mut of_month) = (1970, 1, 1);
        for day in 0..366 * 800 {
            assert_eq!(date(day), (year, month, of_month));
            let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
            let long = [31, if leap { 29 } else { 28 }, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][month as usize - 1];
            of_month += 1;
            if of_month > long {
                (month, of_month) = (month + 1, 1);
            }
            if month > 12 {
                (year, month) = (year + 1, 1);
            }
        }
    }

    #[test]
    fn seconds_are_told_as_rfc_3339_has_them() {
        assert_eq!(utc(0), "1970-01-01T00:00:00Z");
        assert_eq!(utc(951_827_696), "2000-02-29T12:34:56Z");
        assert_eq!(utc(1_795_599_000), "2026-11-25T09:30:00Z");
        assert_eq!(utc(-1), "1969-12-31T23:59:59Z");
        assert!(now().len() == 20 && now().as_str() > "2026");
    }
}
