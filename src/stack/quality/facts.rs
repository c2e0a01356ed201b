//! What the cohort table says of each child in the stack: motion, what was kept, and the covariates age and sex.
//!
//! The settings in a child's report say which columns hold age and sex. Sex is read as `keepstill run` reads it, by its
//! first letter, and counts as 0 for f and 1 for m. A covariate is left out, and the reason given, if nobody has it or
//! it is the same in all children. Sex is also left out where it follows from age.

use serde_json::{Value, json};

use super::studies::Studies;
use crate::discover::Sex;
use crate::group::weights::sampling_variance;
use crate::results::report::Settings;
use crate::results::{CohortTableError, Layout};
use crate::stack::gather::children::{Child, GatheredChildren};
use crate::stack::gather::error::StackError;
use crate::stack::gather::folders::Folders;
use crate::stack::gather::request::Weights;
use crate::tables::missing;

/// Below this share of its own variance a covariate follows from the other (own convention; rounding leaves some
/// 1e-15).
const NOTHING_OF_ITS_OWN: f64 = 1e-12;

/// One child's numbers; NaN where the table has none.
#[derive(Debug, Clone)]
pub(super) struct ChildFacts {
    pub mean_fd_mm: f64,
    pub mean_fd_kept_mm: f64,
    pub kept: Kept,
    /// As [`Covariate`]s: age, sex.
    covariates: [f64; 2],
}

/// What is left of a child's data.
#[derive(Debug, Clone, Copy)]
pub(super) struct Kept {
    pub minutes: f64,
    pub frames_share: f64,
    pub dof: f64,
}

impl Kept {
    pub(super) const COLUMNS: [&'static str; 3] = ["minutes_kept", "kept_share", "dof"];

    pub(super) fn new([minutes, frames_share, dof]: [f64; 3]) -> Self {
        Self { minutes, frames_share, dof }
    }

    /// Of so many minutes of what is kept, which have so many degrees of freedom. The share of frames means nothing.
    pub(super) fn part(self, minutes: f64, dof: f64) -> Self {
        Self { minutes, frames_share: f64::NAN, dof }
    }

    pub(super) fn values(&self) -> [f64; 3] {
        [self.minutes, self.frames_share, self.dof]
    }
}

/// Age or sex.
#[derive(Debug, Clone)]
pub(super) struct Covariate {
    pub what: &'static str,
    /// As the settings name it.
    pub column: Option<String>,
    /// Why it is not taken out.
    pub unused: Option<String>,
}

/// All children, and what can be taken out of their motion.
#[derive(Debug)]
pub(super) struct ChildrenFacts {
    pub facts: Vec<ChildFacts>,
    /// Age and sex.
    pub covariates: [Covariate; 2],
}

/// A cell of the cohort table as a number.
fn number(results: &Folders, child: &Child, column: &str, cell: &str) -> Result<f64, StackError> {
    if missing(cell) {
        return Ok(f64::NAN);
    }
    match cell.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(StackError::Unreadable {
            path: Layout::new(results.path(child.results)).cohort_table(),
            message: format!("'{cell}' under {column} of {} is not a finite number", child.stem),
        }),
    }
}

/// 0 for a cell that begins with f, 1 for m, in either case.
fn sex(cell: &str) -> f64 {
    match Sex::of_cell(cell) {
        Sex::Female => 0.0,
        Sex::Male => 1.0,
        Sex::Unknown => f64::NAN,
    }
}

