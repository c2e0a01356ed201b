//! Volumes one after another, never the whole run in memory.
//!
//! All bytes pass through one place, so the content hash of the files on disk needs no second reading. After the last
//! volume the file is read to its end, because only there does gzip say whether what came before was right.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use super::NiftiError;
use super::decode::RawVolume;
use super::files::{Files, named_gz};
use super::gzip::{self, BUFFER_BYTES, Fault, GzipReader, read_retrying};
use super::header::{self, Header};

/// A volume's buffer grows by this much at a time, so a false header costs no more memory than the file has bytes.
const GROWTH_BYTES: usize = 16 * 1024 * 1024;

/// A file whose bytes are hashed as they are read.
struct HashedFile {
    file: File,
    hasher: blake3::Hasher,
}

impl Read for HashedFile {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.file.read(buffer)?;
        self.hasher.update(&buffer[..got]);
        Ok(got)
    }
}

/// The bytes of an image file, decompressed where needed.
enum Bytes {
    Plain(Box<HashedFile>),
    Gzip(Box<GzipReader<HashedFile>>),
}

impl Bytes {
    /// Opens a file. Its name says whether it is gzip. With `sniff`, its first two bytes say so too: the first bytes of
    /// a header file are known, those of a data file are not.
    fn open(path: &Path, sniff: bool) -> Result<(Self, u64), NiftiError> {
        let open_error = |source| NiftiError::Open { path: path.to_path_buf(), source };
        let file = File::open(path).map_err(open_error)?;
        let length = file.metadata().map_err(open_error)?.len();
        let gz = named_gz(path) || (sniff && starts_as_gzip(path).map_err(|source| read_error(path, source))?);
        let source = HashedFile { file, hasher: blake3::Hasher::new() };
        let bytes = if gz { Self::Gzip(Box::new(GzipReader::new(source))) } else { Self::Plain(Box::new(source)) };
        Ok((bytes, length))
    }

    /// Fills `buffer`; fewer bytes mean the end.
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, Fault> {
        match self {
            Self::Gzip(reader) => reader.read(buffer),
            Self::Plain(file) => {
                let mut filled = 0;
                while filled < buffer.len() {
                    match read_retrying(&mut **file, &mut buffer[filled..])? {
                        0 => break,
                        got => filled += got,
                    }
                }
                Ok(filled)
            }
        }
    }

    fn hasher(&mut self) -> &mut blake3::Hasher {
        match self {
            Self::Gzip(reader) => &mut reader.source_mut().hasher,
            Self::Plain(file) => &mut file.hasher,
        }
    }

    /// Reads and drops `count` bytes; fewer mean the end.
    fn skip(&mut self, count: u64) -> Result<u64, Fault> {
        let mut buffer = vec![0; BUFFER_BYTES.min(usize::try_from(count).unwrap_or(BUFFER_BYTES))];
        let mut skipped = 0;
        while skipped < count {
            let wanted = usize::try_from(count - skipped).unwrap_or(usize::MAX).min(buffer.len());
            let got = self.read(&mut buffer[..wanted])?;
            skipped += got as u64;
            if got < wanted {
                break;
            }
        }
        Ok(skipped)
    }
}

pub(super) fn starts_as_gzip(path: &Path) -> io::Result<bool> {
    let mut first = Vec::with_capacity(2);
    File::open(path)?.take(2).read_to_end(&mut first)?;
    Ok(first == gzip::MAGIC)
}

pub(super) fn read_error(path: &Path, source: io::Error) -> NiftiError {
    NiftiError::Read { path: path.to_path_buf(), source }
}

/// A fault of the bytes, with the file that has it.
fn at(path: &Path) -> impl Fn(Fault) -> NiftiError + '_ {
    move |fault| {
        let path = path.to_path_buf();
        match fault {
            Fault::Io(source) => NiftiError::Read { path, source },
            Fault::NotGzip => NiftiError::NotGzip { path },
            Fault::Truncated => NiftiError::GzipTruncated { path },
            Fault::Damaged => NiftiError::GzipDamaged { path },
            Fault::Checksum => NiftiError::GzipChecksum { path },
            Fault::Trailing => NiftiError::GzipTrailing { path },
        }
    }
}

