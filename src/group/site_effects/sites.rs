//! Who is at which site, with what is kept; and whether the two can be told apart.

use std::collections::{BTreeMap, BTreeSet};

use ndarray::{Array2, Axis};

use crate::tables::and;

/// A site with fewer children (of one row or more) is refused (own convention). Of two sites without any effect, values
/// then move by 0.14 SD; with three children each by 0.22, with two by 0.36 (`tests/reference/site_simulation.py`).
pub const LEAST_CHILDREN: usize = 5;
/// At most so many sites are named in a message.
const NAMED: usize = 3;
/// Of a column that follows from the others, rounding leaves less than this share of its variance (own convention).
const NOTHING_OF_ITS_OWN: f64 = 1e-10;

/// Why effects of sites cannot be found.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SiteError {
    #[error(
        "all {children} children have the site \"{site}\", so there is nothing to adjust; leave out --adjust-sites"
    )]
    OneSite { site: String, children: usize },
    #[error(
        "{} of {sites} sites {} fewer than {LEAST_CHILDREN} children ({}), too few for a site's location and scale; {}",
        few.len(),
        if few.len() == 1 { "has" } else { "have" },
        named(few),
        if few.len() == *sites {
            "is this a column of sites?"
        } else {
            "stack without them (--where), or give sites of one kind one name in the participants table"
        }
    )]
    FewChildren { few: Vec<(String, usize)>, sites: usize },
    #[error(
        "the kept column {column} does not vary within any site{}, so its effect cannot be told from the sites'; \
         leave it out of --keep, or stack the sites apart with --where",
        match before.as_slice() {
            [] => String::new(),
            [one] => format!(" once {one} is taken out"),
            several => format!(" once {} are taken out", and(several)),
        }
    )]
    Determined { column: String, before: Vec<String> },
    #[error(
        "{children} children are too few for {sites} sites and {kept} kept columns; leave columns out of --keep, or \
         sites out with --where"
    )]
    ManyColumns { children: usize, sites: usize, kept: usize },
}

/// The first few sites with their children.
fn named(few: &[(String, usize)]) -> String {
    let mut words: Vec<String> = few.iter().take(NAMED).map(|(site, count)| format!("{site}: {count}")).collect();
    words.extend((few.len() > NAMED).then(|| "…".to_owned()));
    words.join(", ")
}

/// The children's sites and what is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct Sites {
    pub names: Vec<String>,
    /// The site of each row, one per child unless a child has several, as a place among the names.
    pub of: Vec<usize>,
    /// Children of each site.
    pub children: Vec<usize>,
    /// The child of each row, as a number; a child who was scanned at two sites is one of each.
    pub(super) child: Vec<usize>,
    /// Rows of each such child.
    pub(super) rows: Vec<usize>,
    /// Names of what is kept.
    pub kept: Vec<String>,
    /// Rows × kept, each column with mean 0.
    pub covariates: Array2<f64>,
}

impl Sites {
    /// Sites of children with one row each.
    ///
    /// # Errors
    /// [`SiteError`] where effects could not be told from what is kept.
    ///
    /// # Panics
    /// When there is not one row of covariates per child, or not one column per name.
    pub fn new(
        names: Vec<String>,
        of: Vec<usize>,
        kept: Vec<String>,
        covariates: Array2<f64>,
    ) -> Result<Self, SiteError> {
        let participants: Vec<usize> = (0..of.len()).collect();
        Self::of_rows(names, of, &participants, kept, covariates)
    }

    /// Sites of rows, some of which are of one participant.
    ///
    /// # Errors
    /// As [`Sites::new`].
    ///
    /// # Panics
    /// As [`Sites::new`], and when there is not one participant per row.
    pub fn of_rows<P: Ord>(
        names: Vec<String>,
        of: Vec<usize>,
        participants: &[P],
        kept: Vec<String>,
        mut covariates: Array2<f64>,
    ) -> Result<Self, SiteError> {
        assert_eq!(covariates.dim(), (of.len(), kept.len()), "one row per row of the table, one column per name");
        assert_eq!(participants.len(), of.len(), "one participant per row");
        let all = participants.iter().collect::<BTreeSet<_>>().len();
        if let [site] = names.as_slice() {
            return Err(SiteError::OneSite { site: site.clone(), children: all });
        }
        let mut numbers: BTreeMap<(usize, &P), usize> = BTreeMap::new();
        let (mut children, mut rows) = (vec![0; names.len()], Vec::new());
        let mut number = |(&site, participant)| {
            let number = *numbers.entry((site, participant)).or_insert_with(|| {
                children[site] += 1;
                rows.push(0);
                rows.len() - 1
            });
            rows[number] += 1;
            number
        };
        let child: Vec<usize> = of.iter().zip(participants).map(&mut number).collect();
        for mut column in covariates.axis_iter_mut(Axis(1)) {
            let mean = column.iter().sum::<f64>() / column.len().max(1) as f64;
            column.mapv_inplace(|value| value - mean);
        }
        let sites = Self { names, of, children, child, rows, kept, covariates };
        let counts = sites.children.iter().copied();
        let few: Vec<(String, usize)> =
            sites.names.iter().cloned().zip(counts).filter(|(_, count)| *count < LEAST_CHILDREN).collect();
        if !few.is_empty() {
            return Err(SiteError::FewChildren { few, sites: sites.names.len() });
        }
        let (children, count, kept) = (all, sites.names.len(), sites.kept.len());
        // At least half as many residual degrees of freedom as children (own convention).
        if children < 2 * (count + kept) {
            return Err(SiteError::ManyColumns { children, sites: count, kept });
        }
        sites.require_told_apart()?;
        Ok(sites)
    }

    /// Rows of each site.
    #[must_use]
    pub fn counts(&self) -> Vec<usize> {
        let mut counts = vec![0; self.names.len()];
        self.of.iter().for_each(|&site| counts[site] += 1);
        counts
    }

    /// Rows × (sites, kept covariates).
    #[must_use]
    pub fn design(&self) -> Array2<f64> {
        let sites = self.names.len();
        Array2::from_shape_fn((self.of.len(), sites + self.kept.len()), |(child, column)| {
            if column < sites {
                f64::from(u8::from(self.of[child] == column))
            } else {
                self.covariates[[child, column - sites]]
            }
        })
    }

    /// Every kept column varies within some site, beyond the columns before it.
    fn require_told_apart(&self) -> Result<(), SiteError> {
        let mut within = self.covariates.clone();
        let counts = self.counts();
        for mut column in within.axis_iter_mut(Axis(1)) {
            let mut means = vec![0.0; counts.len()];
            self.of.iter().zip(&column).for_each(|(&site, value)| means[site] += value / counts[site] as f64);
            self.of.iter().zip(&mut column).for_each(|(&site, value)| *value -= means[site]);
        }
        let mut basis: Vec<ndarray::Array1<f64>> = Vec::new();
        for (place, column) in self.kept.iter().enumerate() {
            let whole = self.covariates.column(place);
            let mut own = within.column(place).to_owned();
            for known in &basis {
                let share = known.dot(&own);
                own.scaled_add(-share, known);
            }
            let left = own.dot(&own);
            if left <= NOTHING_OF_ITS_OWN * whole.dot(&whole) {
                let inside = within.column(place);
                let by_sites = inside.dot(&inside) <= NOTHING_OF_ITS_OWN * whole.dot(&whole);
                let before = if by_sites { Vec::new() } else { self.kept[..place].to_vec() };
                return Err(SiteError::Determined { column: column.clone(), before });
            }
            basis.push(own / left.sqrt());
        }
        Ok(())
    }
}
