//! Each way in which a file can be wrong, with the words it is told in.

use std::path::Path;

use super::builder::{Image, gz, save};
use crate::nifti::{Dtype, NiftiError, VolumeStream, content_hash, read_3d, read_header};

/// Opens a run and reads all of it.
fn run(path: &Path) -> Result<usize, NiftiError> {
    let mut stream = VolumeStream::open(path)?;
    let mut frames = 0;
    while stream.next_volume()?.is_some() {
        frames += 1;
    }
    Ok(frames)
}

/// The message without the folder, which differs from run to run.
fn told(path: &Path) -> String {
    let folder = format!("{}/", path.parent().unwrap().display());
    run(path).unwrap_err().to_string().replace(&folder, "")
}

#[test]
fn wrong_headers() {
    let sound = || Image::new(Dtype::I16);
    let with = |change: &dyn Fn(&mut Image)| {
        let mut image = sound();
        change(&mut image);
        image
    };
    let flat = [[1.0, 0.0, 0.0, 0.0], [2.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]];
    let cases: Vec<(Image, &str)> = vec![
        (
            with(&|i| i.dim[0] = 0),
            "dim[0], the number of axes, is 0, expected 1 to 7; the header is damaged, convert it again",
        ),
        (
            with(&|i| i.dim[0] = 8),
            "dim[0], the number of axes, is 8, expected 1 to 7; the header is damaged, convert it again",
        ),
        (
            with(&|i| i.dim[0] = -4),
            "dim[0], the number of axes, is -4, expected 1 to 7; the header is damaged, convert it again",
        ),
        (with(&|i| i.dim[2] = 0), "dim[2], the length of an axis, is 0, expected at least 1; convert the file again"),
        (with(&|i| i.dim[4] = -3), "dim[4], the length of an axis, is -3, expected at least 1; convert the file again"),
        (sound().shape(&[24, 3]), "has 2 axes, expected at least 3; give an image of a volume"),
        (sound().shape(&[24]), "has 1 axes, expected at least 3; give an image of a volume"),
        (
            sound().shape(&[32767; 7]),
            "the size 32767×32767×32767×32767×32767×32767×32767 is more than a computer can address; the header is \
            damaged, convert it again",
        ),
        (
            sound().version2().shape(&[i64::MAX, 1, 1, 1]),
            "the size 9223372036854775807×1×1×1 is more than a computer can address; the header is damaged, convert it \
            again",
        ),
        (
            with(&|i| i.vox_offset = 9e18).version2_offset(i64::MAX as f64),
            "the size 4×3×2×3 is more than a computer can address; the header is damaged, convert it again",
        ),
        (sound().shape(&[4, 3, 6]), "is a 3-D image (4×3×6), expected 4-D, a run of volumes; name the run's own file"),
        (
            sound().shape(&[4, 3, 2, 1, 3]),
            "has more than four axes that are longer than 1 (4×3×2×1×3), expected x, y, z and time; split it",
        ),
        (
            with(&|i| i.datatype = 128),
            "holds colours (RGB24), expected one number per voxel; convert it to a grey or label image",
        ),
        (
            with(&|i| i.datatype = 2304),
            "holds colours (RGBA32), expected one number per voxel; convert it to a grey or label image",
        ),
        (with(&|i| i.datatype = 32), "holds complex numbers (complex64), expected real ones; convert it to magnitude"),
        (
            with(&|i| i.datatype = 1792),
            "holds complex numbers (complex128), expected real ones; convert it to magnitude",
        ),
        (
            with(&|i| i.datatype = 2048),
            "holds complex numbers (complex256), expected real ones; convert it to magnitude",
        ),
        (
            with(&|i| i.datatype = 1536),
            "holds 128-bit floating-point numbers, expected 64 bits at most; convert it to float32 or float64",
        ),
        (
            with(&|i| i.datatype = 0),
            "datatype 0 is no number type of NIfTI; the header is damaged or the file is not finished",
        ),
        (
            with(&|i| i.datatype = 5),
            "datatype 5 is no number type of NIfTI; the header is damaged or the file is not finished",
        ),
        (with(&|i| i.bitpix = 32), "bitpix is 32, but datatype int16 has 16 bits; the header contradicts itself"),
        (
            with(&|i| i.vox_offset = 0.0),
            "vox_offset is 0, inside the header, expected 348 or more; the header is damaged",
        ),
        (
            with(&|i| i.vox_offset = 347.0),
            "vox_offset is 347, inside the header, expected 348 or more; the header is damaged",
        ),
        (
            sound().version2_offset(352.0),
            "vox_offset is 352, inside the header, expected 540 or more; the header is damaged",
        ),
        (
            with(&|i| i.vox_offset = -352.0),
            "vox_offset is -352, expected a whole number that is not negative; the header is damaged",
        ),
        (
            with(&|i| i.vox_offset = f64::NAN),
            "vox_offset is NaN, expected a whole number that is not negative; the header is damaged",
        ),
        (
            with(&|i| i.vox_offset = f64::INFINITY),
            "vox_offset is inf, expected a whole number that is not negative; the header is damaged",
        ),
        (
            with(&|i| i.vox_offset = 352.5),
            "vox_offset is 352.5, expected a whole number that is not negative; the header is damaged",
        ),
        (with(&|i| i.rows = flat), "the sform affine is singular, it flattens the volume; write the orientation again"),
        (
            with(&|i| i.rows[1][3] = f64::NAN),
            "the sform affine holds a value that is not finite; write the orientation again",
        ),
        (
            with(&|i| (i.sform_code, i.qform_code, i.pixdim[2]) = (0, 1, 0.0)),
            "the qform affine is singular, it flattens the volume; write the orientation again",
        ),
        (
            with(&|i| (i.sform_code, i.qform_code, i.quaternion[0]) = (0, 1, f64::INFINITY)),
            "the qform affine holds a value that is not finite; write the orientation again",
        ),
        (
            with(&|i| (i.sform_code, i.pixdim[3]) = (0, 0.0)),
            "the pixdim affine is singular, it flattens the volume; write the orientation again",
        ),
        (
            with(&|i| i.magic = Some(b"ni1\0")),
            "the magic word of the header is \"ni1\\0\", expected \"n+1\\0\" for a NIfTI-1 file that holds its own \
            voxels; convert it again",
        ),
        (
            with(&|i| i.magic = Some(b"\0\0\0\0")),
            "the magic word of the header is \"\\0\\0\\0\\0\", expected \"n+1\\0\" for a NIfTI-1 file that holds its \
            own voxels; convert it again",
        ),
        (
            // A transfer in text mode that took the carriage return out.
            {
                let mut image = sound().version2();
                image.magic = Some(b"n+2\0\n\x1a\n\0");
                image
            },
            "the magic word of the header is \"n+2\\0\\n\\x1a\\n\\0\", expected \"n+2\\0\\r\\n\\x1a\\n\" for a NIfTI-2 \
            file that holds its own voxels; convert it again",
        ),
    ];
    let folder = tempfile::tempdir().unwrap();
    for (image, expected) in cases {
        for name in ["tern.nii", "tern.nii.gz"] {
            for big in [false, true] {
                let mut image = image.clone();
                image.big_endian = big;
                assert_eq!(told(&image.write(folder.path(), name)), format!("{name}: {expected}"));
            }
        }
    }
}