impl ChildrenFacts {
    /// Reads the numbers.
    pub(super) fn read(
        results: &Folders,
        header: &[String],
        found: &GatheredChildren,
        studies: &Studies,
    ) -> Result<Self, StackError> {
        let at = |column: &str| header.iter().position(|known| known == column);
        let path = || Layout::new(results.path(0)).cohort_table();
        let need = |column: &'static str| at(column).ok_or_else(|| CohortTableError::NoColumn { path: path(), column });
        let numbers = [need("mean_fd_mm")?, need("mean_fd_kept_mm")?];
        let mut kept = [0; 3];
        for (place, column) in kept.iter_mut().zip(Kept::COLUMNS) {
            *place = need(column)?;
        }
        let named = |what, key: &str, column: fn(&Settings) -> Option<&str>| {
            let column = |settings: &Settings| column(settings).filter(|column| !column.is_empty()).map(str::to_owned);
            let words = |column: &Option<String>| column.clone().unwrap_or_else(|| "none".to_owned());
            let (column, unused) = match studies.agreed(column, words) {
                None => (None, Some("the settings are not known".to_owned())),
                Some(Err(unlike)) => (None, Some(format!("{key} is {unlike}"))),
                Some(Ok(None)) => (None, Some(format!("the study names no {key}"))),
                Some(Ok(Some(column))) => {
                    let unused = at(&column).is_none().then(|| format!("cohort.tsv has no column {column}"));
                    (Some(column), unused)
                }
            };
            Covariate { what, column, unused }
        };
        let mut covariates = [
            named("age", "age_column", |settings| settings.children.age_column.as_deref()),
            named("sex", "sex_column", |settings| settings.children.sex_column.as_deref()),
        ];
        let unit = |settings: &Settings| settings.sections["children"]["age_unit"].clone();
        if let Some(Err(unlike)) = studies.agreed(unit, |unit| unit.as_str().unwrap_or("none").to_owned()) {
            covariates[0].unused.get_or_insert_with(|| format!("age_unit is {unlike}"));
        }
        let places = covariates.each_ref().map(|covariate| covariate.column.as_deref().and_then(at));
        let mut facts = Vec::with_capacity(found.children.len());
        for child in &found.children {
            let cells: Vec<&str> = child.cells.split('\t').collect();
            let cell = |at: usize| cells.get(at).copied().unwrap_or_default();
            let value = |at: usize| number(results, child, &header[at], cell(at));
            facts.push(ChildFacts {
                mean_fd_mm: value(numbers[0])?,
                mean_fd_kept_mm: value(numbers[1])?,
                kept: {
                    let all = Kept::new([value(kept[0])?, value(kept[1])?, value(kept[2])?]);
                    child.used.map_or(all, |used| all.part(used.minutes, used.dof))
                },
                covariates: [
                    // The run has checked the ages; it did not use one that is not a number.
                    places[0].map_or(f64::NAN, |at| value(at).unwrap_or(f64::NAN)),
                    places[1].map_or(f64::NAN, |at| sex(cell(at))),
                ],
            });
        }
        let mut children = Self { facts, covariates };
        children.leave_out_what_tells_nothing();
        Ok(children)
    }

    /// 1/(dof − 2) of each child; `dof` is here or in a try. Where all count alike it is not needed, and the same.
    pub(super) fn sampling(
        &self,
        results: &Folders,
        found: &GatheredChildren,
        weights: Weights,
        dof: &[f64],
    ) -> Result<Vec<f64>, StackError> {
        if weights == Weights::Equal {
            return Ok(vec![1.0; self.facts.len()]);
        }
        let of = |(&dof, child): (&f64, &Child)| match dof {
            dof if dof.is_finite() => Ok(sampling_variance(dof)),
            _ => {
                let path = Layout::new(results.path(child.results)).cohort_table();
                Err(StackError::NoDof { path, stem: child.stem.clone() })
            }
        };
        dof.iter().zip(&found.children).map(of).collect()
    }

    /// Drops covariates until all that are left vary over the children who have them all.
    fn leave_out_what_tells_nothing(&mut self) {
        while let Some((covariate, why)) = self.what_tells_nothing() {
            self.covariates[covariate].unused = Some(why.to_owned());
        }
    }

    /// The first covariate that is of no use beside the others, and why.
    fn what_tells_nothing(&self) -> Option<(usize, &'static str)> {
        let used = self.used();
        let has = |covariate: usize| {
            self.facts.iter().any(|facts| facts.mean_fd_mm.is_finite() && facts.covariates[covariate].is_finite())
        };
        if let Some(&covariate) = used.iter().find(|&&covariate| !has(covariate)) {
            return Some((covariate, "no child has a value"));
        }
        let complete: Vec<Vec<f64>> = self.facts.iter().filter_map(|facts| self.adjusted(facts)).collect();
        if complete.is_empty() {
            return used.last().map(|&covariate| (covariate, "no child has both age and sex"));
        }
        let values = |k: usize| -> Vec<f64> { complete.iter().map(|all| all[k + 1]).collect() };
        let constant = |k: &usize| values(*k).windows(2).all(|pair| pair[0] == pair[1]);
        if let Some(k) = (0..used.len()).find(constant) {
            return Some((used[k], "it is the same in all children"));
        }
        (used.len() == 2 && follows(&values(0), &values(1))).then_some((1, "it follows from age"))
    }

