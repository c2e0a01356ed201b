//! The size at the end of a gzipped image, against its header.

use std::fs;

use super::builder::gz;
use crate::nifti::gzip::BUFFER_BYTES;
use crate::nifti::{Affine, ImageWriter, RunShape, check_gzip_size, read_header};

fn noise(length: usize) -> Vec<u8> {
    // Knuth's multiplicative hash, so that the bytes hardly compress.
    (0..length as u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect()
}

#[test]
fn the_size_at_the_end_is_held_against_the_header() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.nii.gz");
    let plain = folder.path().join("run.nii");
    // Volumes of noise, so that a cut file ends among compressed bytes.
    let affine = Affine::scaling([3.0; 3]);
    let shape = RunShape { shape: [9, 8, 7], frames: 5, slope: 1.0, inter: 0.0, affine, tr_s: Some(2.0) };
    let mut writer = ImageWriter::create(&plain, &shape, 1).unwrap();
    let volume: Vec<i16> = noise(shape.shape.iter().product()).iter().map(|&byte| i16::from(byte) * 97).collect();
    (0..shape.frames).for_each(|_| writer.write_volume(&volume).unwrap());
    writer.finish().unwrap();
    let whole = fs::read(&plain).unwrap();
    let header = read_header(&plain).unwrap();
    let said = |bytes: &[u8]| {
        fs::write(&path, bytes).unwrap();
        check_gzip_size(&path, &header).map_err(|error| error.to_string())
    };
    let packed = gz(&whole);
    assert_eq!(said(&packed), Ok(()));
    assert_eq!(said(&whole), Ok(()), "a plain file is not looked at");
    for cut in [packed.len() / 2, packed.len() - 1, packed.len() - 9, 200] {
        let told = said(&packed[..cut]).unwrap_err();
        assert!(told.contains("says at its end that it holds") && told.contains("is cut short, damaged or"), "{told}");
    }
    let half = gz(&whole[..whole.len() / 2]);
    let found = format!("it holds {} bytes, but its header promises {}", whole.len() / 2, whole.len());
    assert!(said(&half).unwrap_err().contains(&found));
    assert!(said(&gz(&whole.repeat(2))).is_err(), "the run twice in one member");
    // Nothing can be told of several members, nor of zeros that follow.
    let (first, second) = whole.split_at(whole.len() / 3);
    assert_eq!(said(&[gz(first), gz(second)].concat()), Ok(()));
    assert_eq!(said(&packed.repeat(2)), Ok(()), "the file twice: its last member has the right size");
    for zeros in [1, 3, 4, 1000] {
        assert_eq!(said(&[packed.clone(), vec![0; zeros]].concat()), Ok(()), "{zeros} zeros");
    }
    // Another member that begins across the edge of a piece of the file is found.
    for shift in 0..12 {
        let mut joined = gz(&noise(BUFFER_BYTES));
        joined.resize(BUFFER_BYTES - shift, 7);
        joined.extend(gz(b"tern"));
        assert_eq!(said(&joined), Ok(()), "{shift} bytes before the edge");
    }
}