impl Image {
    /// NIfTI-2 with a `vox_offset` of one's own.
    fn version2_offset(self, offset: f64) -> Self {
        let mut image = self.version2();
        image.vox_offset = offset;
        image
    }
}

#[test]
fn wrong_files() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let image = Image::new(Dtype::I16);
    let single = image.single();
    let check = |name: &str, stored: &[u8], expected: &str| {
        let path = folder.join(name);
        std::fs::write(&path, stored).unwrap();
        assert_eq!(told(&path), format!("{name}: {expected}"));
    };
    check(
        "notes.nii",
        "Tern Bay sleep study, shared notes".repeat(20).as_bytes(),
        "is not a NIfTI file: the header size in its first four bytes is 1852990804, not 348 (NIfTI-1) or 540 \
        (NIfTI-2); convert it to NIfTI",
    );
    check("empty.nii", b"", "holds 0 bytes, fewer than the 348 of a NIfTI header; copy the file again");
    check("short.nii", &single[..347], "holds 347 bytes, fewer than the 348 of a NIfTI header; copy the file again");
    let second = image.clone().version2().single();
    check("short2.nii", &second[..539], "holds 539 bytes, fewer than the 540 of a NIfTI header; copy the file again");
    check(
        "cut.nii",
        &single[..single.len() - 1],
        "holds 495 bytes, but its header promises 496 (4×3×2×3 of int16 from byte 352); the file is cut short, copy it \
        again",
    );
    check("plain.nii.gz", &single, "is named .gz but is not gzip data; take .gz off the name or compress it");
    check("empty.nii.gz", b"", "is named .gz but is not gzip data; take .gz off the name or compress it");
    check(
        "less.nii.gz",
        &gz(&single[..single.len() - 1]),
        "the data end in volume 3 of 3 (counted from 1); the header promises more than the file holds, make or copy it \
        again",
    );
    check(
        "none.nii.gz",
        &gz(&single[..350]),
        "the data end in volume 1 of 3 (counted from 1); the header promises more than the file holds, make or copy it \
        again",
    );
    let packed = gz(&single);
    for keep in [3, 12, packed.len() / 2, packed.len() - 9, packed.len() - 8, packed.len() - 4, packed.len() - 1] {
        check("cut.nii.gz", &packed[..keep], "the gzip data end in the middle; the file is cut short, copy it again");
    }
    for from_end in [8, 5, 4, 1] {
        let mut damaged = packed.clone();
        let at = damaged.len() - from_end;
        damaged[at] ^= 1;
        check(
            "trailer.nii.gz",
            &damaged,
            "the gzip checksum does not match the data; the file is damaged, copy it again",
        );
    }
    check(
        "joined.nii.gz",
        &[packed.as_slice(), b"\0\0and more"].concat(),
        "something that is not gzip follows the gzip data; the file is damaged or joined, copy it again",
    );
    // Block type 3 does not exist (RFC 1951, section 3.2.3).
    let mut damaged = packed.clone();
    damaged[10] = 0x07;
    check("blocks.nii.gz", &damaged, "the gzip data are damaged; copy the file again");
    check(
        "scan.dat",
        &single,
        "the name ends neither in .nii nor in .hdr or .img, with or without .gz; name a NIfTI file",
    );
    assert_eq!(
        told(&folder.join("absent.nii.gz")),
        "absent.nii.gz: cannot be opened (No such file or directory (os error 2)); check the path and who may read it"
    );
    std::fs::create_dir(folder.join("folder.nii")).unwrap();
    assert_eq!(
        told(&folder.join("folder.nii")),
        "folder.nii: reading failed (Is a directory (os error 21)); check the disk or copy the file again"
    );
}

