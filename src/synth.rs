//! Synthetic cohorts with a known answer: invented children, ready for `keepstill run`.
//!
//! What it is for: nobody knows the true connectivity of a real child, so real data cannot show how near a cleaned
//! matrix comes to it. Here the truth is drawn first ([`truth`]), signals with exactly that correlation are laid into
//! the parcels of an invented head ([`head`], [`parcellation`], [`signals`]), children move in it ([`movement`]),
//! motion takes signal away in the way that makes false, distance-dependent connections ([`artefact`]), and scans,
//! tables and study files are written ([`scan`], `tables`).
//!
//! One atlas serves the whole cohort: as in a real study, images are taken to be normalised to one template, whose head
//! size is a setting. Age changes how much and how far a child moves, how fast it breathes and what is in the
//! participants table; the brain mask of a child is the template's shrunk by up to 3 %, and every fifth child was
//! scanned without the lowest slices, so that coverage differs. Images come as after realignment; with `move_images` they
//! are as the scanner saw them, the head moving through the voxels ([`moved`]).
//!
//! The same settings give the same bytes, whatever the number of threads: each scan draws from its own ChaCha8 stream
//! (Bernstein 2008, "ChaCha, a variant of Salsa20"). Sines, exponentials and logarithms come from the platform's
//! mathematics library, which could round differently on another system, seldom enough that stored integers agree.

pub mod artefact;
pub mod head;
pub mod moved;
pub mod movement;
pub mod parcellation;
pub mod scan;
pub mod signals;
mod tables;
#[cfg(test)]
mod tests;
pub mod truth;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rayon::prelude::*;
use serde::Serialize;

use artefact::LossField;
use head::{AgeGroup, Head, VoxelGrid};
use movement::{Movement, Temper, displacement_mm};
use parcellation::{Parcellation, write_voxels};
use scan::{ScanPlan, Voxels};
use truth::Truth;

use crate::nifti::{ImageWriter, NiftiError, RunShape};
use tables::Which;

/// The band that the true signals lie in, Hz: the default band of cleaning.
const BAND_HZ: [f64; 2] = [0.01, 0.1];
/// Random streams: what belongs to the cohort, to each child, to each scan.
const TRUTH_STREAM: u64 = 1;
const CHILD_STREAM: u64 = 1_000_000;
const SCAN_STREAM: u64 = 1_000_000_000;

/// What can stop a synthetic cohort.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    /// A setting is out of range.
    #[error("synth: {name} is {given}, expected {expected}; give another value")]
    Setting { name: &'static str, given: String, expected: String },
    /// The folder has something in it.
    #[error("{} exists and is not an empty folder, expected a new or empty one; give another folder or clear this one", .path.display())]
    OutNotEmpty { path: PathBuf },
    /// The disk refused.
    #[error("could not {action} {}: {source}; check the folder's permissions and free space, and start again", .path.display())]
    Io { action: &'static str, path: PathBuf, source: io::Error },
    /// An image could not be written.
    #[error(transparent)]
    Image(#[from] NiftiError),
}

impl SynthError {
    fn io(action: &'static str, path: &Path, source: io::Error) -> Self {
        Self::Io { action, path: path.to_owned(), source }
    }
}

/// The images' grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Grid {
    /// 32×38×30 voxels of 4.5 mm: small files, for trying things.
    Small,
    /// 64×64×36 voxels of 3×3×4 mm: the size of a whole-brain scan.
    Whole,
}

impl Grid {
    /// The grid of voxels.
    #[must_use]
    pub fn voxels(self) -> VoxelGrid {
        match self {
            Self::Small => VoxelGrid { shape: [32, 38, 30], voxel_mm: [4.5; 3] },
            Self::Whole => VoxelGrid { shape: [64, 64, 36], voxel_mm: [3.0, 3.0, 4.0] },
        }
    }
}

/// The settings of a synthetic cohort.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SynthSettings {
    /// Name of the invented study.
    pub name: String,
    pub children: usize,
    /// Frames per run.
    pub frames: usize,
    /// Repetition time, s.
    pub tr_s: f64,
    /// Runs per child.
    pub runs: usize,
    pub seed: u64,
    pub grid: Grid,
    /// Parcels, an even number.
    pub parcels: usize,
    /// The age group whose head is the template.
    pub head: AgeGroup,
    /// Baseline of a voxel over the SD of its white noise.
    pub tsnr: f64,
    /// How much the children move: 1 is usual, with 0 they lie still.
    pub motion: f64,
    /// Level of gzip, 0 to 9; 2 gives much smaller files than 1 for little time, and 6 takes far longer for little gain
    /// (by trial).
    pub compression: u32,
    /// Whether the head moves through the images' voxels; otherwise they are as after realignment.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub move_images: bool,
}

