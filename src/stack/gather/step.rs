//! What a stack reports while it works. The library never prints; `cli` draws.

/// How far a part of the work has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// What is done: `stacking A, pearson`.
    pub what: String,
    pub done: usize,
    /// Of how many; the part is finished when all are done.
    pub of: usize,
    /// What is counted: `children`, `coefficients`.
    pub unit: &'static str,
}

/// Who listens; called from one thread at a time, some times a second at most.
pub type Listener<'a> = &'a (dyn Fn(&Step) + Sync);

impl Step {
    /// Children of a part of the work.
    pub(crate) fn children(what: &str, done: usize, of: usize) -> Self {
        Self { what: what.to_owned(), done, of, unit: "children" }
    }
}
