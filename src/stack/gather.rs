//! The first room: who is in a stack, what each child has on disk, and its edges, read a block of children at a time.
//!
//! ```text
//! results folders ─► their names, their cohort tables as one                    (folders, cohort)
//! cohort.tsv, review/decisions.tsv ─► candidates, left out                     (who, reviewed, left_out)
//!  candidates ─► their matrices and coverage tables on disk                    (found, kind, children)
//!             ─► who has as much data, who is alike in motion                  (equal, matched)
//!             ─► whose site is known, with what is kept                        (sites)
//!             ─► whether covariances are in percent²                           (units)
//!             ─► how far covariances were shrunk for partial correlations      (shrinkage)
//!             ─► which rows are of one child or one family                     (blocks)
//!             ─► whether two folders have the same image                       (twins)
//!             ─► parcels: names, networks, mean centroids, missing ones        (parcels, lacking)
//!    children ─► values of a file, or worked out anew from the runs' records   (values, runs)
//!             ─► blocks of children, read while the one before is worked on    (block)
//!      blocks ─► effects of sites, which later blocks are read without           (adjust)
//!   all of it ─► sites and settings that a test leaves out                     (site_columns, unlike)
//! ```

pub(super) mod adjust;
pub(super) mod block;
pub(super) mod blocks;
pub(super) mod children;
mod cohort;
pub(super) mod condition;
pub(super) mod equal;
pub(super) mod error;
pub(super) mod folders;
mod found;
pub(super) mod kind;
pub(super) mod lacking;
pub(super) mod left_out;
pub(super) mod matched;
pub(super) mod parcels;
pub(super) mod request;
mod reviewed;
pub(super) mod runs;
pub(super) mod shrinkage;
mod site_columns;
pub(super) mod sites;
pub(super) mod step;
pub(super) mod twins;
mod units;
pub(super) mod unlike;
mod values;
pub(super) mod who;
pub(super) mod work;

use blocks::StackBlocks;
use children::GatheredChildren;
use error::StackError;
use folders::Folders;
use lacking::Lacking;
use matched::Matched;
use parcels::StackedAtlas;
use request::{Missing, StackRequest};
use who::{CohortFacts, JudgedCohort};

/// Everything that is known before the first edge is stacked.
pub(super) struct Gathered {
    /// Rows of the cohort table.
    pub rows: usize,
    /// Children whose rows these are.
    pub children: usize,
    /// Its first line.
    pub header: Vec<String>,
    /// Of each folder's cohort table.
    pub tables: Vec<CohortFacts>,
    pub found: GatheredChildren,
    /// Without their mean centroids, which [`parcels::centroids`] finds.
    pub atlases: Vec<StackedAtlas>,
    pub matched: Option<Matched>,
    /// Which rows belong together.
    pub blocks: StackBlocks,
    /// Which children lack which parcels, where that had to be known first.
    pub lacking: Option<Lacking>,
    /// Lines of the decisions that could not be read, in words.
    pub skipped: Vec<String>,
}

/// Finds the children and their files, and leaves out those who do not fit the request.
pub(super) fn gather(results: &Folders, request: &StackRequest) -> Result<Gathered, StackError> {
    let judged = who::judge_cohort(results, request)?;
    let JudgedCohort { rows, children, header, tables, skipped, seen, .. } = &judged;
    let (rows, children, header, tables) = (*rows, *children, header.clone(), tables.clone());
    let (skipped, seen) = (skipped.clone(), seen.join("; "));
    let mut found = found::find(results, judged)?;
    if let Some(equal) = &request.further.equal {
        equal::leave_out_short(results, equal, &mut found)?;
    }
    if let Some(wanted) = &request.further.sites {
        sites::leave_out_unknown(wanted, &header, &mut found)?;
    }
    let mut atlases = parcels::reference(results, &found)?;
    // Children are matched once no other will leave, and parcels are dropped according to those who stay.
    let mut lacking = None;
    if request.missing == Missing::DropChild {
        lacking = Some(lacking::leave_out(results, request.missing, &mut atlases, &mut found)?);
    }
    let matching = request.further.matching.as_ref();
    let matched = matching.map(|wanted| matched::leave_out_unlike(wanted, &header, &mut found)).transpose()?;
    if request.missing == Missing::DropParcel {
        lacking = Some(lacking::leave_out(results, request.missing, &mut atlases, &mut found)?);
    }
    if found.children.is_empty() {
        let (tables, reasons) = (results.cohort_tables(), left_out::counted(&found.left_out));
        return Err(StackError::NoneLeft { tables, children, reasons, seen });
    }
    units::require(results, &found)?;
    found.shrinkage = shrinkage::find(results, request.further.common_shrinkage, &atlases, &found)?;
    let adjust = request.further.sites.as_ref();
    found.sites = adjust.map(|wanted| sites::sites(wanted, &header, &found)).transpose()?;
    let blocks = StackBlocks::read(request.blocks.as_deref(), &header, &found)?;
    Ok(Gathered { rows, children, header, tables, found, atlases, matched, blocks, lacking, skipped })
}