impl SynthSettings {
    /// The demonstration's cohort: a dozen children, ten minutes each, small images.
    #[must_use]
    pub fn demo(seed: u64) -> Self {
        Self {
            name: "Invented children of Lantern Island".to_owned(),
            children: 12,
            frames: 300,
            tr_s: 2.0,
            runs: 1,
            seed,
            grid: Grid::Small,
            parcels: 84,
            head: AgeGroup::Toddler,
            tsnr: 70.0,
            motion: 1.0,
            compression: 2,
            move_images: false,
        }
    }

    fn atlas_name(&self) -> String {
        format!("invented{}", self.parcels)
    }

    fn check(&self) -> Result<(), SynthError> {
        let refuse = |name, given: String, expected: &str| {
            Err(SynthError::Setting { name, given, expected: expected.to_owned() })
        };
        if !(1..=9999).contains(&self.children) {
            return refuse("children", self.children.to_string(), "1 to 9999");
        }
        if !(20..=32767).contains(&self.frames) {
            return refuse("frames", self.frames.to_string(), "20 to 32767");
        }
        if !(0.1..=20.0).contains(&self.tr_s) {
            return refuse("tr_s", self.tr_s.to_string(), "0.1 to 20 seconds");
        }
        if !(1..=99).contains(&self.runs) {
            return refuse("runs", self.runs.to_string(), "1 to 99");
        }
        if !(1.0..=1e6).contains(&self.tsnr) {
            return refuse("tsnr", self.tsnr.to_string(), "1 to 1000000");
        }
        if !(0.0..=10.0).contains(&self.motion) {
            return refuse("motion", self.motion.to_string(), "0 to 10");
        }
        if self.compression > 9 {
            return refuse("compression", self.compression.to_string(), "0 to 9");
        }
        Ok(())
    }
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SynthSummary {
    pub children: usize,
    pub scans: usize,
    pub parcels: usize,
    /// Size of all 4-D images, bytes.
    pub image_bytes: u64,
    pub study: PathBuf,
    pub study_uncensored: PathBuf,
    pub truth: PathBuf,
}

/// An invented child.
#[derive(Debug, Clone)]
struct Child {
    number: usize,
    age_months: f64,
    sex: &'static str,
    group: AgeGroup,
    restless: bool,
    /// Size of the brain mask against the template's.
    size: f64,
    /// Slices below this are missing, mm; minus infinity: none.
    floor_mm: f64,
    temper: Temper,
}

impl Child {
    /// Newborns, toddlers and school children come in turn. In every six, the first (a newborn) and the fifth (a
    /// toddler) are restless; in every five, the fourth was scanned without its lowest slices.
    fn draw(number: usize, settings: &SynthSettings, template: &Head) -> Self {
        let mut rng = stream(settings.seed, CHILD_STREAM + number as u64);
        let group = AgeGroup::ALL[number % 3];
        let [young, old] = group.ages_months();
        let age_months = young + (old - young) * rng.random::<f64>();
        let restless = matches!(number % 6, 0 | 4);
        Self {
            number,
            age_months,
            sex: if rng.random::<f64>() < 0.5 { "F" } else { "M" },
            group,
            restless,
            size: 0.97 + 0.03 * rng.random::<f64>(),
            floor_mm: if number % 5 == 3 { -0.72 * template.half_axes_mm[2] } else { f64::NEG_INFINITY },
            temper: Temper::draw(age_months, restless, settings.motion, &mut rng),
        }
    }

    fn label(&self) -> String {
        format!("sub-{:02}", self.number + 1)
    }

    /// Its voxels on a grid with these labels, without slices below `floor_mm`.
    fn voxels(&self, template: &Head, grid: &VoxelGrid, labels: &[i16], floor_mm: f64) -> Voxels {
        let own = Head { half_axes_mm: template.half_axes_mm.map(|a| a * self.size) };
        Voxels::of_child(grid, &grid.matter(template), &grid.matter(&own), labels, floor_mm)
    }
}

/// Where one run's files are, relative to the cohort's folder.
#[derive(Debug, Clone)]
struct ScanFiles {
    participant: String,
    run: usize,
    bold: String,
    motion: String,
    brain_mask: String,
    white_matter: String,
    csf: String,
    watch_log: Option<String>,
}

/// What all scans of a cohort have in common.
struct Shared<'a> {
    settings: &'a SynthSettings,
    template: Head,
    parcellation: Parcellation,
    truth: Truth,
    field: LossField,
}

