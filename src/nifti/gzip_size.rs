//! Whether a gzipped image has the size that its header promises, without unpacking it.
//!
//! A gzip member ends with the size of what it holds, modulo 2^32 (RFC 1952, section 2.3.1). A file may have several
//! members, and then its last four bytes tell only the size of the last. So a size that differs proves something only
//! if there is a single member. Whether there is can be told from the compressed bytes: another member would have to
//! begin somewhere among them. They are searched only where the size differs, which is rare.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use super::NiftiError;
use super::files::Files;
use super::gzip::{BUFFER_BYTES, MAGIC, read_retrying};
use super::header::Header;
use super::stream::{read_error, starts_as_gzip};

/// Bytes of a member's header without optional fields.
const MEMBER_HEADER_BYTES: usize = 10;
/// Checksum and size at a member's end.
const TRAILER_BYTES: u64 = 8;

/// Compares the size at the end of a gzipped image's data file with what its header promises. A plain file is not
/// looked at, and nothing is said of a file that may have several members.
///
/// # Errors
/// When the sizes differ, or the file cannot be read.
pub fn check_gzip_size(path: &Path, header: &Header) -> Result<(), NiftiError> {
    let data = Files::find(path)?.data;
    let failed = |source| read_error(&data, source);
    if !starts_as_gzip(&data).map_err(failed)? {
        return Ok(());
    }
    let Some(last) = last_bytes(&data).map_err(failed)? else {
        // Too short for a member; reading it says so.
        return Ok(());
    };
    let expected = header.promised_bytes();
    let found = u32::from_le_bytes([last[3], last[4], last[5], last[6]]);
    // Zeros may follow the last member, and a size may end in zeros itself: it is looked for before each of them. Sizes
    // are compared modulo 2^32.
    let size = (expected & u64::from(u32::MAX)).to_le_bytes();
    let agrees = (0..=3).any(|zeros| {
        let (before, after) = last.split_at(last.len() - zeros);
        after.iter().all(|byte| *byte == 0) && before.ends_with(&size[..4])
    });
    if agrees || found == 0 || may_have_several_members(&data).map_err(failed)? {
        return Ok(());
    }
    Err(NiftiError::GzipSize { path: data, found, expected, shape: header.shape_text() })
}

/// The last bytes, in which a member's size stands though up to three zeros follow it.
fn last_bytes(path: &Path) -> io::Result<Option<[u8; 7]>> {
    let mut file = File::open(path)?;
    if file.metadata()?.len() < MEMBER_HEADER_BYTES as u64 + TRAILER_BYTES {
        return Ok(None);
    }
    let mut last = [0; 7];
    file.seek(SeekFrom::End(-7))?;
    file.read_exact(&mut last)?;
    Ok(Some(last))
}

/// Whether bytes beyond the start look like a member's header. Compressed bytes look so by chance once in about 10^11.
fn may_have_several_members(path: &Path) -> io::Result<bool> {
    let mut file = File::open(path)?;
    let mut buffer = vec![0; BUFFER_BYTES];
    // The first member's own header is passed over; what is left of one piece goes before the next.
    let (mut filled, mut from) = (0, 1);
    loop {
        let got = read_retrying(&mut file, &mut buffer[filled..])?;
        filled += got;
        let windows = buffer[..filled].windows(MEMBER_HEADER_BYTES).skip(from);
        if windows.into_iter().any(looks_like_member) {
            return Ok(true);
        }
        if got == 0 {
            return Ok(false);
        }
        let kept = filled.min(MEMBER_HEADER_BYTES - 1);
        buffer.copy_within(filled - kept..filled, 0);
        (filled, from) = (kept, 0);
    }
}

/// DEFLATE, no reserved flag, and one of the extra flags and operating systems that RFC 1952 names.
fn looks_like_member(bytes: &[u8]) -> bool {
    let [first, second, method, flags, _, _, _, _, extra, system] = bytes else { return false };
    [*first, *second] == MAGIC
        && *method == 8
        && flags & 0b1110_0000 == 0
        && matches!(extra, 0 | 2 | 4)
        && matches!(system, 0..=13 | 255)
}
