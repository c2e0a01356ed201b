//! One array with one row per child, and tables in the same order: what group statistics start from.
//!
//! Each child's matrix lies in a file of its own. A stack takes the children who have enough data and puts, for each
//! atlas and measure, the upper triangle of each matrix into one row: edges i < j in the order (0,1), (0,2) … (0,P−1),
//! (1,2) … (row-major), E = P(P−1)/2 of them. The order of the rows is that of `cohort.tsv`, in every file.
//!
//! There are four rooms, and each uses only those before it:
//!
//! ```text
//! gather   ─► who is in the stack, what each child has on disk, blocks of edges
//! arrays   ─► the arrays and tables in every format; files that become visible together
//! quality  ─► is it just motion?
//! evidence ─► reliability, standard errors, tests of edges
//! ```
//!
//! The order of the steps is below, in [`stack`]. The edges of each atlas and measure are read once, and every block
//! goes through four sinks: missing parcels, the sums of quality, means by network, the arrays.
//!
//! Memory holds two blocks of some 32 MB with as many values of Fisher's z, whatever the number of children (while one
//! block is written, the next is read), and for each child some 50 kB: its row of the cohort table, and its shuffled
//! motion in up to six classes of edges, plain and with age and sex taken out. Files have unfinished names until every
//! one is whole. `stack.json` is removed first and written last, so it vouches for all that lies beside it.

mod arrays;
mod evidence;
mod gather;
mod quality;

use std::fs::{self, File};
use std::path::PathBuf;

use serde_json::Value;

use crate::record::files::remove_unfinished;
use crate::record::lock::{PATIENCE, lock_results};
use arrays::about::{self, AboutStack};
use arrays::networks::NetworkMeans;
use arrays::stacking::{self, Arrays, Stacking};
use arrays::whole::{self, Whole};
use evidence::edge_tests;
use gather::adjust::{self, Adjusted};
use gather::block::Source;
use gather::children::WEIGHT_COLUMNS;
use gather::folders::Folders;
use gather::lacking::{Lacking, LackingSink};
use gather::work::Work;
use gather::{equal, left_out, parcels, shrinkage, twins};
use quality::context::QualityContext;
use quality::sites::SitesShown;
use quality::sums::{MeanSums, Summed};
use quality::weighting::ChildWeight;
use quality::{Measured, QualityResult};

pub use gather::condition::Condition;
pub use gather::error::{
    BlocksError, FoldersError, MatchError, MixedColumn, NoColumn, RunsError, SitesError, StackError, TestError,
};
pub use gather::folders::{SameId, StackFrom};
pub use gather::left_out::LeftOut;
pub use gather::matched::Matched;
pub use gather::request::{
    AdjustSites, Alike, Amount, Equal, Format, Further, Level, Match, Missing, StackRequest, StandardErrors,
    TestRequest, Weights,
};
pub use gather::step::{Listener, Step};

/// What was stacked.
#[derive(Debug)]
pub struct Stacked {
    pub folder: PathBuf,
    pub children: usize,
    /// Their rows: more where a child has several sessions or runs.
    pub rows: usize,
    /// Rows of `cohort.tsv`.
    pub of: usize,
    /// Children whose rows these are.
    pub of_children: usize,
    /// In the order of `cohort.tsv`.
    pub left_out: Vec<LeftOut>,
    /// The groups' motion before and after matching.
    pub matched: Option<Matched>,
    /// What a person should know before using the stack.
    pub notes: Vec<String>,
    /// The contents of `stack.json`.
    pub about: Value,
    /// The contents of `quality.json`.
    pub quality: Value,
}

impl Stacked {
    /// How many rows were left out for each reason, in the order of first appearance.
    #[must_use]
    pub fn reasons(&self) -> Vec<(&str, usize)> {
        left_out::reasons(&self.left_out).into_iter().map(|of| (of.reason, of.rows)).collect()
    }
}

