//! `--where COLUMN=VALUE`: a condition on a column of the cohort table.

use std::str::FromStr;

use crate::tables::no_value;

/// A condition on a column of the cohort table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Condition {
    pub column: String,
    /// Whether the cell must be the value, or must not.
    pub equal: bool,
    pub value: String,
}

impl FromStr for Condition {
    type Err = String;

    /// `COLUMN=VALUE` or `COLUMN!=VALUE`.
    fn from_str(text: &str) -> Result<Self, String> {
        let (column, equal, value) = match text.split_once('=') {
            Some((before, value)) => match before.strip_suffix('!') {
                Some(column) => (column, false, value),
                None => (before, true, value),
            },
            None => ("", true, ""),
        };
        if column.trim().is_empty() || value.trim().is_empty() {
            return Err(
                "expected COLUMN=VALUE or COLUMN!=VALUE, such as sex=f; n/a stands for an empty cell".to_owned()
            );
        }
        Ok(Self { column: column.trim().to_owned(), equal, value: value.trim().to_owned() })
    }
}

impl std::fmt::Display for Condition {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}{}", self.column, if self.equal { "=" } else { "!=" }, self.value)
    }
}

impl Condition {
    /// Whether a cell meets it. Numbers are compared as numbers: 12 is 12.0.
    #[must_use]
    pub fn holds(&self, cell: &str) -> bool {
        let number = |text: &str| text.parse::<f64>().ok();
        let same = cell == self.value
            || (no_value(cell) && no_value(&self.value))
            || number(cell).is_some_and(|n| Some(n) == number(&self.value));
        same == self.equal
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_are_read_and_compare_numbers_as_numbers() {
        let read = |text: &str| text.parse::<Condition>();
        let sex = read("sex = f").unwrap();
        assert!(sex.holds("f") && !sex.holds("F") && !sex.holds("n/a"));
        let age = read("age!=12").unwrap();
        assert!(!age.holds("12.0") && age.holds("12.5") && age.holds("n/a"));
        for nothing in ["", "N/A", "NA", "nan"] {
            assert!(read("note=n/a").unwrap().holds(nothing) && !read("note!=n/a").unwrap().holds(nothing));
        }
        assert_eq!(read("a=b=c").unwrap(), Condition { column: "a".to_owned(), equal: true, value: "b=c".to_owned() });
        assert_eq!(read("a=b!=c").unwrap().value, "b!=c");
        for wrong in ["", "sex", "=f", "!=f", "sex=", "sex!= "] {
            assert!(read(wrong).unwrap_err().contains("COLUMN=VALUE"), "{wrong}");
        }
    }
}
