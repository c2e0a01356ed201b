//! Sound files of every form give their values back.

use std::path::Path;

use super::builder::{ALL_TYPES, Image, save, values};
use crate::nifti::{Affine, AffineSource, Dtype, TimeUnit, VolumeStream, content_hash, read_3d, read_header};

/// All volumes, one after another, and the hash the stream took.
fn read_all(path: &Path) -> (Vec<f64>, blake3::Hash) {
    let mut stream = VolumeStream::open_any(path).unwrap();
    let (mut all, mut one) = (Vec::new(), Vec::new());
    while let Some(volume) = stream.next_volume().unwrap() {
        volume.decode_all(&mut one);
        let mut single = Vec::new();
        volume.decode_all_f32(&mut single);
        let rounded: Vec<u32> = one.iter().map(|&v| (v as f32).to_bits()).collect();
        assert_eq!(single.iter().map(|v| v.to_bits()).collect::<Vec<_>>(), rounded);
        all.extend_from_slice(&one);
    }
    let hash = stream.content_hash().unwrap();
    (all, hash)
}

#[test]
fn every_type_order_version_and_form() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for dtype in ALL_TYPES {
        for (big, version2) in [(false, false), (false, true), (true, false), (true, true)] {
            let mut image = Image::new(dtype);
            image.big_endian = big;
            if version2 {
                image = image.version2();
            }
            // 0.25 and 128 are exact in `f32` too.
            (image.slope, image.inter) = (0.25, 128.0);
            let expected: Vec<f64> = values(dtype, 72).0.iter().map(|v| v * 0.25 + 128.0).collect();
            let mut pair = image.clone().paired();
            // Something in front of the voxels of the .img, which must be passed over.
            pair.between = vec![7; 33];
            pair.vox_offset = 33.0;
            let paths = [
                image.write(folder, "one.nii"),
                image.write(folder, "one.nii.gz"),
                pair.write_pair(folder, "a.hdr", "a.img").0,
                pair.write_pair(folder, "b.hdr", "b.img.gz").1,
                pair.write_pair(folder, "c.hdr.gz", "c.img").0,
                pair.write_pair(folder, "d.hdr.gz", "d.img.gz").1,
            ];
            for path in paths {
                let header = read_header(&path).unwrap();
                assert_eq!((header.dtype, header.big_endian, header.nifti2), (dtype, big, version2));
                assert_eq!((header.shape, header.frames), ([4, 3, 2], 3));
                let (found, hash) = read_all(&path);
                assert_eq!(found, expected, "{} {dtype} {big} {version2}", path.display());
                assert_eq!(hash, content_hash(&path).unwrap());
            }
        }
    }
}

#[test]
fn runs_are_packed_in_order() {
    let folder = tempfile::tempdir().unwrap();
    for dtype in ALL_TYPES {
        let path = Image::new(dtype).big().write(folder.path(), "x.nii.gz");
        let mut stream = VolumeStream::open(&path).unwrap();
        let all = values(dtype, 72).0;
        let mut frame = 0;
        while let Some(volume) = stream.next_volume().unwrap() {
            assert_eq!((volume.dtype(), volume.voxels()), (dtype, 24));
            let mut out = [0.0; 8];
            volume.decode_runs(&[(0, 1), (3, 4), (7, 0), (21, 3)], &mut out);
            let at = |i: usize| all[24 * frame + i];
            assert_eq!(out, [at(0), at(3), at(4), at(5), at(6), at(21), at(22), at(23)]);
            frame += 1;
        }
        assert_eq!(frame, 3);
        assert!(stream.next_volume().unwrap().is_none(), "the end stays the end");
    }
}

#[test]
fn the_hash_is_that_of_the_files_as_stored() {
    let folder = tempfile::tempdir().unwrap();
    let image = Image::new(Dtype::I16);
    for name in ["x.nii", "x.nii.gz"] {
        let path = image.write(folder.path(), name);
        // Bytes behind the voxels of a plain file belong to its hash.
        if name == "x.nii" {
            let more = [std::fs::read(&path).unwrap(), vec![9; 1000]].concat();
            std::fs::write(&path, more).unwrap();
        }
        let stored = blake3::hash(&std::fs::read(&path).unwrap());
        assert_eq!(read_all(&path).1, stored);
        assert_eq!(content_hash(&path).unwrap(), stored);
        // Asked for early, it reads the rest itself.
        let mut stream = VolumeStream::open(&path).unwrap();
        stream.next_volume().unwrap();
        assert_eq!(stream.content_hash().unwrap(), stored);
    }
    let (header, data) = image.paired().write_pair(folder.path(), "p.hdr", "p.img");
    let both = [std::fs::read(&header).unwrap(), std::fs::read(&data).unwrap()].concat();
    assert_eq!(read_all(&data).1, blake3::hash(&both));
    assert_eq!(content_hash(&header).unwrap(), blake3::hash(&both));
}

