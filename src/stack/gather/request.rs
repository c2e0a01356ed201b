//! What is asked for: who and what goes into a stack, in which files, and what else is written.

use super::condition::Condition;
use crate::units::Seconds;

/// The column of motion: mean framewise displacement over all frames of the child's runs, mm.
pub(crate) const MOTION_COLUMN: &str = "mean_fd_mm";
/// A column with more different values than this does not hold groups, but a number or a name for each child (own
/// convention).
pub(crate) const MOST_GROUPS: usize = 20;
/// The column of groups, if the table has it and no other is named.
pub(crate) const USUAL_GROUP: &str = "group";

/// Who and what goes into a stack.
#[derive(Debug, Clone)]
pub struct StackRequest {
    /// Take children whom somebody should look at first, though nobody has.
    pub take_unlooked: bool,
    /// Take children whatever their verdict, if they have a matrix.
    pub all: bool,
    /// Minutes kept that a child needs, instead of the study's.
    pub min_minutes: Option<f64>,
    /// All must hold.
    pub conditions: Vec<Condition>,
    pub missing: Missing,
    /// At least one; in the order of writing.
    pub formats: Vec<Format>,
    /// Fisher's z in place of r.
    pub fisher_z: bool,
    /// Equal data, matched groups, reliability, standard errors, tests.
    pub further: Further,
    /// The column of the cohort table whose groups are compared in motion and minutes; none: `group`, where there is
    /// one.
    pub group: Option<String>,
    pub weights: Weights,
    /// The column of the cohort table whose cells say who belongs together, such as families; none: each child is a
    /// block by itself, with all its rows.
    pub blocks: Option<String>,
}

/// How much each child counts in statistics over children.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weights {
    /// By one over the variance of its edges, which grows as less data is kept.
    Variance,
    /// All alike.
    Equal,
}

impl Weights {
    pub const ALL: [Self; 2] = [Self::Variance, Self::Equal];

    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Variance => "variance",
            Self::Equal => "equal",
        }
    }
}

/// What to do about parcels that are missing in some child.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// Edges of such a parcel are NaN in the children who lack it.
    Keep,
    /// The parcel is left out of the stack.
    DropParcel,
    /// The child is left out of the stack.
    DropChild,
}

impl Missing {
    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Keep => "keep",
            Self::DropParcel => "drop-parcel",
            Self::DropChild => "drop-child",
        }
    }
}

/// A file format of a stack.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// numpy arrays.
    Npy,
    /// Tab-separated text.
    Tsv,
    /// Apache Parquet.
    Parquet,
    /// MATLAB 5.
    Mat,
}

impl Format {
    pub const ALL: [Self; 4] = [Self::Npy, Self::Tsv, Self::Parquet, Self::Mat];

    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Npy => "npy",
            Self::Tsv => "tsv",
            Self::Parquet => "parquet",
            Self::Mat => "mat",
        }
    }
}

/// What is asked for beyond the matrices.
#[derive(Debug, Clone, PartialEq)]
pub struct Further {
    pub equal: Option<Equal>,
    /// One shrinkage for all children's partial correlations.
    pub common_shrinkage: bool,
    pub matching: Option<Match>,
    pub reliability: bool,
    pub standard_errors: Option<StandardErrors>,
    pub test: Option<TestRequest>,
    pub sites: Option<AdjustSites>,
}

/// Whose effects are taken out of the edges.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AdjustSites {
    /// Column of the cohort table that has the sites.
    pub column: String,
    /// The right side of a formula: effects that stay.
    pub keep: Option<String>,
}

/// How much of each child is used.
#[derive(Debug, Clone, PartialEq)]
pub struct Equal {
    pub amount: Amount,
    /// Seed of the blocks drawn; none: the earliest frames.
    pub draw: Option<u64>,
}

/// What is equal in all children.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amount {
    /// Minutes of kept frames.
    Minutes(f64),
    /// Degrees of freedom: those of all kept frames, times the share of these that is used.
    Dof(f64),
}

impl Equal {
    /// `Equal5` or `EqualDof20`, in names of files.
    pub(crate) fn suffix(&self) -> String {
        match self.amount {
            Amount::Minutes(minutes) => format!("Equal{minutes}"),
            Amount::Dof(dof) => format!("EqualDof{dof}"),
        }
        .replace('.', "p")
    }
}

/// What is alike in the groups that are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Alike {
    /// The groups' means.
    Means,
    /// One child of each group and one of every other.
    Pairs,
}

impl Alike {
    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Means => "motion",
            Self::Pairs => "motion-pairs",
        }
    }
}

/// How children are matched.
#[derive(Debug, Clone, PartialEq)]
pub struct Match {
    pub alike: Alike,
    /// Column of the cohort table that has the groups; none: `group`.
    pub group: Option<String>,
    /// How far apart means, or children of a pair, may be; none: a share of the SD within groups.
    pub caliper_mm: Option<f64>,
}

/// How standard errors are worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandardErrors {
    pub resamples: usize,
    pub seed: u64,
    /// Length of a block of kept frames.
    pub block: Seconds,
}

/// What is tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// Each edge.
    Edges,
    /// The mean edge of each pair of networks.
    Networks,
}

impl Level {
    pub const ALL: [Self; 2] = [Self::Edges, Self::Networks];

    /// The word used on the command line and in `test.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Edges => "edges",
            Self::Networks => "networks",
        }
    }

    /// What is tested, in words: one and several.
    #[must_use]
    pub fn words(self) -> [&'static str; 2] {
        match self {
            Self::Edges => ["edge", "edges"],
            Self::Networks => ["pair of networks", "pairs of networks"],
        }
    }
}

/// A test that is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct TestRequest {
    pub formula: String,
    /// Terms, columns or coefficients to test; empty: every coefficient but the intercept.
    pub of: Vec<String>,
    pub permutations: usize,
    /// Those of them that get family-wise p; empty: all, if there are permutations.
    pub permute: Vec<String>,
    pub seed: u64,
    pub level: Level,
    /// The |t| above which edges make up sets; none: no sets.
    pub edge_sets: Option<f64>,
}
