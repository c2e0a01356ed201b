//! Forms of one variable: a factor's reference, and powers.

use super::{Parser, Token};
use crate::group::formula::{Formula, FormulaError, Variable};

/// The highest power (own convention: curves of a higher one say little in the ages of childhood).
const HIGHEST: u8 = 3;

impl Parser<'_> {
    /// `, reference = "level"` of a factor, if it is there; the level may also be a bare name or number.
    pub(super) fn reference(&mut self) -> Result<Option<String>, FormulaError> {
        if !self.take(',') {
            return Ok(None);
        }
        if self.peek() != Some(&Token::Name("reference".to_owned())) {
            return Err(self.unexpected("reference = and a level between quotation marks"));
        }
        self.next += 1;
        if !self.take('=') {
            return Err(self.unexpected("= and a level between quotation marks"));
        }
        let Some(Token::Text(level) | Token::Name(level) | Token::Quoted(level) | Token::Number(level)) =
            self.peek().cloned()
        else {
            return Err(self.unexpected("a level between quotation marks"));
        };
        self.next += 1;
        Ok(Some(level))
    }

    /// `^2` behind a column, if it is there.
    pub(super) fn power(&mut self) -> Result<u8, FormulaError> {
        if !self.take('^') {
            return Ok(1);
        }
        let power = match self.peek() {
            Some(Token::Number(number)) => number.parse().ok().filter(|power| (2..=HIGHEST).contains(power)),
            _ => None,
        };
        let Some(power) = power else {
            return Err(self.unexpected("2 or 3 (a column name that contains ^ goes between backticks)"));
        };
        self.next += 1;
        Ok(power)
    }
}

impl Variable {
    /// Whether both are one variable; a factor may name its reference once and be written without it elsewhere.
    pub(super) fn is_same(&self, other: &Self) -> bool {
        let form = |of: &Self| (of.as_factor, of.part, of.power);
        let same = self.column == other.column && form(self) == form(other);
        same && (other.reference.is_none() || self.reference == other.reference)
    }

    /// Whether both take one column in ways that cannot go together.
    pub(super) fn clashes(&self, other: &Self) -> bool {
        let two_references = self.as_factor && other.reference.is_some() && self.reference != other.reference;
        let same_part = self.column == other.column && self.part == other.part;
        same_part && (self.as_factor != other.as_factor || two_references)
    }

    /// As it is written, with its reference.
    pub(super) fn in_full(&self) -> String {
        match &self.reference {
            Some(reference) => format!("factor({}, reference = \"{reference}\")", self.column),
            None => self.written(),
        }
    }
}

impl Formula {
    /// Every power has the lower ones, in interactions too.
    pub(in crate::group::formula) fn require_lower_powers(&self) -> Result<(), FormulaError> {
        for term in &self.terms {
            for &variable in term.iter().filter(|&&v| self.variables[v].power > 1) {
                let below = Variable { power: self.variables[variable].power - 1, ..self.variables[variable].clone() };
                let known = self.variables.iter().position(|known| *known == below);
                let lower = known.map(|known| {
                    let mut lower: Vec<usize> = term.iter().map(|&v| if v == variable { known } else { v }).collect();
                    lower.sort_unstable();
                    // `age^2:age` has no lower power of its own.
                    lower.dedup();
                    lower
                });
                if !lower.is_some_and(|lower| self.terms.contains(&lower)) {
                    let part = |&v: &usize| if v == variable { below.written() } else { self.variables[v].written() };
                    let lower = term.iter().map(part).collect::<Vec<_>>().join(":");
                    return Err(FormulaError::PowerMissing { term: self.written(term, ":"), lower });
                }
            }
        }
        Ok(())
    }
}
