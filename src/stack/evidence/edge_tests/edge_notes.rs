//! What to know about the edges of one atlas and measure in a test: which were not tested, and why.

use super::places::TestedPlaces;
use super::prepared::{PreparedTest, Tested};
use crate::group::edge_tests::EdgeFits;
use crate::group::least_children::least_children;
use crate::tables::counted;

/// The edges, or pairs of networks, of one atlas and measure.
pub(super) struct TestedEdges<'a> {
    pub name: &'a str,
    pub prepared: &'a PreparedTest,
    pub places: &'a TestedPlaces,
    pub fits: &'a EdgeFits,
    pub tests: &'a [Tested],
}

impl TestedEdges<'_> {
    /// Everything to know.
    pub(super) fn notes(&self) -> Vec<String> {
        let mut notes = self.untested();
        notes.extend(self.in_part());
        notes.extend(self.prepared.tested.iter().filter_map(|&coefficient| self.without_t(coefficient)));
        notes.extend(self.outside_the_family());
        notes
    }

    fn all(&self) -> usize {
        self.fits.dof.len()
    }

    /// "1 edge is", "3 pairs of networks are".
    fn are(&self, edges: usize) -> String {
        let [one, many] = self.places.level.words();
        format!("{} {}", counted(edges, one, many), if edges == 1 { "is" } else { "are" })
    }

    /// Notes where edges have no result at all.
    fn untested(&self) -> Vec<String> {
        let (name, fits, counted) = (self.name, self.fits, self.prepared.blocks.counted());
        let rows = self.prepared.design.rows.len();
        let untested = (0..self.all()).filter(|&edge| fits.dof[edge] == 0);
        let (few, other): (Vec<usize>, Vec<usize>) =
            untested.partition(|&edge| fits.children[edge] < least_children(rows));
        let mut notes = Vec::new();
        if !few.is_empty() {
            notes.push(format!(
                "{name}: {} not tested, because fewer than {} of the {rows} {counted} in the test have {}",
                self.are(few.len()),
                least_children(rows),
                if few.len() == 1 { "it" } else { "them" }
            ));
        }
        if !other.is_empty() {
            notes.push(format!(
                "{name}: {} not tested, because the {counted} who have {} are not more than the coefficients",
                self.are(other.len()),
                if other.len() == 1 { "it" } else { "one" }
            ));
        }
        notes
    }

    /// A note where children who have an edge do not determine every coefficient.
    fn in_part(&self) -> Option<String> {
        let [one, many] = self.places.level.words();
        let count = edges_in_part(self.fits);
        (count > 0).then(|| {
            format!(
                "{}: on {count} of {} the {} that have {} do not determine every coefficient (n/a in the table); \
                 test.json says on how many each coefficient was tested",
                self.name,
                counted(self.all(), one, many),
                self.prepared.blocks.counted(),
                if count == 1 { "it" } else { "them" }
            )
        })
    }

    /// A note where a coefficient has an estimate but, with rows in blocks, no standard error.
    fn without_t(&self, coefficient: usize) -> Option<String> {
        let PreparedTest { blocks, design, .. } = self.prepared;
        if blocks.are_single() {
            return None;
        }
        let (fits, [_, many]) = (self.fits, self.places.level.words());
        let estimated = || (0..self.all()).filter(|&edge| !fits.coefficients[[coefficient, edge]].is_nan());
        let lacks = |&edge: &usize| fits.t[[coefficient, edge]].is_nan();
        let some_t = |&edge: &usize| fits.t.column(edge).iter().any(|t| !t.is_nan());
        let on = match (estimated().count(), estimated().filter(lacks).count()) {
            (_, 0) => return None,
            (all, lacking) if all == lacking => String::new(),
            // Where no coefficient has t, the fit is perfect, as for an edge that is the same in all rows.
            _ => match estimated().filter(lacks).filter(some_t).count() {
                0 => return None,
                lacking => format!(" on {lacking} of {} {many}", self.all()),
            },
        };
        let why = match blocks.count() {
            1 => "all rows are in 1 block, and standard errors come from differences between blocks".to_owned(),
            several => format!("it hangs on too few of the {several} blocks for a standard error"),
        };
        Some(format!(
            "{}: {} has no t, p and q{on}, because {why}; name a column with more blocks (--blocks), or leave --blocks \
             out if the rows are independent of each other",
            self.name, design.names[coefficient]
        ))
    }

    /// A note where edges have t but no family-wise p: of the coefficient with the most of them.
    fn outside_the_family(&self) -> Option<String> {
        let outside = |test: &Tested| {
            let permuted = test.permuted.as_ref()?;
            let t = self.fits.t.row(test.coefficient);
            let without = t.iter().zip(&permuted.family_wise_p).filter(|(t, p)| !t.is_nan() && p.is_nan()).count();
            (without > 0).then_some((without, permuted.not_exchanged > 0))
        };
        let (without, in_blocks) = self.tests.iter().filter_map(outside).max()?;
        let [one, many] = self.places.level.words();
        let (have, them) = if without == 1 { ("has", "it") } else { ("have", "them") };
        let why = if in_blocks {
            format!(
                "because most of the blocks that {have} {them} lack a row there, and only whole blocks can be exchanged"
            )
        } else {
            format!(
                "because the model has no intercept, and among the {} who have {them} the permuted residuals would not \
                 have a mean of 0",
                self.prepared.blocks.counted()
            )
        };
        Some(format!(
            "{}: {} {have} t, p and q but no family-wise p, {why}; leave out parcels (--missing drop-parcel) or \
             children (--missing drop-child) to have all",
            self.name,
            counted(without, one, many),
        ))
    }
}

/// How many edges have some coefficients, but not all.
pub(super) fn edges_in_part(fits: &EdgeFits) -> usize {
    let columns = fits.coefficients.columns();
    columns.into_iter().zip(&fits.dof).filter(|(column, dof)| **dof > 0 && column.iter().any(|v| v.is_nan())).count()
}