/// A checked header, the open data file and how many bytes of it have been read.
struct Opened {
    header: Header,
    files: Files,
    bytes: Bytes,
    position: u64,
}

fn begin(path: &Path) -> Result<Opened, NiftiError> {
    let files = Files::find(path)?;
    let (mut bytes, mut length) = Bytes::open(&files.header, true)?;
    let mut raw = [0_u8; header::NIFTI2_BYTES];
    let mut position = bytes.read(&mut raw[..header::NIFTI1_BYTES]).map_err(at(&files.header))?;
    if let Some(first) = raw[..position].first_chunk::<4>() {
        let (size, _) = header::version(first, &files.header)?;
        if position == header::NIFTI1_BYTES {
            position += bytes.read(&mut raw[position..size]).map_err(at(&files.header))?;
        }
    }
    // Only a plain file's length can be held against the header; an image pair has its voxels elsewhere.
    if files.pair {
        (bytes, length) = Bytes::open(&files.data, false)?;
    }
    let header = header::parse(&raw[..position], path, &files, length)?;
    if matches!(bytes, Bytes::Plain(_)) && length < header.promised_bytes() {
        return Err(NiftiError::Truncated {
            path: files.data.clone(),
            found: length,
            expected: header.promised_bytes(),
            shape: header.shape_text(),
            dtype: header.dtype.name(),
            offset: header.vox_offset,
        });
    }
    let position = if files.pair { 0 } else { position as u64 };
    Ok(Opened { header, files, bytes, position })
}

/// Reads and checks a header. 3-D and more; nothing of the voxels is read, but a plain file's length is checked.
///
/// # Errors
/// Whatever is wrong with the names, the header, or the length of a plain file.
pub fn read_header(path: &Path) -> Result<Header, NiftiError> {
    Ok(begin(path)?.header)
}

/// Reads an image one volume at a time, in file order.
pub struct VolumeStream {
    header: Header,
    files: Files,
    bytes: Bytes,
    /// Bytes still to pass over before the first volume.
    ahead: u64,
    volume: Vec<u8>,
    next: usize,
    hash: Option<blake3::Hash>,
}

impl VolumeStream {
    /// Opens a run: an image of four axes; further ones may follow if their length is 1.
    ///
    /// # Errors
    /// As [`VolumeStream::open_any`], and when the image is 3-D or has more axes.
    pub fn open(path: &Path) -> Result<Self, NiftiError> {
        let stream = Self::open_any(path)?;
        let shape = stream.header.shape_text();
        if stream.header.axes < 4 {
            return Err(NiftiError::NotFourD { path: path.to_path_buf(), shape });
        }
        if !stream.header.extra_dims.is_empty() {
            return Err(NiftiError::ExtraAxes { path: path.to_path_buf(), shape });
        }
        Ok(stream)
    }

    /// Opens any image of three or more axes; all axes after the third are run through as volumes.
    ///
    /// # Errors
    /// Whatever is wrong with the names, the header, or the length of a plain file.
    pub fn open_any(path: &Path) -> Result<Self, NiftiError> {
        let Opened { header, files, mut bytes, position } = begin(path)?;
        if files.pair {
            // The hash covers the header file first, then the data file, as `cat x.hdr x.img` would give them.
            hash_file(&files.header, bytes.hasher())?;
        }
        let ahead = header.vox_offset - position.min(header.vox_offset);
        Ok(Self { header, files, bytes, ahead, volume: Vec::new(), next: 0, hash: None })
    }

