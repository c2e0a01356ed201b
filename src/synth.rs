//! Synthetic cohorts with a known answer: invented children, ready for `keepstill run`.
//!
//! Nobody knows the true connectivity of a real child, so real data cannot show how near a cleaned matrix comes to it.
//! Here the truth is drawn first ([`truth`]). Signals with exactly that correlation are laid into the parcels of an
//! invented head ([`head`], [`parcellation`], [`signals`]). Children move ([`movement`]), and motion takes signal away
//! in the way that makes false, distance-dependent connections ([`artefact`]). Then scans, tables and study files are
//! written ([`scan`], `tables`).
//!
//! One atlas serves the whole cohort: as in a real study, images count as normalised to one template, whose age group
//! is a setting. Age changes how much and how far a child moves, how fast it breathes, and what is in the participants
//! table. A child's brain mask is the template's, shrunk by up to 3 %, and every fifth child was scanned without the
//! lowest slices, so that coverage differs. Images look as they do after realignment. With `move_images` they are as
//! the scanner saw them, and the head moves through the voxels ([`moved`]).
//!
//! The same settings give the same bytes, whatever the number of threads: each scan draws from its own ChaCha8 stream
//! (Bernstein 2008, "ChaCha, a variant of Salsa20"). Sines, exponentials and logarithms come from the platform's
//! mathematics library, which could round differently on another system, seldom enough that stored integers agree.

pub mod artefact;
mod child;
mod error;
pub mod head;
pub mod moved;
pub mod movement;
pub mod parcellation;
pub mod scan;
mod scan_files;
mod settings;
pub mod signals;
mod streams;
mod tables;
#[cfg(test)]
mod tests;
pub mod truth;

pub use error::SynthError;
pub use settings::{Grid, SynthSettings};

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use serde::Serialize;

use artefact::LossField;
use child::Child;
use head::Head;
use movement::{Movement, displacement_mm};
use parcellation::{Parcellation, write_voxels};
use scan::ScanPlan;
use scan_files::ScanFiles;
use streams::{SCAN_STREAM, TRUTH_STREAM, stream};
use truth::Truth;

use crate::nifti::{ImageWriter, RunShape};
use tables::Which;

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

/// Writes a synthetic cohort into a new or empty folder.
///
/// Everything is first written to a folder beside `out`, which takes that name when it is complete. `progress(done,
/// all)` is called after each scan, from whichever thread finished it. Scans are written in parallel on rayon's current
/// pool.
///
/// # Errors
/// A setting out of range, a folder that is not empty, or a disk that refuses. Nothing is left behind then.
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
            put(root, &format!("truth/{}", files.pose()), &tables::poses(&movement))?;
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

fn make_folder(path: &Path) -> Result<(), SynthError> {
    fs::create_dir_all(path).map_err(|e| SynthError::io("make", path, e))
}

fn put(root: &Path, name: &str, text: &str) -> Result<(), SynthError> {
    let path = root.join(name);
    fs::write(&path, text).map_err(|e| SynthError::io("write", &path, e))
}
