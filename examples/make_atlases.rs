//! Makes the invented parcellations in `atlases-synthetic/`: `cargo run --example make_atlases -- OUT`.
//!
//! One each for a newborn, a toddler and a school child, each with its own seed; the same bytes every time.

use std::path::Path;
use std::process::ExitCode;

use keepstill::synth::SynthError;
use keepstill::synth::head::Head;
use keepstill::synth::parcellation::{ATLASES, Invented};
use serde_json::json;

fn main() -> ExitCode {
    let Some(out) = std::env::args_os().nth(1) else {
        eprintln!("usage: cargo run --example make_atlases -- OUT");
        return ExitCode::from(2);
    };
    for atlas in &ATLASES {
        if let Err(error) = make(Path::new(&out), atlas) {
            eprintln!("{error}");
            return ExitCode::FAILURE;
        }
        println!("{}: {} parcels", atlas.name, atlas.parcels);
    }
    ExitCode::SUCCESS
}

fn make(out: &Path, atlas: &Invented) -> Result<(), SynthError> {
    let made = atlas.grow()?;
    let path = |end: &str| out.join(format!("{}.{end}", atlas.name));
    let io = |action, path: &Path| {
        let path = path.to_owned();
        move |source| SynthError::Io { action, path, source }
    };
    std::fs::create_dir_all(out).map_err(io("make", out))?;
    made.write(&path("nii.gz"), &path("tsv"))?;
    let about = json!({
        "Name": atlas.name,
        "Description": "An invented parcellation: compact parcels grown at random through the grey matter of an \
            ellipsoid head, dealt to networks at random. It describes no anatomy; for tests and demonstrations only.",
        "HeadSize": atlas.group.key(),
        "HalfAxesMillimetres": Head::of(atlas.group).half_axes_mm,
        "Grid": {
            "Shape": made.grid.shape,
            "VoxelSizeMillimetres": made.grid.voxel_mm,
            "Affine": made.grid.affine().0,
            "Space": "x right, y front, z up, mm, origin at the centre of the invented brain",
        },
        "Parcels": atlas.parcels,
        "Networks": made.networks,
        "GeneratedBy": "cargo run --example make_atlases -- atlases-synthetic",
        "Seed": atlas.seed,
        "License": "CC0-1.0",
    });
    let json = path("json");
    std::fs::write(&json, format!("{about:#}\n")).map_err(io("write", &json))
}
