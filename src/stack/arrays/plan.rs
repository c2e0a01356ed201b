//! What the files of one atlas and measure are to hold, and the order and names of its edges.

use std::collections::HashSet;

use crate::group::edges;
use crate::stack::gather::children::Child;
use crate::stack::gather::kind::Kind;
use crate::stack::gather::parcels::Parcel;
use crate::stack::gather::request::Format;

/// Which numbers of an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Holds {
    Values,
    StandardErrors,
}

/// What the files of one atlas and measure are to hold.
#[derive(Debug)]
pub(crate) struct ArrayPlan<'a> {
    /// Start of the files' names: `atlas-A_desc-M`, with `Z` where they hold Fisher's z.
    pub name: String,
    pub kind: &'a Kind,
    /// Position among the atlases of the stack.
    pub atlas: usize,
    /// Those in the stack.
    pub parcels: Vec<&'a Parcel>,
    pub edges: usize,
    pub children: &'a [Child],
    /// First line of the cohort table.
    pub header: &'a [String],
    pub fisher_z: bool,
    pub holds: Holds,
}

impl ArrayPlan<'_> {
    /// The name of a file of edges.
    pub(crate) fn file(&self, format: Format) -> String {
        let what = match (self.holds, format) {
            (Holds::Values, Format::Mat) => "stack",
            (Holds::Values, _) => "edges",
            (Holds::StandardErrors, _) => "standard_errors",
        };
        format!("{}_{what}.{}", self.name, format.key())
    }

    /// What its numbers are called where a format has names: a variable, a column.
    pub(crate) fn variable(&self) -> &'static str {
        match self.holds {
            Holds::Values => "edges",
            Holds::StandardErrors => "standard_errors",
        }
    }

    /// Positions of each edge's parcels, in the order of the edges.
    pub(crate) fn pairs(&self) -> impl Iterator<Item = (usize, usize)> + use<> {
        edges(self.parcels.len())
    }
}

/// The column name of each edge: both parcels' names with two underscores between, as `cove__dune`. Where underscores
/// in parcels' names would give two edges the same name, the later one gets its number at the end.
pub(crate) fn edge_names(parcels: &[&Parcel]) -> Vec<String> {
    let mut taken = HashSet::new();
    edges(parcels.len())
        .enumerate()
        .map(|(edge, (i, j))| {
            let mut name = format!("{}__{}", parcels[i].name, parcels[j].name);
            while !taken.insert(name.clone()) {
                name = format!("{name}__{edge}");
            }
            name
        })
        .collect()
}
