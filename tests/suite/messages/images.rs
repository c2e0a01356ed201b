//! Images: every way in which a NIfTI file can be wrong. Offsets are those of `nifti1.h`.

use super::{Case, check, hold, run};
use crate::builders::{Folder, gzipped};

/// Where the header's fields start.
const DIM: usize = 40;
const DATATYPE: usize = 70;
const BITPIX: usize = 72;
const PIXDIM: usize = 76;
const VOX_OFFSET: usize = 108;
const UNITS: usize = 123;
const SROW_X: usize = 280;
const MAGIC: usize = 344;

fn patched(name: &'static str, at: usize, with: &[u8]) -> Case {
    let with = with.to_vec();
    check(name, move |folder| folder.patch("bold_01.nii", at, &with))
}

/// A datatype with its bits per voxel.
fn of_type(name: &'static str, code: i16, bits: i16) -> Case {
    check(name, move |folder| {
        folder.patch("bold_01.nii", DATATYPE, &code.to_le_bytes());
        folder.patch("bold_01.nii", BITPIX, &bits.to_le_bytes());
    })
}

fn dims(folder: &Folder, dims: &[i16]) {
    let bytes: Vec<u8> = dims.iter().flat_map(|length| length.to_le_bytes()).collect();
    folder.patch("bold_01.nii", DIM, &bytes);
}

/// Compresses the run and changes the compressed bytes.
fn compressed(name: &'static str, change: impl Fn(&mut Vec<u8>) + 'static) -> Case {
    run(name, move |folder| {
        folder.gzip("bold_01.nii");
        let mut bytes = folder.bytes("bold_01.nii.gz");
        change(&mut bytes);
        folder.write_bytes("bold_01.nii.gz", &bytes);
        folder.edit("runs.tsv", "bold_01.nii", "bold_01.nii.gz");
    })
}

/// Another name for the run, in the folder and in the table.
fn renamed(folder: &Folder, name: &str) {
    let bytes = folder.bytes("bold_01.nii");
    folder.write_bytes(name, &bytes);
    folder.edit("runs.tsv", "bold_01.nii", name);
}

#[test]
fn image_messages() {
    let cases = [
        check("cut short", |folder| folder.cut("bold_01.nii", 3000)),
        check("cut inside the header", |folder| folder.cut("bold_01.nii", 200)),
        check("empty file", |folder| folder.cut("bold_01.nii", 0)),
        check("not NIfTI", |folder| folder.write("bold_01.nii", &"tern ".repeat(200))),
        patched("another magic word", MAGIC, b"n+3\0"),
        patched("number of axes", DIM, &[9, 0]),
        patched("axis of no length", DIM + 4, &[0, 0]),
        check("size that overflows", |folder| dims(folder, &[7, 32767, 32767, 32767, 32767, 32767, 32767, 32767])),
        check("promises far more than it holds", |folder| dims(folder, &[4, 30000, 30000, 30000, 40])),
        of_type("colours", 128, 24),
        of_type("complex numbers", 32, 64),
        of_type("long floating point", 1536, 128),
        of_type("unknown datatype", 3, 16),
        of_type("bits of another datatype", 4, 32),
        patched("voxels inside the header", VOX_OFFSET, &100.0_f32.to_le_bytes()),
        patched("an offset that is not a number", VOX_OFFSET, &f32::NAN.to_le_bytes()),
        patched("affine that is not finite", SROW_X, &f32::NAN.to_le_bytes()),
        patched("affine that flattens", SROW_X, &[0; 16]),
        check("3-D where 4-D is needed", |folder| dims(folder, &[3, 6, 5, 4, 40])),
        check("one frame", |folder| dims(folder, &[4, 6, 5, 4, 1])),
        check("five axes", |folder| dims(folder, &[5, 6, 5, 4, 20, 2])),
        patched("repetition time of 0", PIXDIM + 16, &0.0_f32.to_le_bytes()),
        patched("repetition time of 2000 s", PIXDIM + 16, &2000.0_f32.to_le_bytes()),
        patched("fourth axis in hertz", UNITS, &[2 | 32]),
        check("a name that is not an image's", |folder| renamed(folder, "bold_01.dat")),
        check("half of a pair", |folder| renamed(folder, "bold_01.hdr")),
        check("named .gz and not compressed", |folder| renamed(folder, "bold_01.nii.gz")),
        compressed("compressed and cut", |bytes| bytes.truncate(bytes.len() / 2)),
        compressed("compressed and damaged", |bytes| {
            let middle = bytes.len() / 2;
            bytes[middle..middle + 8].fill(0xa5);
        }),
        compressed("compressed with another checksum", |bytes| {
            let trailer = bytes.len() - 8;
            bytes[trailer] ^= 1;
        }),
        compressed("compressed with something behind it", |bytes| bytes.extend(b"tern")),
        run("compressed and ends before its header says", |folder| {
            let bytes = folder.bytes("bold_01.nii");
            folder.write_bytes("bold_01.nii.gz", &gzipped(&bytes[..5000]));
            folder.edit("runs.tsv", "bold_01.nii", "bold_01.nii.gz");
        }),
        run("nothing changes over time", |folder| {
            let mut bytes = folder.bytes("bold_01.nii");
            bytes[352..].fill(1);
            folder.write_bytes("bold_01.nii", &bytes);
        }),
        run("DVARS asked of an image without its mean", |folder| {
            let mut bytes = folder.bytes("bold_01.nii");
            for value in bytes[352..].chunks_exact_mut(2) {
                let lower = i16::from_le_bytes([value[0], value[1]]) - 1500;
                value.copy_from_slice(&lower.to_le_bytes());
            }
            folder.write_bytes("bold_01.nii", &bytes);
            folder.edit("study.toml", "[clean]", "[censor]\ndvars_percent = 5\n\n[clean]");
        }),
    ];
    hold("images.txt", 34, &cases);
}
