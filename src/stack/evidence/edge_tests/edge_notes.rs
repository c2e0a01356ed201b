//! What to know about the edges of one atlas and measure in a test: which were not tested, and why.

use super::places::TestedPlaces;
use super::prepared::PreparedTest;
use crate::group::edge_tests::EdgeFits;
use crate::group::least_children::least_children;
use crate::tables::counted;

/// A family of less than this share of the edges gets a note (own convention).
const SMALL_FAMILY: f64 = 0.9;

/// The edges, or pairs of networks, of one atlas and measure.
pub(super) struct TestedEdges<'a> {
    pub name: &'a str,
    pub prepared: &'a PreparedTest,
    pub places: &'a TestedPlaces,
    pub fits: &'a EdgeFits,
    /// The smallest family of those of the coefficients; none without permutations.
    pub family: Option<usize>,
}

impl TestedEdges<'_> {
    /// Everything to know.
    pub(super) fn notes(&self) -> Vec<String> {
        let mut notes = self.untested();
        notes.extend(self.in_part());
        notes.extend(self.prepared.tested.iter().filter_map(|&coefficient| self.without_t(coefficient)));
        notes.extend(self.small_family());
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

    /// A note where family-wise p is of a part of the edges.
    fn small_family(&self) -> Option<String> {
        let [one, many] = self.places.level.words();
        let (edges, family) = (self.all(), self.family?);
        if family as f64 >= SMALL_FAMILY * edges as f64 {
            return None;
        }
        let tested = self.fits.dof.iter().filter(|&&dof| dof > 0).count();
        let others = match tested.saturating_sub(family) {
            0 => "no other is tested".to_owned(),
            others => format!("{others} of the others {} t, p and q only", if others == 1 { "has" } else { "have" }),
        };
        Some(format!(
            "{}: family-wise p is of {family} of {}, those that every {} in the test has, and is corrected for these \
             alone; {others}; leave out parcels (--missing drop-parcel) or children (--missing drop-child) to have all",
            self.name,
            counted(edges, one, many),
            if self.prepared.blocks.counted() == "rows" { "row" } else { "child" }
        ))
    }
}

/// How many edges have some coefficients, but not all.
pub(super) fn edges_in_part(fits: &EdgeFits) -> usize {
    let columns = fits.coefficients.columns();
    columns.into_iter().zip(&fits.dof).filter(|(column, dof)| **dof > 0 && column.iter().any(|v| v.is_nan())).count()
}