#[test]
fn wrong_pairs() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let image = Image::new(Dtype::U8).paired();
    let alone = save(folder, "alone.hdr.gz", &image.header());
    let expected = "alone.hdr.gz: is one half of a pair, and alone.img (or the same with .gz) is not there; put both \
                    in one folder";
    assert_eq!(told(&alone), expected);
    assert!(content_hash(&alone).is_err());
    let alone = save(folder, "LONE.IMG", &image.voxels());
    let expected =
        "LONE.IMG: is one half of a pair, and LONE.HDR (or the same with .gz) is not there; put both in one folder";
    assert_eq!(told(&alone), expected);

    let (header, data) = image.write_pair(folder, "cut.hdr", "cut.img");
    std::fs::write(&data, [1; 71]).unwrap();
    let expected = "cut.img: holds 71 bytes, but its header promises 72 (4×3×2×3 of uint8 from byte 0); the file is \
                    cut short, copy it again";
    assert_eq!(told(&header), expected);
    assert_eq!(told(&data), expected);

    let (header, _) = Image::new(Dtype::U8).write_pair(folder, "one.hdr", "one.img");
    let expected = "one.hdr: the magic word of the header is \"n+1\\0\", expected \"ni1\\0\" for the header \
                    of a NIfTI-1 pair; convert it again";
    assert_eq!(told(&header), expected);

    let (header, data) = image.write_pair(folder, "zip.hdr", "zip.img.gz");
    let packed = std::fs::read(&data).unwrap();
    std::fs::write(&data, &packed[..packed.len() - 2]).unwrap();
    assert_eq!(told(&header), "zip.img.gz: the gzip data end in the middle; the file is cut short, copy it again");
}

#[test]
fn several_volumes_where_one_is_wanted() {
    let folder = tempfile::tempdir().unwrap();
    let path = Image::new(Dtype::U8).write(folder.path(), "x.nii");
    let text = read_3d(&path).unwrap_err().to_string();
    assert!(
        text.ends_with("x.nii: holds 3 volumes (4×3×2×3), expected a single one; take one volume out of it"),
        "{text}"
    );
}

#[test]
fn a_damaged_trailer_is_found_for_single_volumes_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = Image::new(Dtype::U8).shape(&[4, 3, 6]).write(folder.path(), "x.nii.gz");
    let mut packed = std::fs::read(&path).unwrap();
    let at = packed.len() - 8;
    packed[at] ^= 0x10;
    std::fs::write(&path, packed).unwrap();
    assert!(read_header(&path).is_ok(), "the header is read before the trailer");
    assert!(matches!(read_3d(&path), Err(NiftiError::GzipChecksum { .. })));
}

#[test]
fn a_lying_header_takes_no_memory() {
    let folder = tempfile::tempdir().unwrap();
    // 32767³ voxels of 8 bytes: 281 TB a volume.
    let mut image = Image::new(Dtype::F64).shape(&[32767, 32767, 32767, 2]);
    image.data.truncate(64);
    let path = image.write(folder.path(), "x.nii.gz");
    let mut stream = VolumeStream::open(&path).unwrap();
    assert!(matches!(stream.next_volume(), Err(NiftiError::DataEnd { frame: 1, frames: 2, .. })));
    assert!(stream.buffer_bytes() <= 32 * 1024 * 1024, "{}", stream.buffer_bytes());
    assert!(matches!(run(&image.write(folder.path(), "x.nii")), Err(NiftiError::Truncated { .. })));
}
