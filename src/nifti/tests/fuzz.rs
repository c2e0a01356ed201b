//! Headers of random and of slightly changed bytes: an answer or an error, never a panic, never much memory.

use proptest::prelude::*;

use super::builder::{Image, gz};
use crate::nifti::{Dtype, VolumeStream, read_3d};

/// Reads a file to its end, or to its first error; some 64 volumes are enough.
fn read(bytes: &[u8], name: &str) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    let packed = if name.ends_with(".gz") { gz(bytes) } else { bytes.to_vec() };
    std::fs::write(&path, packed).unwrap();
    if let Ok(mut stream) = VolumeStream::open_any(&path) {
        let _ = stream.header().tr_s();
        let mut out = Vec::new();
        for _ in 0..64 {
            match stream.next_volume() {
                Ok(Some(volume)) => volume.decode_all(&mut out),
                Ok(None) | Err(_) => break,
            }
        }
        // One growth step, doubled by the vector's own growth at most.
        assert!(stream.buffer_bytes() <= 32 * 1024 * 1024);
    }
    let _ = read_3d(&path);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn changed_headers(
        version2: bool,
        big: bool,
        packed: bool,
        changes in proptest::collection::vec((4..540_usize, any::<u8>()), 1..6),
    ) {
        let mut image = Image::new(Dtype::I16);
        image.big_endian = big;
        if version2 {
            image = image.version2();
        }
        let mut bytes = image.single();
        for (at, value) in changes {
            // Only the fields that matter: few changes would hit them otherwise.
            let at = if version2 { at } else { at % 348 };
            bytes[at] = value;
        }
        read(&bytes, if packed { "x.nii.gz" } else { "x.nii" });
    }

    #[test]
    fn changed_fields(
        version2: bool,
        packed: bool,
        dim in proptest::array::uniform8(prop_oneof![Just(1_i64), 0..9_i64, any::<i64>()]),
        datatype in prop_oneof![Just(2_i16), Just(4), Just(16), Just(64), any::<i16>()],
        vox_offset in prop_oneof![Just(352.0), Just(544.0), any::<f64>()],
        rows in proptest::array::uniform3(proptest::array::uniform4(any::<f64>())),
        codes in (any::<bool>(), any::<bool>()),
        step in any::<f64>(),
    ) {
        let mut image = Image::new(Dtype::U8);
        if version2 {
            image = image.version2();
        }
        image.dim = dim;
        image.dim[0] = dim[0].rem_euclid(8);
        image.datatype = datatype;
        image.bitpix = match datatype { 2 => 8, 4 => 16, 16 => 32, _ => 64 };
        image.vox_offset = vox_offset;
        (image.rows, image.pixdim[4]) = (rows, step);
        (image.sform_code, image.qform_code) = (i16::from(codes.0), i16::from(codes.1));
        read(&image.single(), if packed { "x.nii.gz" } else { "x.nii" });
    }

    #[test]
    fn random_bytes(big: bool, version2: bool, mut bytes in proptest::collection::vec(any::<u8>(), 0..700)) {
        let size: i32 = if version2 { 540 } else { 348 };
        let first = if big { size.to_be_bytes() } else { size.to_le_bytes() };
        if bytes.len() >= 348 {
            bytes[..4].copy_from_slice(&first);
            bytes[344..348].copy_from_slice(b"n+1\0");
            if version2 {
                bytes[4..12].copy_from_slice(b"n+2\0\r\n\x1a\n");
            }
        }
        read(&bytes, "x.nii");
    }
}
