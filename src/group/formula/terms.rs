//! What a formula says.

/// What the model explains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Response {
    /// Fisher's z.
    FisherZ,
    /// The correlation itself.
    Correlation,
}

/// A column of the table as a formula names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Variable {
    pub column: String,
    /// Written `factor(column)`: a factor, whatever it holds.
    pub as_factor: bool,
}

impl Variable {
    /// As it is written: `age`, `factor(site)`.
    #[must_use]
    pub fn written(&self) -> String {
        if self.as_factor { format!("factor({})", self.column) } else { self.column.clone() }
    }
}

/// A formula that was understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Formula {
    pub response: Response,
    pub intercept: bool,
    /// Each column once, in the order of its first mention.
    pub variables: Vec<Variable>,
    /// Each term as rising places in `variables`; terms of one part first, then of two, …
    pub terms: Vec<Vec<usize>>,
}