/// Stacks the matrices of one or several results folders; `tell` hears how far it has come.
///
/// # Errors
/// [`StackError`]; what an earlier stack wrote is then still there, whole.
pub fn stack(from: &StackFrom, request: &StackRequest, tell: Listener<'_>) -> Result<Stacked, StackError> {
    if cfg!(not(feature = "parquet")) && request.formats.contains(&Format::Parquet) {
        return Err(StackError::NoParquet);
    }
    let results = &Folders::of(from)?;
    let folder = results.out(from.out.as_deref(), whole::is_ours)?;
    let _locks = lock(results)?;
    if folder.is_dir() {
        remove_unfinished(&folder)?;
    }
    let mut gathered = gather::gather(results, request)?;
    let (found, matched, blocks) = (&gathered.found, gathered.matched.as_ref(), &gathered.blocks);
    let test = request.further.test.as_ref();
    let prepare =
        |wanted| edge_tests::prepared::prepare(wanted, &gathered.header, found, &blocks.blocks, matched.is_some());
    let test = test.map(prepare).transpose()?;
    let apart = parcels::centroids(results, found, &mut gathered.atlases)?;
    let twins = twins::note(results, found)?;

    let read = (results, gathered.tables.as_slice());
    let chosen = about::chosen(request, read, gathered.rows, found, blocks, matched);
    let work = Work { results, folder: &folder, found, blocks, atlases: &gathered.atlases, tell };
    let written = write(&work, request, &gathered.header, gathered.lacking, &chosen).and_then(|mut written| {
        let sampling = std::mem::take(&mut written.sampling);
        let sites = &written.sites;
        let evidence = evidence::write(&work, request, test.as_ref(), &sampling, sites, &mut written.files)?;
        Ok((written, evidence))
    });
    if written.is_err() {
        // A folder that is still empty is not left behind.
        let _ = fs::remove_dir(&folder);
    }
    let (Written { files, arrays, quality, sites, .. }, evidence) = written?;

    let mut notes = about::notes(request, found, &arrays);
    notes.extend(apart);
    notes.extend(twins);
    notes.extend(evidence.iter().flat_map(|(_, about)| evidence::notes(about)));
    notes.extend(equal::notes(found));
    notes.extend(shrinkage::notes(found, &gathered.header));
    let model = test.as_ref().map(|test| (&test.formula, &test.design));
    notes.extend(adjust::notes(request, &gathered.header, found, model, &sites));
    notes.extend(blocks.notes());
    notes.extend(quality.notes);
    notes.extend(gathered.skipped);
    let (folders, tables) = read;
    let facts = AboutStack { request, folders, tables, chosen: &chosen, arrays: &arrays, notes: &notes };
    let mut about = about::json(&facts);
    for (key, value) in evidence {
        about[key] = value;
    }
    whole::put_all_in_place(&folder, files, &about)?;
    Ok(Stacked {
        folder,
        children: gathered.blocks.blocks.children(),
        rows: gathered.found.children.len(),
        of: gathered.rows,
        of_children: gathered.children,
        left_out: gathered.found.left_out,
        matched: gathered.matched,
        notes,
        about,
        quality: quality.json,
    })
}

/// Keeps runs out while a stack is read, and stacks out while a run writes.
fn lock(results: &Folders) -> Result<Vec<File>, StackError> {
    let lock = |path: &PathBuf| lock_results(path, PATIENCE)?.ok_or_else(|| StackError::Locked { path: path.clone() });
    results.paths().iter().map(lock).collect()
}

/// Every file but those of the evidence and `stack.json`, whole, under unfinished names.
struct Written {
    files: Vec<Whole>,
    arrays: Vec<Stacking>,
    quality: QualityResult,
    /// 1/(dof − 2) of each child.
    sampling: Vec<f64>,
    /// Effects of sites on each kind of matrices, where they were taken out.
    sites: Vec<Option<Adjusted>>,
}

/// Writes them. Which children lack which parcels (`lacking`) is found on the way if it is not known yet.
fn write(
    work: &Work<'_>,
    request: &StackRequest,
    header: &[String],
    lacking: Option<Lacking>,
    chosen: &Value,
) -> Result<Written, StackError> {
    let Work { results, folder, found, atlases, tell, .. } = *work;
    let plans = stacking::plans(request, found, atlases);
    stacking::refuse_what_cannot_be(&plans, &request.formats)?;
    let mut files = arrays::write_tables(work)?;
    let context = QualityContext::read(work, request, header, chosen.clone())?;
    let (mut measured, mut seen, mut stacked) = (Measured::default(), Lacking::none(atlases), Vec::new());
    let mut sites = Vec::new();
    for (kind, plan) in plans.iter().enumerate() {
        let atlas = &atlases[plan.atlas];
        let source = Source { results, found, kind, atlas, adjust: None };
        let adjusted = adjust::fit(&source, request.weights, &context.sampling, tell)?;
        let adjust = adjusted.as_ref().map(|adjusted| &adjusted.effects);
        let mut lacks = LackingSink::new(&mut seen.atlases[plan.atlas], atlas, &found.children);
        let mut sums = MeanSums::new(Summed { context: &context, results, kind, sampling: &context.sampling, adjust });
        let mut spread = adjust::SpreadSink::new(&source);
        let mut networks = NetworkMeans::open(folder, found, kind, atlas)?;
        let mut arrays = Arrays::open(folder, plan, &request.formats)?;
        let what = format!("stacking {}, {}", plan.kind.atlas, plan.kind.measure.key());
        let at = |first| tell(&Step::children(&what, first, found.children.len()));
        let source = Source { adjust, ..source };
        source.pass(&at, &mut [&mut lacks, &mut sums, &mut spread, &mut networks, &mut arrays])?;
        files.extend(networks.finish()?);
        measured.add(&sums)?;
        stacked.push(arrays.finish(&mut files)?);
        if let Some(adjusted) = &adjusted {
            let table = arrays::sites::table(&adjusted.effects, atlas);
            let path = folder.join(format!("{}_sites.tsv", found.name(plan.kind)));
            files.push(Whole::of(&path, table.as_bytes())?);
            measured.sites.push(SitesShown::of(plan.kind, adjusted, &spread.of_sites(&adjusted.effects)));
        }
        sites.push(adjusted);
    }
    let quality = quality::finish(&context, measured, folder, &mut files)?;
    let weights: Vec<[f64; 3]> = quality.weights.iter().map(ChildWeight::values).collect();
    files.push(arrays::tables::children(&folder.join("children.tsv"), header, found, &WEIGHT_COLUMNS, &weights)?);
    arrays::write_missing(work, &lacking.unwrap_or(seen), &mut files)?;
    Ok(Written { files, arrays: stacked, quality, sampling: context.sampling, sites })
}