/// What happened in a run; goes into `truth/runs.tsv`.
struct Written {
    files: ScanFiles,
    mean_fd_mm: f64,
    startles: usize,
    bytes: u64,
}

fn stream(seed: u64, number: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    rng
}

/// Writes a synthetic cohort into a new or empty folder.
///
/// Everything goes to a folder beside `out` first, which takes its name when whole. `progress(done, all)` is called
/// after each scan, from whichever thread finished it. Scans are written in parallel on rayon's current pool.
///
/// # Errors
/// A setting out of range, a folder that is not empty, or a disk that refuses; nothing is left behind then.
pub fn write_cohort(
    settings: &SynthSettings,
    out: &Path,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<SynthSummary, SynthError> {
    settings.check()?;
    let taken = match fs::read_dir(out) {
        Ok(mut entries) => entries.next().is_some(),
        Err(e) if e.kind() == io::ErrorKind::NotFound => false,
        Err(e) if e.kind() == io::ErrorKind::NotADirectory => true,
        Err(e) => return Err(SynthError::io("look into", out, e)),
    };
    if taken {
        return Err(SynthError::OutNotEmpty { path: out.to_owned() });
    }
    let template = Head::of(settings.head);
    let parcellation = Parcellation::grow(&template, &settings.grid.voxels(), settings.parcels, settings.seed)?;
    let not_definite = |what: &str| SynthError::Setting {
        name: "seed",
        given: settings.seed.to_string(),
        expected: format!("one whose {what} is positive definite"),
    };
    let truth = Truth::draw(&parcellation, settings.seed, TRUTH_STREAM).ok_or_else(|| not_definite("true matrix"))?;
    let field = LossField::new(&parcellation.parcels).ok_or_else(|| not_definite("loss field"))?;
    let shared = Shared { settings, template, parcellation, truth, field };

    let name = out.file_name().map_or_else(|| "cohort".to_owned(), |n| n.to_string_lossy().into_owned());
    let unfinished = out.with_file_name(format!(".{name}.unfinished-{}", std::process::id()));
    let written = shared.write(&unfinished, progress).and_then(|bytes| {
        // An empty folder of that name gives way.
        fs::rename(&unfinished, out).map_err(|e| SynthError::io("name", out, e)).map(|()| bytes)
    });
    match written {
        Ok(image_bytes) => Ok(SynthSummary {
            children: settings.children,
            scans: settings.children * settings.runs,
            parcels: settings.parcels,
            image_bytes,
            study: out.join("study.toml"),
            study_uncensored: out.join("study-uncensored.toml"),
            truth: out.join("truth"),
        }),
        Err(error) => {
            // The first error is the one to report; a folder that cannot be removed is named by its own dot file.
            let _ = fs::remove_dir_all(&unfinished);
            Err(error)
        }
    }
}

impl Shared<'_> {
    /// Writes everything below `root`; gives the bytes of the 4-D images.
    fn write(&self, root: &Path, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<u64, SynthError> {
        let settings = self.settings;
        make_folder(&root.join("truth"))?;
        let children: Vec<Child> = (0..settings.children).map(|n| Child::draw(n, settings, &self.template)).collect();
        let all = settings.children * settings.runs;
        let done = AtomicUsize::new(0);
        let written: Vec<Written> = (0..all)
            .into_par_iter()
            .map(|n| {
                let written = self.write_scan(root, &children[n / settings.runs], n % settings.runs)?;
                progress(done.fetch_add(1, Ordering::Relaxed) + 1, all);
                Ok(written)
            })
            .collect::<Result<_, SynthError>>()?;

        self.parcellation.write(&root.join("atlas.nii.gz"), &root.join("atlas.tsv"))?;
        let files: Vec<ScanFiles> = written.iter().map(|w| w.files.clone()).collect();
        let names: Vec<String> = self.parcellation.parcels.iter().map(|p| p.name.clone()).collect();
        put(root, "study.toml", &tables::study(settings, Which::Usual))?;
        put(root, "study-uncensored.toml", &tables::study(settings, Which::Uncensored))?;
        if settings.move_images {
            put(root, "study-true-motion.toml", &tables::study(settings, Which::TrueMotion))?;
        }
        put(root, "runs.tsv", &tables::scans(&files, settings.tr_s))?;
        put(root, "participants.tsv", &tables::participants(&children))?;
        put(root, "README.txt", &tables::readme(settings))?;
        put(root, "truth/true_correlation.tsv", &tables::matrix(&names, &self.truth.correlation))?;
        put(root, "truth/truth.json", &format!("{:#}\n", tables::truth(settings, &self.truth, &children)))?;
        let mut fate = String::from("participant_id\trun_id\tmean_fd_mm\tstartles\n");
        for w in &written {
            fate += &format!("{}\t{}\t{:.6}\t{}\n", w.files.participant, w.files.run, w.mean_fd_mm, w.startles);
        }
        put(root, "truth/runs.tsv", &fate)?;
        Ok(written.iter().map(|w| w.bytes).sum())
    }

    fn write_scan(&self, root: &Path, child: &Child, run: usize) -> Result<Written, SynthError> {
        let settings = self.settings;
        let label = child.label();
        make_folder(&root.join(&label).join("func"))?;
        let child_stem = format!("{label}/func/{label}");
        let stem = format!("{child_stem}_task-rest_run-{}", run + 1);
        let mut rng = stream(settings.seed, SCAN_STREAM + (child.number * 100 + run) as u64);

        let movement = Movement::draw(&child.temper, settings.frames, settings.tr_s, &mut rng);
        let moved_mm = displacement_mm(&movement.head);
        let files = ScanFiles {
            participant: label,
            run: run + 1,
            bold: format!("{stem}_bold.nii.gz"),
            motion: format!("{stem}_headmotion.tsv"),
            brain_mask: format!("{child_stem}_desc-brain_mask.nii.gz"),
            white_matter: format!("{child_stem}_label-WM_mask.nii.gz"),
            csf: format!("{child_stem}_label-CSF_mask.nii.gz"),
            watch_log: (!movement.log.is_empty()).then(|| format!("{stem}_watch.tsv")),
        };
        put(root, &files.motion, &tables::motion(&movement))?;
        if let Some(path) = &files.watch_log {
            put(root, path, &tables::watch_log(&movement.log))?;
        }

        let grid = &self.parcellation.grid;
        let voxels = child.voxels(&self.template, grid, &self.parcellation.labels, child.floor_mm);
        if run == 0 {
            for (path, mask) in
                [(&files.brain_mask, &voxels.brain), (&files.white_matter, &voxels.white), (&files.csf, &voxels.csf)]
            {
                write_voxels(&root.join(path), grid, mask, settings.compression)?;
            }
        }

        let loss = self.field.draw(&moved_mm, &movement.startled, settings.tr_s, &mut rng);
        let form = RunShape {
            shape: grid.shape,
            frames: settings.frames,
            slope: scan::SLOPE,
            inter: scan::INTER,
            affine: grid.affine(),
            tr_s: Some(settings.tr_s),
        };
        let bold = root.join(&files.bold);
        let mut image = ImageWriter::create(&bold, &form, settings.compression)?;
        let mut plan = ScanPlan {
            grid,
            voxels: &voxels,
            truth: &self.truth,
            loss: &loss,
            frames: settings.frames,
            tr_s: settings.tr_s,
            tsnr: settings.tsnr,
        };
        if settings.move_images {
            let wide = moved::widened(grid, &self.template);
            let labels = moved::laid_into(&wide, grid, &self.parcellation.labels);
            let whole = child.voxels(&self.template, &wide, &labels, f64::NEG_INFINITY);
            (plan.grid, plan.voxels) = (&wide, &whole);
            let field = moved::FieldOfView { grid, floor_mm: child.floor_mm };
            moved::write(&plan, field, &movement.recorded, &mut image, &mut rng)?;
            put(root, &format!("truth/{}", pose_file(&files)), &tables::poses(&movement))?;
        } else {
            plan.write(&mut image, &mut rng)?;
        }
        image.finish()?;
        let bytes = fs::metadata(&bold).map_err(|e| SynthError::io("look at", &bold, e))?.len();

        let fd_mm = displacement_mm(&movement.recorded);
        Ok(Written {
            files,
            mean_fd_mm: fd_mm[1..].iter().sum::<f64>() / (fd_mm.len() - 1) as f64,
            startles: movement.startled.iter().filter(|s| **s).count(),
            bytes,
        })
    }
}

/// Name of the file with a run's true poses, below `truth/`.
fn pose_file(files: &ScanFiles) -> String {
    format!("{}_task-rest_run-{}_pose.tsv", files.participant, files.run)
}

fn make_folder(path: &Path) -> Result<(), SynthError> {
    fs::create_dir_all(path).map_err(|e| SynthError::io("make", path, e))
}

fn put(root: &Path, name: &str, text: &str) -> Result<(), SynthError> {
    let path = root.join(name);
    fs::write(&path, text).map_err(|e| SynthError::io("write", &path, e))
}
