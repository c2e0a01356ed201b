//! What may be noticed about a scan or a child: one code each, when it is given, and what to do then.
//!
//! This is the only place that knows them. The column `noticed` of `cohort.tsv`, its dictionary, reports, `why` and
//! docs/outputs.md follow from it; a test holds the page to it.

use serde::{Deserialize, Serialize};

/// How much what is noticed weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Worth knowing.
    Note,
    /// May be wrong data: a person must look before the child counts as enough.
    Look,
}

impl Weight {
    /// The word used in tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Look => "look",
        }
    }
}

macro_rules! noticed {
    ($($(#[$doc:meta])* $name:ident, $key:literal, $weight:ident, $when:literal, $what_to_do:literal;)*) => {
        /// What is noticed.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum Noticed {
            $($(#[$doc])* #[serde(rename = $key)] $name,)*
        }

        impl Noticed {
            /// In the order of tables.
            pub const ALL: &[Self] = &[$(Self::$name),*];

            /// The word used in tables.
            #[must_use]
            pub fn key(self) -> &'static str {
                match self { $(Self::$name => $key,)* }
            }

            #[must_use]
            pub fn weight(self) -> Weight {
                match self { $(Self::$name => Weight::$weight,)* }
            }

            /// When it is noticed, in words; keys of `[notice]` hold the limits.
            #[must_use]
            pub fn when(self) -> &'static str {
                match self { $(Self::$name => $when,)* }
            }

            /// What a person should do.
            #[must_use]
            pub fn what_to_do(self) -> &'static str {
                match self { $(Self::$name => $what_to_do,)* }
            }
        }
    };
}

noticed! {
    SmallMotion, "small_motion", Look,
        "mean FD of a run is below notice.small_fd_mm",
        "check motion.translation_unit and motion.columns: metres read as millimetres look like this";
    LargeMotion, "large_motion", Look,
        "median FD of a run is above notice.large_fd_mm",
        "check motion.rotation_unit and motion.columns: degrees read as radians look like this";
    DoubtfulUnit, "doubtful_unit", Look,
        "a translation of more than 500 mm, a rotation of more than 90 degrees, or one of the two so small beside the \
         other that their units cannot both be right",
        "check motion.translation_unit, motion.rotation_unit and motion.columns";
    UnlikeSite, "unlike_site", Look,
        "a child's log mean FD is further from the cohort's median than notice.unlike_site_sd allows",
        "check the units and columns of this child's motion table";
    MotionUnlikeImage, "motion_unlike_image", Look,
        "a run moves much, but FD and DVARS do not rise together",
        "check that the motion table belongs to this image";
    SameImage, "same_image", Look,
        "two runs have the same image, or signals that correlate above notice.same_r",
        "find out whose image it is, and remove the copy";
    SameMotion, "same_motion", Look,
        "two runs with different images have the same motion table, or FDs that correlate above notice.same_r",
        "find out whose table it is";
    FewParcels, "few_parcels", Look,
        "fewer than enough.coverage of an atlas's parcels are seen",
        "look at the child's page: is the atlas in the scan's space?";
    LowCoverage, "low_coverage", Note,
        "some of an atlas's parcels have too little coverage, but enough.coverage of them are seen",
        "none is needed; tests use the children who have the parcel";
    TrDiffers, "tr_differs", Look,
        "a child's TR is more than 10 % from the cohort's median, and at most a fifth of the children \
         have it, or its runs' TRs differ by as much",
        "check tr_s; if it is right, include the child in the review, and read docs/unlike-tr.md";
    TrSources, "tr_sources", Note,
        "the scan table, the study file, the sidecar and the header disagree about TR by more than 0.1 %",
        "correct the one that is wrong; the first of them that gives a TR is taken";
    TrShort, "tr_short", Look,
        "TR is below 0.2 s, and neither the scan table nor the study file gives it",
        "confirm it: headers may hold the time of one excitation; give tr_s";
    ShortRun, "short_run", Note,
        "a run lasts less than notice.short_run_s",
        "check that the run was not broken off, or is another kind of scan";
    NoAge, "no_age", Note,
        "an age is needed but not known, so that the usual radius of 50 mm is used",
        "add the age to the participants table";
    MaskMade, "mask_made", Note,
        "a run has no brain mask, so that one was made from its images",
        "look at it on the child's page";
}