    /// Which of age and sex are taken out.
    fn used(&self) -> Vec<usize> {
        (0..2).filter(|&k| self.covariates[k].unused.is_none()).collect()
    }

    /// The columns that are taken out.
    pub(super) fn adjusted_for(&self) -> Vec<String> {
        self.used().into_iter().filter_map(|k| self.covariates[k].column.clone()).collect()
    }

    /// Mean FD, of a child who has it.
    pub(super) fn plain(&self, facts: &ChildFacts) -> Option<Vec<f64>> {
        facts.mean_fd_mm.is_finite().then(|| vec![facts.mean_fd_mm])
    }

    /// Mean FD, then the covariates that are taken out, of a child who has them all.
    pub(super) fn adjusted(&self, facts: &ChildFacts) -> Option<Vec<f64>> {
        let all: Vec<f64> =
            [facts.mean_fd_mm].into_iter().chain(self.used().into_iter().map(|k| facts.covariates[k])).collect();
        all.iter().all(|v| v.is_finite()).then_some(all)
    }

    /// What `quality.json` says of age and sex.
    pub(super) fn covariates_told(&self) -> Value {
        let of = |covariate: &Covariate| {
            let Covariate { what, column, unused: why_not } = covariate;
            json!({ "what": what, "column": column, "used": why_not.is_none(), "why_not": why_not })
        };
        self.covariates.iter().map(of).collect()
    }
}

/// Whether one covariate is a straight line of the other.
fn follows(a: &[f64], b: &[f64]) -> bool {
    let n = a.len() as f64;
    let [ma, mb] = [a, b].map(|values| values.iter().sum::<f64>() / n);
    let sum = |f: &dyn Fn(f64, f64) -> f64| a.iter().zip(b).map(|(x, y)| f(x - ma, y - mb)).sum::<f64>();
    let (aa, bb, ab) = (sum(&|x, _| x * x), sum(&|_, y| y * y), sum(&|x, y| x * y));
    1.0 - ab * ab / (aa * bb) <= NOTHING_OF_ITS_OWN
}

#[cfg(test)]
mod tests {
    use super::*;

    fn children(covariates: &[[f64; 2]]) -> ChildrenFacts {
        let facts = |(k, &covariates): (usize, &[f64; 2])| ChildFacts {
            mean_fd_mm: 0.1 * k as f64,
            mean_fd_kept_mm: 0.1,
            kept: Kept::new([1.0; 3]),
            covariates,
        };
        let covariate = |what| Covariate { what, column: Some(what.to_owned()), unused: None };
        let mut children = ChildrenFacts {
            facts: covariates.iter().enumerate().map(facts).collect(),
            covariates: [covariate("age"), covariate("sex")],
        };
        children.leave_out_what_tells_nothing();
        children
    }

    #[test]
    fn covariates_that_tell_nothing_are_left_out() {
        const NAN: f64 = f64::NAN;
        let used = |covariates: &[[f64; 2]]| children(covariates).adjusted_for();
        assert_eq!(used(&[[1.0, 0.0], [2.0, 1.0], [3.0, 0.0]]), ["age", "sex"]);
        assert_eq!(used(&[[1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]), ["age"]);
        assert_eq!(used(&[[1.0, NAN], [2.0, NAN], [3.0, NAN]]), ["age"]);
        assert_eq!(used(&[[1.0, 0.0], [2.0, 1.0]]), ["age"]);
        assert!(used(&[[1.0, 0.0]]).is_empty() && used(&[]).is_empty());
        assert_eq!(used(&[[1.0, NAN], [2.0, NAN], [NAN, 0.0], [NAN, 1.0]]), ["age"]);
        let some = children(&[[1.0, 0.0], [2.0, 1.0], [NAN, 1.0], [4.0, 1.0]]);
        let complete: Vec<bool> = some.facts.iter().map(|facts| some.adjusted(facts).is_some()).collect();
        assert_eq!(complete, [true, true, false, true]);
    }

    #[test]
    fn sex_is_read_by_its_first_letter() {
        assert_eq!(["f", "F", "female", "m", "Male"].map(sex), [0.0, 0.0, 0.0, 1.0, 1.0]);
        assert!(["", "n/a", "x"].iter().all(|cell| sex(cell).is_nan()));
    }
}
