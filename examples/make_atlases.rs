//! Makes the invented parcellations in `atlases-synthetic/`: `cargo run --example make_atlases -- OUT`.
//!
//! Three head sizes, one seed each; the same bytes every time.

use std::path::Path;
use std::process::ExitCode;

use keepstill::synth::SynthError;
use keepstill::synth::head::{AgeGroup, Head, VoxelGrid};
use keepstill::synth::image::{ImageForm, ImageWriter, Stored};
use keepstill::synth::parcellation::Parcellation;
use serde_json::json;

/// Group, voxel size (mm), parcels, seed.
const ATLASES: [(AgeGroup, f64, usize, u64); 3] =
    [(AgeGroup::Newborn, 3.0, 64, 101), (AgeGroup::Toddler, 4.0, 84, 102), (AgeGroup::School, 4.0, 112, 103)];

fn main() -> ExitCode {
    let Some(out) = std::env::args_os().nth(1) else {
        eprintln!("usage: cargo run --example make_atlases -- OUT");
        return ExitCode::from(2);
    };
    for (group, voxel_mm, parcels, seed) in ATLASES {
        match make(Path::new(&out), group, voxel_mm, parcels, seed) {
            Ok(name) => println!("{name}: {parcels} parcels"),
            Err(error) => {
                eprintln!("{error}");
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}

fn make(out: &Path, group: AgeGroup, voxel_mm: f64, parcels: usize, seed: u64) -> Result<String, SynthError> {
    let name = format!("islet-{}", group.key());
    let head = Head::of(group);
    let grid = VoxelGrid::around(&head, voxel_mm);
    let atlas = Parcellation::grow(&head, &grid, parcels, seed)?;
    let put = |end: &str, text: String| {
        let path = out.join(format!("{name}.{end}"));
        std::fs::write(&path, text).map_err(|source| SynthError::Io { action: "write", path, source })
    };
    std::fs::create_dir_all(out).map_err(|source| SynthError::Io { action: "make", path: out.to_owned(), source })?;

    let form = ImageForm { stored: Stored::Uint8, frames: None, tr_s: 0.0, slope: 1.0, inter: 0.0 };
    let mut image = ImageWriter::create(&out.join(format!("{name}.nii.gz")), &grid, &form, 9)?;
    // At most 112 parcels: one byte holds every label.
    image.write_u8(&atlas.labels.iter().map(|l| *l as u8).collect::<Vec<_>>())?;
    image.finish()?;
    put("tsv", atlas.label_table())?;
    let about = json!({
        "Name": name,
        "Description": "An invented parcellation: compact parcels grown at random through the grey matter of an \
            ellipsoid head, dealt to networks at random. It describes no anatomy and is for tests and demonstrations only.",
        "HeadSize": group.key(),
        "HalfAxesMillimetres": head.half_axes_mm,
        "Grid": {
            "Shape": grid.shape,
            "VoxelSizeMillimetres": grid.voxel_mm,
            "Affine": grid.affine(),
            "Space": "x right, y front, z up, mm, origin at the centre of the invented brain",
        },
        "Parcels": parcels,
        "Networks": atlas.networks,
        "GeneratedBy": "cargo run --example make_atlases -- atlases-synthetic",
        "Seed": seed,
        "License": "CC0-1.0",
    });
    put("json", format!("{about:#}\n"))?;
    Ok(name)
}