#[test]
fn members_that_end_inside_a_volume_or_the_header() {
    let folder = tempfile::tempdir().unwrap();
    let single = Image::new(Dtype::F64).single();
    for cut in [1, 347, 350, 352, 400, single.len() - 1] {
        let path = folder.path().join("x.nii.gz");
        let packed = [super::builder::gz(&single[..cut]), super::builder::gz(&single[cut..]), vec![0; 64]].concat();
        std::fs::write(&path, &packed).unwrap();
        let (found, hash) = read_all(&path);
        assert_eq!(found, values(Dtype::F64, 72).0);
        assert_eq!(hash, blake3::hash(&packed));
    }
}

#[test]
fn capitals_and_dotted_names() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let image = Image::new(Dtype::U8);
    let pair = image.clone().paired();
    let mut pair = pair;
    pair.between.clear();
    let paths = [
        image.write(folder, "A.NII"),
        image.write(folder, "A.NII.GZ"),
        image.write(folder, "sub-01.v2.nii.gz"),
        pair.write_pair(folder, "B.HDR", "B.IMG").1,
        pair.write_pair(folder, "C.HDR", "C.IMG.GZ").0,
        pair.write_pair(folder, "tern.bay.hdr", "tern.bay.img.gz").0,
        pair.write_pair(folder, "D.hdr.gz", "D.IMG").0,
    ];
    for path in paths {
        assert_eq!(read_all(&path).0, values(Dtype::U8, 72).0, "{}", path.display());
    }
    // gzip under a plain name is told from its first bytes.
    let path = folder.join("packed.nii");
    std::fs::write(&path, super::builder::gz(&image.single())).unwrap();
    assert_eq!(read_all(&path).0, values(Dtype::U8, 72).0);
}

#[test]
fn extensions_are_passed_over() {
    let folder = tempfile::tempdir().unwrap();
    for flag in [0_u8, 1] {
        let mut image = Image::new(Dtype::I32);
        // Extender, then one extension of 32 bytes: size, code, 24 bytes of comment.
        image.between = vec![flag, 0, 0, 0, 32, 0, 0, 0, 6, 0, 0, 0];
        image.between.extend([b'x'; 24]);
        // And a gap that no extension accounts for.
        image.between.extend([255; 28]);
        image.vox_offset = 348.0 + image.between.len() as f64;
        for name in ["x.nii", "x.nii.gz"] {
            assert_eq!(read_all(&image.write(folder.path(), name)).0, values(Dtype::I32, 72).0);
        }
    }
}

#[test]
fn scaling_that_is_none() {
    let folder = tempfile::tempdir().unwrap();
    let (nan, inf) = (f64::NAN, f64::INFINITY);
    for (slope, inter) in [(0.0, 5.0), (nan, 0.0), (inf, 0.0), (-inf, 1.0), (2.0, nan), (2.0, inf), (0.0, nan)] {
        for version2 in [false, true] {
            let mut image = Image::new(Dtype::I16);
            (image.slope, image.inter) = (slope, inter);
            if version2 {
                image = image.version2();
            }
            let path = image.write(folder.path(), "x.nii");
            let header = read_header(&path).unwrap();
            assert_eq!((header.slope, header.inter), (1.0, 0.0));
            assert_eq!(read_all(&path).0, values(Dtype::I16, 72).0);
        }
    }
    let mut image = Image::new(Dtype::I16);
    (image.slope, image.inter) = (-0.1, 3.0);
    let header = read_header(&image.write(folder.path(), "x.nii")).unwrap();
    assert_eq!((header.slope, header.inter), (f64::from(-0.1_f32), 3.0));
}

#[test]
fn axes_beyond_the_fourth() {
    let folder = tempfile::tempdir().unwrap();
    let ones = Image::new(Dtype::U8).shape(&[4, 3, 2, 3, 1, 1]).write(folder.path(), "ones.nii");
    let stream = VolumeStream::open(&ones).unwrap();
    let header = stream.header();
    assert_eq!((header.frames, header.axes, header.extra_dims.as_slice()), (3, 6, [].as_slice()));
    assert_eq!(read_all(&ones).0, values(Dtype::U8, 72).0);

    let five = Image::new(Dtype::U8).shape(&[4, 3, 1, 3, 2]).write(folder.path(), "five.nii.gz");
    let header = read_header(&five).unwrap();
    assert_eq!((header.frames, header.extra_dims.as_slice()), (6, [2].as_slice()));
    assert_eq!(read_all(&five).0, values(Dtype::U8, 72).0);
}

