//! What lies in a folder, by names and the first bytes of images: runs, masks, atlases, tables of numbers.
//!
//! Only the axes are read from an image header (NIfTI-1: eight 16-bit numbers at byte 40; NIfTI-2: eight 64-bit numbers
//! at byte 16), enough to tell a run from a single volume. Whatever cannot be read is judged by its name alone.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::answer::GuessError;
use crate::tables::{TextTable, read_numeric};

/// Folders below this depth are not looked at.
const DEEPEST: usize = 12;
/// A folder with more files than this is a disk rather than a study.
const MOST_FILES: usize = 500_000;
/// Larger text files are not tried as motion tables, bytes.
const LARGEST_MOTION_TABLE: u64 = 16 * 1024 * 1024;

/// What an image seems to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// A run of so many frames; none where the header could not be read.
    Run(Option<usize>),
    BrainMask,
    WhiteMatter,
    Csf,
    Atlas,
    Other,
}

/// An image file and what it seems to be.
pub(super) struct Image {
    pub path: PathBuf,
    pub kind: Kind,
}

/// All files below a folder, sorted; hidden ones are left out and links to folders not followed.
pub(super) fn below(folder: &Path) -> Result<Vec<PathBuf>, GuessError> {
    let mut files = Vec::new();
    let mut waiting = vec![(folder.to_owned(), 0)];
    while let Some((folder, depth)) = waiting.pop() {
        let unlistable = |e: std::io::Error| GuessError::Unlistable { path: folder.clone(), reason: e.to_string() };
        for entry in std::fs::read_dir(&folder).map_err(unlistable)? {
            let entry = entry.map_err(unlistable)?;
            if entry.file_name().to_string_lossy().starts_with('.') {
                continue;
            }
            let kind = entry.file_type().map_err(unlistable)?;
            if kind.is_dir() {
                if depth < DEEPEST {
                    waiting.push((entry.path(), depth + 1));
                }
            } else if entry.path().is_file() {
                files.push(entry.path());
            }
            if files.len() > MOST_FILES {
                return Err(GuessError::TooManyFiles { limit: MOST_FILES });
            }
        }
    }
    files.sort();
    Ok(files)
}

/// The images among some files.
pub(super) fn images(files: &[PathBuf]) -> Vec<Image> {
    files.iter().filter_map(|path| Some(Image { path: path.clone(), kind: kind(path, image_stem(path)?) })).collect()
}

/// The name of an image without its ending; none for other files. Of a pair, the header file stands for both.
pub(super) fn image_stem(path: &Path) -> Option<&str> {
    let name = path.file_name()?.to_str()?;
    let name = name.strip_suffix(".gz").unwrap_or(name);
    name.strip_suffix(".nii").or_else(|| name.strip_suffix(".hdr"))
}

fn kind(path: &Path, stem: &str) -> Kind {
    let words = words(stem);
    let any = |known: &[&str]| words.iter().any(|word| known.contains(&word.as_str()));
    let part = |known: &[&str]| words.iter().any(|word| known.iter().any(|known| word.contains(known)));
    let starts = |known: &[&str]| words.iter().any(|word| known.iter().any(|known| word.starts_with(known)));
    // Masks of what is neither brain, white matter nor fluid.
    let elsewhere = ["gm", "gray", "grey", "cortex", "lesion", "eyes", "skull"];
    let other = ["anat", "flair", "dwi", "sbref", "boldref", "mean", "fieldmap", "magnitude", "phase"];
    let named = if any(&["wm"]) || part(&["white"]) {
        Kind::WhiteMatter
    } else if any(&["csf"]) || part(&["ventric"]) {
        Kind::Csf
    } else if part(&["atlas", "parcel"]) {
        Kind::Atlas
    } else if part(&["mask"]) && any(&elsewhere) {
        Kind::Other
    } else if part(&["mask"]) {
        // Before `label`, which is also an entity in the names of masks.
        Kind::BrainMask
    } else if part(&["label"]) || any(&["seg", "dseg", "probseg", "rois"]) {
        Kind::Atlas
    } else if starts(&["t1", "t2"]) || part(&other) {
        Kind::Other
    } else if any(&["brain"]) && frames(path) == Some(1) {
        Kind::BrainMask
    } else {
        Kind::Run(None)
    };
    match (named, frames(path)) {
        (Kind::Run(_), Some(frames)) if frames > 1 => Kind::Run(Some(frames)),
        (Kind::Run(_), Some(_)) => Kind::Other,
        (named, _) => named,
    }
}

/// Words of a name: letters and digits between other characters, in lower case.
pub(super) fn words(name: &str) -> Vec<String> {
    let words = name.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty());
    words.map(str::to_ascii_lowercase).collect()
}

/// Frames by the header's axes: the fourth axis, 1 for a 3-D image; none if this is no readable header.
pub(super) fn frames(path: &Path) -> Option<usize> {
    let mut start = Vec::with_capacity(80);
    let file = File::open(path).ok()?;
    if path.extension().is_some_and(|extension| extension == "gz") {
        flate2::read::MultiGzDecoder::new(file).take(80).read_to_end(&mut start).ok()?;
    } else {
        file.take(80).read_to_end(&mut start).ok()?;
    }
    let size: [u8; 4] = start.get(..4)?.try_into().ok()?;
    let (little, first) = match (u32::from_le_bytes(size), u32::from_be_bytes(size)) {
        (348, _) => (true, true),
        (_, 348) => (false, true),
        (540, _) => (true, false),
        (_, 540) => (false, false),
        _ => return None,
    };
    let axis = |i: usize| -> Option<i64> {
        if first {
            let bytes: [u8; 2] = start.get(40 + 2 * i..42 + 2 * i)?.try_into().ok()?;
            Some(i64::from(if little { i16::from_le_bytes(bytes) } else { i16::from_be_bytes(bytes) }))
        } else {
            let bytes: [u8; 8] = start.get(16 + 8 * i..24 + 8 * i)?.try_into().ok()?;
            Some(if little { i64::from_le_bytes(bytes) } else { i64::from_be_bytes(bytes) })
        }
    };
    if axis(0)? < 4 { Some(1) } else { usize::try_from(axis(4)?).ok() }
}

/// A text file with at least six columns of numbers, and one row per frame where the count is known. Its name must
/// mention motion unless it has exactly six columns.
pub(super) fn motion_table(path: &Path, frames: Option<usize>) -> Option<TextTable> {
    let extension = path.extension().and_then(|extension| extension.to_str()).unwrap_or_default();
    if !["txt", "tsv", "csv", "dat"].contains(&extension.to_ascii_lowercase().as_str()) {
        return None;
    }
    if std::fs::metadata(path).ok()?.len() > LARGEST_MOTION_TABLE {
        return None;
    }
    let table = read_numeric(path).ok()?;
    let stem = path.file_stem()?.to_string_lossy().to_ascii_lowercase();
    let named = ["motion", "movement", "realign", "confound"].iter().any(|word| stem.contains(word));
    let fits = frames.is_none_or(|frames| table.rows.len() == frames);
    let six = table.columns() == 6 && frames.is_some();
    // Six columns of words are not positions.
    let last = table.rows.len() - 1;
    let numbers = (0..table.columns().min(6)).all(|col| table.number(last, col).is_ok());
    (table.columns() >= 6 && fits && numbers && (named || six)).then_some(table)
}
