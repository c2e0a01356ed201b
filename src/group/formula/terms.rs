//! What a formula says.

use crate::study::settings::Measure;

/// What the model explains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Response {
    /// Fisher's z.
    FisherZ,
    /// The correlation itself.
    Correlation,
    /// The covariance itself.
    Covariance,
}

impl Response {
    /// As it stands before `~`.
    #[must_use]
    pub fn written(self) -> &'static str {
        match self {
            Self::FisherZ => "z",
            Self::Correlation => "r",
            Self::Covariance => "covariance",
        }
    }

    /// Whether edges of this measure have it.
    #[must_use]
    pub fn is_of(self, measure: Measure) -> bool {
        measure.is_correlation() == (self != Self::Covariance)
    }
}

/// Which part of a column, where rows come in blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    Whole,
    /// Written `between(column)`: the mean of the row's block.
    Between,
    /// Written `within(column)`: the distance from it.
    Within,
}

/// A column of the table as a formula names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Variable {
    pub column: String,
    /// Written `factor(column)`: a factor, whatever it holds.
    pub as_factor: bool,
    /// Which part of it.
    pub part: Part,
    /// Written `factor(column, reference = "level")`: the level that the others are compared with.
    pub reference: Option<String>,
    /// Written `column^2`: a power of the column less its mean; 1 is the column itself.
    pub power: u8,
}

impl Variable {
    /// A column as it stands.
    #[must_use]
    pub fn of(column: String) -> Self {
        Self { column, as_factor: false, part: Part::Whole, reference: None, power: 1 }
    }

    /// As it is written: `age`, `age^2`, `factor(site)`.
    #[must_use]
    pub fn written(&self) -> String {
        match self.part {
            Part::Whole if self.as_factor => format!("factor({})", self.column),
            Part::Whole => self.powered(),
            Part::Between => format!("between({})", self.column),
            Part::Within => format!("within({})", self.column),
        }
    }

    /// The column, with its power if it has one. A part of a column is never meant by its bare name.
    #[must_use]
    pub fn powered(&self) -> String {
        match self.part {
            Part::Whole if self.power > 1 => format!("{}^{}", self.column, self.power),
            Part::Whole => self.column.clone(),
            Part::Between | Part::Within => self.written(),
        }
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