    #[must_use]
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The next volume, or none after the last; before it says none, the rest of the file is read and its checksum
    /// verified.
    ///
    /// # Errors
    /// When the data end early, are damaged, or cannot be read.
    pub fn next_volume(&mut self) -> Result<Option<RawVolume<'_>>, NiftiError> {
        if self.next == self.header.frames {
            self.finish()?;
            return Ok(None);
        }
        let path = &self.files.data;
        let data_end = || NiftiError::DataEnd { path: path.clone(), frame: self.next + 1, frames: self.header.frames };
        if self.ahead > 0 {
            if self.bytes.skip(self.ahead).map_err(at(path))? < self.ahead {
                return Err(data_end());
            }
            self.ahead = 0;
        }
        let wanted = self.header.volume_bytes();
        let mut filled = 0;
        while filled < wanted {
            let until = wanted.min(filled + GROWTH_BYTES);
            if self.volume.len() < until {
                let more = until - self.volume.len();
                if self.volume.try_reserve(more).is_err() {
                    return Err(NiftiError::Memory { path: path.clone(), bytes: wanted });
                }
                self.volume.resize(until, 0);
            }
            let got = self.bytes.read(&mut self.volume[filled..until]).map_err(at(path))?;
            filled += got;
            if filled < until {
                return Err(data_end());
            }
        }
        self.next += 1;
        Ok(Some(self.header.volume(&self.volume[..wanted])))
    }

    /// Hash of the files' bytes as they lie on disk (of a pair: header, then data). Reads what has not been read yet.
    ///
    /// # Errors
    /// When the rest is damaged or cannot be read.
    pub fn content_hash(&mut self) -> Result<blake3::Hash, NiftiError> {
        self.finish()
    }

    /// Gives the volume just read for another buffer, which the next volume is read into.
    pub(crate) fn swap_buffer(&mut self, buffer: &mut Vec<u8>) {
        std::mem::swap(&mut self.volume, buffer);
    }

    /// Memory held for a volume.
    #[cfg(test)]
    pub(super) fn buffer_bytes(&self) -> usize {
        self.volume.capacity()
    }

    /// Reads to the end of the file, once.
    fn finish(&mut self) -> Result<blake3::Hash, NiftiError> {
        if let Some(hash) = self.hash {
            return Ok(hash);
        }
        self.bytes.skip(u64::MAX).map_err(at(&self.files.data))?;
        let hash = self.bytes.hasher().finalize();
        self.hash = Some(hash);
        Ok(hash)
    }
}

/// Feeds a whole file to a hasher.
fn hash_file(path: &Path, hasher: &mut blake3::Hasher) -> Result<(), NiftiError> {
    let mut file = File::open(path).map_err(|source| NiftiError::Open { path: path.to_path_buf(), source })?;
    let mut buffer = vec![0; BUFFER_BYTES];
    loop {
        match read_retrying(&mut file, &mut buffer).map_err(|source| read_error(path, source))? {
            0 => return Ok(()),
            got => hasher.update(&buffer[..got]),
        };
    }
}

/// The hash that [`VolumeStream::content_hash`] gives, without looking at what the bytes mean.
///
/// # Errors
/// When a file is not there or cannot be read.
pub fn content_hash(path: &Path) -> Result<blake3::Hash, NiftiError> {
    let files = Files::find(path)?;
    let mut hasher = blake3::Hasher::new();
    if files.pair {
        hash_file(&files.header, &mut hasher)?;
    }
    hash_file(&files.data, &mut hasher)?;
    Ok(hasher.finalize())
}

/// A single volume in memory.
#[derive(Debug, Clone, PartialEq)]
pub struct Image3 {
    pub header: Header,
    /// Scaled values, x fastest, then y, then z.
    pub data: Vec<f64>,
}

/// Reads a 3-D image, or a 4-D one that holds a single volume, to its end.
///
/// # Errors
/// As [`VolumeStream`], and when there are several volumes.
pub fn read_3d(path: &Path) -> Result<Image3, NiftiError> {
    let mut stream = VolumeStream::open_any(path)?;
    if stream.header.frames != 1 {
        return Err(NiftiError::NotThreeD {
            path: path.to_path_buf(),
            frames: stream.header.frames,
            shape: stream.header.shape_text(),
        });
    }
    let mut data = Vec::new();
    if let Some(volume) = stream.next_volume()? {
        volume.decode_all(&mut data);
    }
    stream.finish()?;
    Ok(Image3 { header: stream.header, data })
}

/// The files that an image is made of: one, or header and data of a pair.
///
/// # Errors
/// When one is not there, or the name is not that of a NIfTI image.
pub fn files_of(path: &Path) -> Result<Vec<std::path::PathBuf>, NiftiError> {
    let files = Files::find(path)?;
    Ok(if files.pair { vec![files.header, files.data] } else { vec![files.data] })
}
