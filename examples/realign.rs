//! Poses of an image's frames, for the outside references in tests/reference.
//!
//! ```text
//! realign IMAGE MASK REFERENCE
//! ```
//!
//! IMAGE is a run, MASK a 3-D image on the same grid (above 0 is brain), REFERENCE the number, from 0, of the frame
//! that others are aligned with. Prints one JSON object: `pivot_mm`, and for each frame its six parameters and gain, or
//! why there are none.
#![allow(clippy::print_stdout, clippy::print_stderr)]

use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

use keepstill::motion::realign::{Reference, Tracker};
use keepstill::nifti::{VolumeStream, read_3d};
use serde_json::{Value, json};

#[path = "answer/answer.rs"]
mod answer;
use answer::{Result, answer};

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let done = match args.as_slice() {
        [image, mask, reference] => poses(Path::new(image), Path::new(mask), reference),
        _ => Err("usage: realign IMAGE MASK REFERENCE".into()),
    };
    answer(done)
}

fn poses(image: &Path, mask: &Path, reference: &str) -> Result<Value> {
    let wanted: usize = reference.parse()?;
    let brain: Vec<bool> = read_3d(mask)?.data.iter().map(|&v| v > 0.0).collect();
    let mut stream = VolumeStream::open_any(image)?;
    let mut frames = Vec::new();
    while let Some(volume) = stream.next_volume()? {
        let mut values = Vec::new();
        volume.decode_all_f32(&mut values);
        frames.push(values);
    }
    let header = stream.header();
    let volume = frames.get(wanted).ok_or("there is no such frame")?;
    let reference = Reference::new(volume, header.shape, header.affine, &brain)?;
    let mut tracker = Tracker::new(&reference);
    let begun = Instant::now();
    let found: Vec<Value> = frames
        .iter()
        .map(|frame| match tracker.align(frame) {
            Ok(pose) => json!({ "mm": pose.translation_mm, "rad": pose.rotation_rad, "gain": pose.gain }),
            Err(reason) => json!({ "unaligned": reason.to_string() }),
        })
        .collect();
    let seconds = begun.elapsed().as_secs_f64();
    Ok(json!({ "pivot_mm": reference.pivot_mm(), "frames": found, "frames_a_second": frames.len() as f64 / seconds }))
}
