//! The gzip layer alone, with both decompressors.

use std::io::{self, Read};

use proptest::prelude::*;

use super::builder::gz;
use crate::nifti::gzip::{Fault, GzipReader, Inflate, ZlibRs};

/// Gives its bytes in pieces of a fixed length, as a slow disk or a pipe may.
struct Pieces<'a> {
    bytes: &'a [u8],
    piece: usize,
}

impl Read for Pieces<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.piece.min(self.bytes.len()).min(buffer.len());
        buffer[..got].copy_from_slice(&self.bytes[..got]);
        self.bytes = &self.bytes[got..];
        Ok(got)
    }
}

fn unpack<I: Inflate>(packed: &[u8], piece: usize, out_piece: usize) -> Result<Vec<u8>, Fault> {
    let mut reader = GzipReader::<_, I>::new(Pieces { bytes: packed, piece });
    let mut all = Vec::new();
    let mut buffer = vec![0; out_piece];
    loop {
        let got = reader.read(&mut buffer)?;
        all.extend_from_slice(&buffer[..got]);
        if got < out_piece {
            return Ok(all);
        }
    }
}

/// Both decompressors, several piece lengths: all must say the same.
fn everywhere(packed: &[u8], check: impl Fn(Result<Vec<u8>, Fault>)) {
    for (piece, out_piece) in [(1, 1000), (7, 1), (1 << 20, 1 << 20), (1000, 333)] {
        check(unpack::<ZlibRs>(packed, piece, out_piece));
        #[cfg(feature = "isal")]
        check(unpack::<crate::nifti::gzip::IsaL>(packed, piece, out_piece));
    }
}

fn noise(length: usize) -> Vec<u8> {
    // Knuth's multiplicative hash, so that the bytes hardly compress.
    (0..length as u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect()
}

#[test]
fn several_members_and_padding() {
    let (first, second) = (noise(70_000), b"tern".repeat(5000));
    let whole = [first.as_slice(), &second].concat();
    let members = [gz(&first), gz(b""), gz(&second)];
    let joined = members.concat();
    let padded = [members[0].as_slice(), &[0; 512], &members[1], &[0], &members[2], &[0; 70_000]].concat();
    for packed in [joined, padded] {
        everywhere(&packed, |result| assert!(result.unwrap() == whole));
    }
}

#[test]
fn a_header_with_all_its_optional_parts() {
    // RFC 1952: FTEXT 1, FHCRC 2, FEXTRA 4, FNAME 8, FCOMMENT 16; every choice of them, the first member and the
    // second.
    let plain = gz(b"frames");
    for flags in 0..32_u8 {
        let mut packed = vec![0x1f, 0x8b, 8, flags, 0, 0, 0, 0, 0, 255];
        for (flag, field) in [(4, &[3, 0, b'a', b'b', b'c'][..]), (8, b"name\0"), (16, b"comment\0")] {
            packed.extend(if flags & flag != 0 { field } else { &[] });
        }
        if flags & 2 != 0 {
            let mut crc = flate2::Crc::new();
            crc.update(&packed);
            packed.extend((crc.sum() as u16).to_le_bytes());
        }
        let header = packed.len();
        packed.extend(&plain[10..]);
        let twice = [packed.as_slice(), &packed].concat();
        everywhere(&twice, |result| assert_eq!(result.unwrap(), b"framesframes", "flags {flags}"));
        if flags & 2 != 0 {
            packed[header - 1] ^= 1;
            everywhere(&packed, |result| assert!(result.is_err(), "flags {flags}"));
        }
    }
    for (at, wrong) in [(2, 7), (3, 32), (3, 128)] {
        let mut packed = plain.clone();
        packed[at] = wrong;
        everywhere(&packed, |result| assert!(matches!(result, Err(Fault::Damaged)), "byte {at}"));
    }
}

#[test]
fn every_cut_is_an_error() {
    let packed = [gz(b"first member, first member"), gz(&noise(300))].concat();
    let first = gz(b"first member, first member").len();
    for keep in 0..packed.len() {
        everywhere(&packed[..keep], |result| match result {
            // Cut right behind the first member: a whole file of its own.
            Ok(bytes) => assert_eq!((bytes.len(), keep), (26, first)),
            Err(Fault::NotGzip) => assert!(keep < 2),
            // One byte of the second magic word.
            Err(Fault::Trailing) => assert_eq!(keep, first + 1),
            Err(Fault::Truncated) => assert!(keep >= 2 && keep != first),
            Err(other) => panic!("cut at {keep}: {other}"),
        });
    }
}

#[test]
fn every_flipped_bit_of_the_data_or_trailer_is_an_error() {
    let plain = [noise(200), b"tern ".repeat(30)].concat();
    let packed = gz(&plain);
    let trailer = packed.len() - 8;
    for at in 10..packed.len() {
        for bit in 0..8 {
            let mut damaged = packed.clone();
            damaged[at] ^= 1 << bit;
            everywhere(&damaged, |result| match result {
                // The bits that fill up the last byte before the trailer mean nothing (RFC 1951, section 3.1).
                Ok(bytes) => assert!(at == trailer - 1 && bytes == plain, "byte {at} bit {bit}"),
                Err(fault) => assert!(at < trailer || matches!(fault, Fault::Checksum), "byte {at} bit {bit}: {fault}"),
            });
        }
    }
}

#[test]
fn what_follows_must_be_gzip_or_zeros() {
    for tail in [b"x".as_slice(), b"\0\0x", b"\x1f\x8c", b"\x1f", b"\0\0\0\0\0\0\0\0\0\0\0\x01"] {
        let packed = [gz(b"tern").as_slice(), tail].concat();
        everywhere(&packed, |result| assert!(matches!(result, Err(Fault::Trailing)), "{tail:x?}"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn both_agree_on_any_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let packed = [[0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 3].as_slice(), &bytes].concat();
        everywhere(&packed, |result| assert!(result.is_err()));
    }

    #[test]
    fn any_pieces_give_the_same(length in 0..200_000_usize, piece in 1..5000_usize, out_piece in 1..5000_usize) {
        let plain = noise(length);
        let packed = gz(&plain);
        prop_assert!(unpack::<ZlibRs>(&packed, piece, out_piece).unwrap() == plain);
        #[cfg(feature = "isal")]
        prop_assert!(unpack::<crate::nifti::gzip::IsaL>(&packed, piece, out_piece).unwrap() == plain);
    }
}