#[test]
fn a_single_volume() {
    let folder = tempfile::tempdir().unwrap();
    let expected = values(Dtype::F32, 72).0;
    for shape in [[4, 3, 6].as_slice(), &[4, 3, 6, 1], &[4, 3, 6, 1, 1]] {
        let path = Image::new(Dtype::F32).shape(shape).write(folder.path(), "x.nii.gz");
        let image = read_3d(&path).unwrap();
        assert_eq!((image.header.shape, image.header.frames), ([4, 3, 6], 1));
        assert_eq!(image.data, expected);
    }
}

#[test]
fn the_affine_in_force() {
    let folder = tempfile::tempdir().unwrap();
    for version2 in [false, true] {
        let mut image = Image::new(Dtype::U8);
        if version2 {
            image = image.version2();
        }
        let read = |image: &Image| read_header(&image.write(folder.path(), "x.nii")).unwrap();

        (image.sform_code, image.qform_code) = (2, 1);
        let header = read(&image);
        assert_eq!((header.affine_source, header.affine), (AffineSource::Sform, Affine(image.rows)));

        // A half turn about z (b = c = 0, d = 1) and a left-handed third axis: worked out by hand.
        (image.sform_code, image.qform_code) = (0, 1);
        image.quaternion = [0.0, 0.0, 1.0];
        image.offset = [5.0, 6.0, 7.0];
        image.pixdim[0] = -1.0;
        let header = read(&image);
        let by_hand = Affine([[-2.0, 0.0, 0.0, 5.0], [0.0, -2.5, 0.0, 6.0], [0.0, 0.0, -3.0, 7.0]]);
        assert_eq!((header.affine_source, header.affine), (AffineSource::Qform, by_hand));
        // A quarter turn about x: a = b = √½, so that y goes to z. qfac 0 counts as 1.
        image.quaternion = [0.5_f64.sqrt(), 0.0, 0.0];
        image.pixdim[0] = 0.0;
        let place = read(&image).affine.apply([0.0, 1.0, 0.0]);
        for (found, expected) in place.iter().zip([5.0, 6.0, 9.5]) {
            assert!((found - expected).abs() < 1e-6, "{found} {expected}");
        }

        (image.sform_code, image.qform_code) = (-1, 0);
        let header = read(&image);
        assert_eq!((header.affine_source, header.affine), (AffineSource::Pixdim, Affine::scaling([2.0, 2.5, 3.0])));
    }
}

#[test]
fn affine_algebra() {
    let oblique = Affine::from_quaternion([0.1, -0.2, 0.3], [2.0, 2.5, 3.0], -1.0, [-90.0, 12.0, 40.0]);
    assert!((oblique.determinant() + 15.0).abs() < 1e-12, "left-handed, volume of a voxel");
    let sizes = oblique.voxel_sizes();
    for (found, expected) in sizes.iter().zip([2.0, 2.5, 3.0]) {
        assert!((found - expected).abs() < 1e-12);
    }
    let back = oblique.inverse().unwrap();
    let voxel = [3.0, -4.5, 17.0];
    let home = back.apply(oblique.apply(voxel));
    let through = back.compose(&oblique).apply(voxel);
    let chained = oblique.compose(&Affine::scaling([2.0, 1.0, 0.5])).apply(voxel);
    let by_steps = oblique.apply([6.0, -4.5, 8.5]);
    for axis in 0..3 {
        assert!((home[axis] - voxel[axis]).abs() < 1e-12);
        assert!((through[axis] - voxel[axis]).abs() < 1e-12);
        assert!((chained[axis] - by_steps[axis]).abs() < 1e-12);
    }
    assert!(Affine([[1.0, 2.0, 3.0, 0.0], [2.0, 4.0, 6.0, 0.0], [0.0, 0.0, 1.0, 0.0]]).inverse().is_none());
    assert!(Affine::scaling([1.0, 0.0, 1.0]).inverse().is_none());
    assert!(Affine::scaling([f64::NAN, 1.0, 1.0]).inverse().is_none());
}

