//! The fewest children of an edge that is worth a number.
//!
//! An edge that some children lack is worked out on the others (complete cases). Where only a few have it, these are
//! chosen by where their scan ended or their signal failed, and a result is about them and not about the cohort. So at
//! least half of the children must have an edge (own convention: those in whom it is looked at are then at least as
//! many as those in whom it is not). Tests of edges and QC-FC go by this.

/// The fewest of so many children who must have an edge.
#[must_use]
pub fn least_children(children: usize) -> usize {
    children.div_ceil(2)
}
