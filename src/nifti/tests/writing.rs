//! What is written can be read back, says what it should, and appears whole or not at all.

use std::path::Path;

use ndarray::{Array, IxDyn};

use crate::nifti::{
    Affine, AffineSource, Dtype, ImageWriter, NiftiError, RunShape, TimeUnit, VolumeStream, read_3d, write_image,
};

const OBLIQUE: Affine = Affine([[2.0, 0.25, 0.0, -10.0], [-0.25, 2.0, 0.0, 4.5], [0.0, 0.0, -3.0, 12.0]]);

/// The file's own bytes where free text could be: all must be zero.
fn free_text_is_blank(path: &Path) {
    let raw = std::fs::read(path).unwrap();
    // data_type and db_name; descrip and aux_file; intent_name.
    for range in [4..32, 148..252, 328..344] {
        assert!(raw[range.clone()].iter().all(|byte| *byte == 0), "{range:?}");
    }
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn whole_images() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    // Value 100·x + 10·y + z, so that a swapped axis shows.
    let labels = Array::from_shape_fn(IxDyn(&[3, 4, 2]), |at| (100 * at[0] + 10 * at[1] + at[2]) as i16);
    for name in ["sub-01.v2_labels.nii", "labels.nii.gz"] {
        let path = folder.join(name);
        write_image(&path, &labels.view(), &OBLIQUE, None, 6).unwrap();
        let image = read_3d(&path).unwrap();
        assert_eq!((image.header.shape, image.header.dtype), ([3, 4, 2], Dtype::I16));
        assert_eq!((image.header.affine, image.header.affine_source), (OBLIQUE, AffineSource::Sform));
        for (at, value) in labels.indexed_iter() {
            assert_eq!(image.data[at[0] + 3 * (at[1] + 4 * at[2])], f64::from(*value));
        }
    }
    free_text_is_blank(&folder.join("sub-01.v2_labels.nii"));
    assert_eq!(names(folder), ["labels.nii.gz", "sub-01.v2_labels.nii"]);

    // First axis of length 1, four axes, another type, over an older file.
    let path = folder.join("labels.nii.gz");
    let weights = Array::from_shape_fn(IxDyn(&[1, 4, 2, 3]), |at| (at[1] + 4 * at[2] + 8 * at[3]) as f32 / 8.0);
    write_image(&path, &weights.view(), &OBLIQUE, Some(1.35), 1).unwrap();
    let mut stream = VolumeStream::open(&path).unwrap();
    assert_eq!((stream.header().time_unit, stream.header().tr_s().unwrap()), (TimeUnit::Seconds, 1.35));
    let (mut all, mut one) = (Vec::new(), Vec::new());
    while let Some(volume) = stream.next_volume().unwrap() {
        volume.decode_all(&mut one);
        all.extend_from_slice(&one);
    }
    assert_eq!(all, (0..24).map(|i| f64::from(i) / 8.0).collect::<Vec<_>>());
}

fn shape() -> RunShape {
    RunShape { shape: [3, 2, 2], frames: 4, slope: 0.5, inter: 1000.0, affine: OBLIQUE, tr_s: Some(0.75) }
}

#[test]
fn runs() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for name in ["run.nii", "run.nii.gz"] {
        let path = folder.join(name);
        let mut writer = ImageWriter::create(&path, &shape(), 6).unwrap();
        let frame = |f: i16| (0..12).map(|voxel| 1000 * f - voxel).collect::<Vec<i16>>();
        for f in 0..4 {
            writer.write_volume(&frame(f)).unwrap();
        }
        assert!(!path.exists(), "not before it is whole");
        writer.finish().unwrap();
        let mut stream = VolumeStream::open(&path).unwrap();
        let header = stream.header();
        assert_eq!((header.shape, header.frames, header.slope, header.inter), ([3, 2, 2], 4, 0.5, 1000.0));
        assert_eq!((header.affine, header.tr_s().unwrap()), (OBLIQUE, 0.75));
        assert_eq!(header.file_bytes, std::fs::metadata(&path).unwrap().len());
        let mut out = Vec::new();
        for f in 0..4 {
            stream.next_volume().unwrap().unwrap().decode_all(&mut out);
            let expected: Vec<f64> = frame(f).iter().map(|value| f64::from(*value) * 0.5 + 1000.0).collect();
            assert_eq!(out, expected);
        }
        assert!(stream.next_volume().unwrap().is_none());
    }
    free_text_is_blank(&folder.join("run.nii"));
    // The same header as the crate's own reader sees it.
    let header = nifti::NiftiHeader::from_file(folder.join("run.nii.gz")).unwrap();
    assert_eq!((header.dim, header.datatype, header.bitpix), ([4, 3, 2, 2, 4, 1, 1, 1], 4, 16));
    assert_eq!((header.xyzt_units, header.sform_code, header.qform_code), (10, 2, 0));
    assert_eq!(names(folder), ["run.nii", "run.nii.gz"]);
}

#[test]
fn refusals() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let path = folder.join("run.nii");
    let told = |error: NiftiError| error.to_string().replace(&format!("{}/", folder.display()), "");

    let mut writer = ImageWriter::create(&path, &shape(), 1).unwrap();
    assert_eq!(
        told(writer.write_volume(&[0; 11]).unwrap_err()),
        "run.nii: was given 11 voxels in a volume, expected 12; give all of them and no more"
    );
    writer.write_volume(&[0; 12]).unwrap();
    assert_eq!(
        told(writer.finish().unwrap_err()),
        "run.nii: was given 1 volumes, expected 4; give all of them and no more"
    );
    let mut writer = ImageWriter::create(&path, &RunShape { frames: 1, ..shape() }, 1).unwrap();
    writer.write_volume(&[0; 12]).unwrap();
    assert_eq!(
        told(writer.write_volume(&[0; 12]).unwrap_err()),
        "run.nii: was given 2 volumes, expected 1; give all of them and no more"
    );
    drop(writer);
    assert!(names(folder).is_empty(), "nothing is left of what was not finished");

    let refuse = |path: &Path, run: &RunShape| ImageWriter::create(path, run, 1).err().map(told).unwrap();
    assert_eq!(
        refuse(&path, &RunShape { frames: 40_000, ..shape() }),
        "run.nii: an image of size 3×2×2×40000 cannot be written as NIfTI-1, expected 1 to 7 axes of 1 to 32767 voxels"
    );
    assert_eq!(
        refuse(&path, &RunShape { affine: Affine::scaling([1.0, 0.0, 1.0]), ..shape() }),
        "run.nii: the affine to write is singular or not finite; give one that keeps three dimensions"
    );
    assert_eq!(
        refuse(&folder.join("run.img"), &shape()),
        "run.img: the name to write ends neither in .nii nor in .nii.gz; give it one of these endings"
    );
    assert_eq!(
        refuse(&folder.join("absent/run.nii"), &shape()),
        "absent/run.nii: writing failed (No such file or directory (os error 2)); check the folder and the space on \
        the disk"
    );
}
