//! The text files of a cohort: study files, tables, the truth, and a note that none of it is real.

use serde_json::{Value, json};

use super::child::Child;
use super::moved::PIVOT_MM;
use super::movement::{Logged, Movement};
use super::scan_files::ScanFiles;
use super::settings::SynthSettings;
use super::truth::{Square, Truth};
use crate::study::settings::MOTION_COLUMNS;

/// Which of a cohort's study files is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Which {
    Usual,
    /// No frame is dropped.
    Uncensored,
    /// Of images in which the head moves: motion from the table that they were made from.
    TrueMotion,
}

/// A study file; each kind writes its results elsewhere.
#[must_use]
pub(super) fn study(settings: &SynthSettings, which: Which) -> String {
    let (title, results, censor) = if which == Which::Uncensored {
        (
            "The same children with no frame dropped, to see what censoring is worth.",
            "results-uncensored",
            "[censor]
fd_mm            = 0             # 0: no limit
dvars_percent    = 0
before           = 0
after            = 0
shortest_stretch = 0
watch_log        = false
",
        )
    } else {
        let (title, results) = if which == Which::Usual {
            ("Invented children with a known answer: the usual censoring.", "results")
        } else {
            ("The same children with the motion that their images were made with.", "results-true-motion")
        };
        (
            title,
            results,
            "[censor]
fd_mm            = 0.2           # frames in which the head moved farther are dropped
before           = 1             # and one frame before each,
after            = 2             # and two after, while the signal comes back
shortest_stretch = 5             # stretches of kept frames shorter than this are dropped too
watch_log        = true          # frames in logged intervals (eyes_open, stirring, crying) are dropped
",
        )
    };
    let from = if settings.move_images && which != Which::TrueMotion {
        "from             = \"images\"      # measured from the images; the table holds the truth"
    } else {
        "from             = \"table\""
    };
    format!(
        "# {title}
# All data here are invented by `keepstill synth`; see README.txt. The true correlations are in truth/.

[study]
name    = {name}
results = \"{results}\"

[scans]
table = \"runs.tsv\"              # one line per run: where its images and tables are

[children]
table      = \"participants.tsv\"
age_column = \"age_months\"
age_unit   = \"months\"
sex_column = \"sex\"

[motion]
{from}
columns          = [\"translation_x_mm\", \"translation_y_mm\", \"translation_z_mm\", \
                    \"rotation_x_rad\", \"rotation_y_rad\", \"rotation_z_rad\"]
translation_unit = \"mm\"
rotation_unit    = \"rad\"
sphere_radius    = 50.0          # mm; \"by-age\" measures small heads by their own size

{censor}
[clean]
motion_terms   = 24
tissue_means   = [\"white_matter\", \"csf\"]
detrend_degree = 1
band_hz        = [0.01, 0.1]     # the invented signals lie in this band

[[parcels]]
name           = \"{atlas}\"
image          = \"atlas.nii.gz\"
labels         = \"atlas.tsv\"
least_coverage = 0.5             # one child in five was scanned without the lowest slices

[connectivity]
measures = [\"pearson\"]           # compare these with truth/true_correlation.tsv

[enough]
minutes = 5.0                    # some of the younger children do not keep that much
",
        name = toml_text(&settings.name),
        atlas = settings.atlas_name(),
    )
}

/// A TOML basic string (TOML 1.0.0, "String").
fn toml_text(text: &str) -> String {
    let mut out = String::from('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() => out += &format!("\\u{:04X}", c as u32),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

pub(super) fn scans(files: &[ScanFiles], tr_s: f64) -> String {
    let mut text =
        String::from("participant_id\trun_id\tbold\ttr_s\tmotion\tbrain_mask\twhite_matter\tcsf\twatch_log\n");
    for f in files {
        text += &format!(
            "{}\t{}\t{}\t{tr_s}\t{}\t{}\t{}\t{}\t{}\n",
            f.participant,
            f.run,
            f.bold,
            f.motion,
            f.brain_mask,
            f.white_matter,
            f.csf,
            f.watch_log.as_deref().unwrap_or("n/a"),
        );
    }
    text
}

pub(super) fn participants(children: &[Child]) -> String {
    let mut text = String::from("participant_id\tage_months\tsex\tgroup\n");
    for c in children {
        text += &format!("{}\t{:.1}\t{}\t{}\n", c.label(), c.age_months, c.sex, c.group.key());
    }
    text
}

/// The motion table: a header line, then one row per frame; six decimals of a millimetre, eight of a radian.
pub(super) fn motion(movement: &Movement) -> String {
    let mut text = MOTION_COLUMNS.join("\t") + "\n";
    for row in &movement.recorded {
        let [x, y, z, a, b, c] = row;
        text += &format!("{x:.6}\t{y:.6}\t{z:.6}\t{a:.8}\t{b:.8}\t{c:.8}\n");
    }
    text
}

/// Where the image was in each frame (the motion table's pose in full), and where the head itself was, without
/// breathing.
pub(super) fn poses(movement: &Movement) -> String {
    let head = MOTION_COLUMNS.map(|name| format!("head_{name}"));
    let mut text = format!("{}\t{}\n", MOTION_COLUMNS.join("\t"), head.join("\t"));
    for (image, head) in movement.recorded.iter().zip(&movement.head) {
        let cells: Vec<String> = image.iter().chain(head).map(f64::to_string).collect();
        text += &format!("{}\n", cells.join("\t"));
    }
    text
}

pub(super) fn watch_log(log: &[Logged]) -> String {
    let mut text = String::from("onset\tduration\ttrial_type\n");
    for entry in log {
        text += &format!("{:.1}\t{:.1}\t{}\n", entry.onset_s, entry.duration_s, entry.what);
    }
    text
}

/// A matrix with parcel names as header row and first column.
pub(super) fn matrix(names: &[String], matrix: &Square) -> String {
    let mut text = String::from("parcel");
    for name in names {
        text += &format!("\t{name}");
    }
    text.push('\n');
    for (i, name) in names.iter().enumerate() {
        text += name;
        for j in 0..names.len() {
            text += &format!("\t{:.9}", matrix.at(i, j));
        }
        text.push('\n');
    }
    text
}

pub(super) fn truth(settings: &SynthSettings, truth: &Truth, children: &[Child]) -> Value {
    let cut = children.iter().filter(|c| c.floor_mm.is_finite());
    let mut told = json!({
        "about": "Invented data with a known answer; no person, no scanner, no anatomy.",
        "version": env!("CARGO_PKG_VERSION"),
        "settings": settings,
        "true_correlation": "true_correlation.tsv",
        "distance_rank_correlation": truth.distance_rank_correlation,
        "restless": children.iter().filter(|c| c.restless).map(Child::label).collect::<Vec<_>>(),
        "lowest_slices_missing": cut.map(Child::label).collect::<Vec<_>>(),
    });
    if settings.move_images {
        told["moved_images"] = json!({
            "pose": "the head's rest position x lies at R (x - pivot) + pivot + t, R = Rz Ry Rx, world mm",
            "pivot_mm": PIVOT_MM,
            "poses": "sub-*_pose.tsv: the image's pose in each frame, then the head's own, without breathing",
        });
    }
    told
}

pub(super) fn readme(settings: &SynthSettings) -> String {
    let images = if settings.move_images {
        "
The head moves through the voxels of the 4-D images, as a scanner sees it, by the poses in the motion tables; masks \
and atlas are those of the head at rest. truth/*_pose.tsv holds these poses in full and, beside them, the head's own \
poses, without what breathing does to the picture.
"
    } else {
        ""
    };
    format!(
        "{name}

ALL DATA IN THIS FOLDER ARE INVENTED. No child was scanned; ages, sexes, movements and images come from a seeded
random generator (keepstill {version}, seed {seed}). Use them to try the program and to see how near its results
come to a known answer, never as evidence about children.

study.toml              the study, ready for `keepstill run study.toml`
study-uncensored.toml   the same study with no frame dropped; its results go to another folder
study-true-motion.toml  with --move-images only: the same study with the true motion table
runs.tsv                one line per run
participants.tsv        one line per child
sub-*/func/             images (4-D), motion tables, watch logs, masks
atlas.nii.gz, .tsv      {parcels} invented parcels
truth/                  the true correlation matrix, the settings it was made with, and what happened in each run

All images lie in one template space, as in a real study after normalisation; the template is the {head} \
head of the invented parcellations. Children differ in how much they move, in how fast they breathe, and a little in \
their brain masks.
{images}",
        name = settings.name.replace(char::is_control, " "),
        version = env!("CARGO_PKG_VERSION"),
        seed = settings.seed,
        parcels = settings.parcels,
        head = settings.head.key(),
    )
}