#[test]
fn repetition_time_by_its_unit() {
    let folder = tempfile::tempdir().unwrap();
    let read = |step: f64, units: u8| {
        let mut image = Image::new(Dtype::U8).version2();
        image.pixdim[4] = step;
        image.units = units;
        read_header(&image.write(folder.path(), "x.nii")).unwrap()
    };
    assert_eq!(read(0.8, 8 | 2).tr_s().unwrap(), 0.8);
    assert_eq!(read(800.0, 16 | 2).tr_s().unwrap(), 0.8);
    assert_eq!(read(2e6, 24).tr_s().unwrap(), 2.0);
    assert_eq!(read(2.0, 0).tr_s().unwrap(), 2.0);
    assert_eq!(read(100.0, 0).tr_s().unwrap(), 100.0);
    // As 32-bit floats these are 0.800000012 and 1.35000002.
    assert_eq!((read(0.8, 8).tr_s().unwrap(), read(f64::from(0.8_f32), 8).tr_s().unwrap()), (0.8, 0.8));
    assert_eq!(read(f64::from(1.35_f32), 0).tr_s().unwrap(), 1.35);
    assert_eq!(read(2.0, 32).time_unit, TimeUnit::Other(32));
    let message = |step, units| {
        let text = read(step, units).tr_s().unwrap_err().to_string();
        text.split_once(": ").unwrap().1.to_owned()
    };
    let long = "the header's repetition time is 2000 in seconds, expected 100 s at most; if these are milliseconds, \
                divide by 1000, and give that as `tr_s` in the scan table or in [scans], or as RepetitionTime in the \
                sidecar";
    assert_eq!(message(2000.0, 8), long);
    assert_eq!(message(2000.0, 0), long.replace("in seconds, expected", "in an unnamed unit, expected"));
    assert_eq!(
        message(0.0, 8),
        "the header's repetition time is 0, expected a number above 0; give `tr_s` in the scan table or in \
        [scans], or RepetitionTime in the sidecar"
    );
    assert_eq!(
        message(f64::NAN, 8),
        "the header's repetition time is NaN, expected a number above 0; give `tr_s` in the scan table or in \
        [scans], or RepetitionTime in the sidecar"
    );
    assert!(read(-2.0, 8).tr_s().is_err() && read(f64::INFINITY, 16).tr_s().is_err());
    assert_eq!(
        message(2.0, 32),
        "the header's fourth axis is in hertz, expected a unit of time; give `tr_s` in the scan table or in \
        [scans], or RepetitionTime in the sidecar"
    );
    assert_eq!(
        message(2.0, 56),
        "the header's fourth axis is in the unknown unit 56, expected a unit of time; give `tr_s` in the scan table or \
        in [scans], or RepetitionTime in the sidecar"
    );
}

/// The reference image of Debian's libnifti2-2: 23×17×11×7×3, big-endian int32, voxel i is 0.25·i + 128.
#[test]
fn libnifti_reference_image() {
    let path = Path::new("/usr/share/doc/libnifti2-2/examples/ATestReferenceImageForReadingAndWriting.nii.gz");
    assert!(path.exists(), "install Debian's libnifti2-2: this test reads its reference image, {}", path.display());
    let header = read_header(path).unwrap();
    assert_eq!((header.shape, header.frames, header.extra_dims.as_slice()), ([23, 17, 11], 21, [3].as_slice()));
    assert_eq!((header.dtype, header.big_endian, header.slope, header.inter), (Dtype::I32, true, 0.25, 128.0));
    let (found, hash) = read_all(path);
    assert_eq!(found.len(), 23 * 17 * 11 * 7 * 3);
    assert!(found.iter().enumerate().all(|(i, value)| *value == 0.25 * i as f64 + 128.0));
    assert_eq!(hash, blake3::hash(&std::fs::read(path).unwrap()));
    assert!(VolumeStream::open(path).is_err(), "five axes are no run");
}

#[test]
fn a_volume_larger_than_one_growth_step() {
    let folder = tempfile::tempdir().unwrap();
    let mut image = Image::new(Dtype::U8).shape(&[300, 300, 200, 1]);
    image.data = (0..18_000_000_u32).map(|i| (i % 251) as u8).collect();
    let path = save(folder.path(), "x.nii.gz", &image.single());
    let mut stream = VolumeStream::open(&path).unwrap();
    let volume = stream.next_volume().unwrap().unwrap();
    // Around the step at 16 MiB, and the end.
    let runs = [(16_777_200, 32), (17_999_990, 10)];
    let mut out = [0.0; 42];
    volume.decode_runs(&runs, &mut out);
    let expected: Vec<f64> =
        runs.iter().flat_map(|&(start, length)| start..start + length).map(|i| (i % 251) as f64).collect();
    assert_eq!(out.as_slice(), expected);
    assert!(stream.next_volume().unwrap().is_none());
}
