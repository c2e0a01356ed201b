//! gzip, read to its very end and checked against its own checksums.
//!
//! A `.nii.gz` may be several gzip members one after another (RFC 1952, section 2.2), and each ends with a checksum and
//! a length. A reader that stops at the last voxel never sees them, so a damaged scan passes for a sound one. This
//! reader goes through every member and lets the decompressor check every trailer. It skips zero bytes between and
//! after members (tapes and block devices pad with them) and refuses anything else that follows.
//!
//! Two decompressors stand behind [`Inflate`]: ISA-L with the feature `isal` (measured 25 % faster on int16 volumes),
//! zlib-rs without. ISA-L is driven through its own step function, not through `isal::read::GzipDecoder` (0.5.3). That
//! reader does check trailers and go through members, but it had four faults when tried. It called a sound file corrupt
//! when its bytes came in small pieces (the second step without output, over a whole member, counts as corruption). It
//! gave the same error for a cut file as for a damaged one. It took zero padding for a damaged member. And it keeps a
//! pointer into itself, so it must not be moved after its first read.

mod fault;
#[cfg(feature = "isal")]
mod header;

use std::io::{self, Read};

pub(crate) use fault::Fault;

/// Bytes of compressed input held at a time. Measured: 8 KiB costs a quarter more time, more than this gains nothing.
pub(crate) const BUFFER_BYTES: usize = 256 * 1024;

/// The two bytes that open every gzip member (RFC 1952, section 2.3.1).
pub(crate) const MAGIC: [u8; 2] = [0x1f, 0x8b];

/// What one call of a decompressor did.
pub(crate) struct Step {
    pub consumed: usize,
    pub produced: usize,
    /// The member is over, and its trailer was right.
    pub finished: bool,
}

/// A decompressor of single gzip members, header and trailer included.
pub(crate) trait Inflate {
    fn new() -> Self;
    /// Makes ready for the next member.
    fn reset(&mut self);
    /// Decompresses from `input` into `output` as far as either allows.
    ///
    /// # Errors
    /// [`Fault::Damaged`] or [`Fault::Checksum`].
    fn step(&mut self, input: &[u8], output: &mut [u8]) -> Result<Step, Fault>;
}

#[cfg(feature = "isal")]
pub(crate) type Backend = IsaL;
#[cfg(not(feature = "isal"))]
pub(crate) type Backend = ZlibRs;

/// Where the reader stands.
enum Place {
    First,
    Member,
    Between,
    End,
}

/// Decompresses all members of a gzip file one after another.
pub(crate) struct GzipReader<R, I = Backend> {
    source: R,
    source_ended: bool,
    buffer: Box<[u8]>,
    start: usize,
    end: usize,
    place: Place,
    inflate: I,
}

impl<R: Read, I: Inflate> GzipReader<R, I> {
    pub fn new(source: R) -> Self {
        Self {
            source,
            source_ended: false,
            buffer: vec![0; BUFFER_BYTES].into_boxed_slice(),
            start: 0,
            end: 0,
            place: Place::First,
            inflate: I::new(),
        }
    }

    pub fn source_mut(&mut self) -> &mut R {
        &mut self.source
    }

    /// Fills `output`; fewer bytes than asked for mean that the stream is over and every checksum was right.
    pub fn read(&mut self, output: &mut [u8]) -> Result<usize, Fault> {
        let mut made = 0;
        // ISA-L moves between its states without taking or giving a byte, but only once or twice at a time.
        let mut idle = 0;
        while made < output.len() {
            match self.place {
                Place::End => break,
                Place::First | Place::Between => self.next_member()?,
                Place::Member => {
                    if self.start == self.end {
                        self.refill()?;
                    }
                    let step = self.inflate.step(&self.buffer[self.start..self.end], &mut output[made..])?;
                    self.start += step.consumed;
                    made += step.produced;
                    if step.finished {
                        self.place = Place::Between;
                        idle = 0;
                    } else if step.consumed == 0 && step.produced == 0 {
                        idle += 1;
                        if idle > 4 {
                            return Err(if self.source_ended { Fault::Truncated } else { Fault::Damaged });
                        }
                    } else {
                        idle = 0;
                    }
                }
            }
        }
        Ok(made)
    }

    /// Looks for the next member: zero bytes are skipped after the first one.
    fn next_member(&mut self) -> Result<(), Fault> {
        let first = matches!(self.place, Place::First);
        loop {
            if !first {
                while self.start < self.end && self.buffer[self.start] == 0 {
                    self.start += 1;
                }
            }
            if self.end - self.start >= MAGIC.len() || self.source_ended {
                break;
            }
            self.refill()?;
        }
        let rest = &self.buffer[self.start..self.end];
        if rest.starts_with(&MAGIC) {
            if !first {
                self.inflate.reset();
            }
            self.place = Place::Member;
            Ok(())
        } else if first {
            Err(Fault::NotGzip)
        } else if rest.is_empty() {
            self.place = Place::End;
            Ok(())
        } else {
            Err(Fault::Trailing)
        }
    }

    /// Moves what is left to the front and reads once behind it.
    fn refill(&mut self) -> Result<(), Fault> {
        self.buffer.copy_within(self.start..self.end, 0);
        self.end -= self.start;
        self.start = 0;
        if !self.source_ended {
            let got = read_retrying(&mut self.source, &mut self.buffer[self.end..])?;
            self.end += got;
            self.source_ended = got == 0;
        }
        Ok(())
    }
}

/// One read that is not put off by a signal.
pub(crate) fn read_retrying(source: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    loop {
        match source.read(buffer) {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            other => return other,
        }
    }
}

/// zlib-rs by way of flate2. Compiled for the tests even where ISA-L does the work, so that both are always tested.
#[cfg(any(not(feature = "isal"), test))]
pub(crate) struct ZlibRs(flate2::Decompress);

#[cfg(any(not(feature = "isal"), test))]
impl Inflate for ZlibRs {
    fn new() -> Self {
        // 15: the largest window that DEFLATE has (RFC 1951), so that any file can be read.
        Self(flate2::Decompress::new_gzip(15))
    }

    fn reset(&mut self) {
        self.0.reset(true);
    }

    fn step(&mut self, input: &[u8], output: &mut [u8]) -> Result<Step, Fault> {
        let (before_in, before_out) = (self.0.total_in(), self.0.total_out());
        let status = self.0.decompress(input, output, flate2::FlushDecompress::None).map_err(|error| {
            // zlib's own texts for a wrong CRC and a wrong length in the trailer.
            match error.message() {
                Some("incorrect data check" | "incorrect length check") => Fault::Checksum,
                _ => Fault::Damaged,
            }
        })?;
        Ok(Step {
            consumed: (self.0.total_in() - before_in) as usize,
            produced: (self.0.total_out() - before_out) as usize,
            finished: status == flate2::Status::StreamEnd,
        })
    }
}

// isal-sys with its feature `use-system-isal` declares the functions but links nothing. Debian's libisal-dev has only
// the shared library, so the binary needs libisal2 at run time when this feature is on.
#[cfg(feature = "isal")]
#[link(name = "isal")]
unsafe extern "C" {}

/// ISA-L's inflate. Its state (some 90 KB) lives on the heap and holds no pointer between calls.
#[cfg(feature = "isal")]
pub(crate) struct IsaL {
    state: Box<isal::isal_sys::igzip_lib::inflate_state>,
    header: header::MemberHeader,
}

// SAFETY: between calls the state is plain numbers; its two pointers are set anew before each call (see `step`).
#[cfg(feature = "isal")]
unsafe impl Send for IsaL {}

#[cfg(feature = "isal")]
impl Inflate for IsaL {
    fn new() -> Self {
        use isal::isal_sys::igzip_lib as c;
        let mut state = Box::<c::inflate_state>::new_uninit();
        // SAFETY: the state is a C struct of numbers, arrays and two raw pointers, for all of which zero bytes are a
        // valid value; `isal_inflate_init` then sets the fields it needs. The pointer comes from a live Box.
        let mut state = unsafe {
            std::ptr::write_bytes(state.as_mut_ptr(), 0, 1);
            c::isal_inflate_init(state.as_mut_ptr());
            state.assume_init()
        };
        // Check CRC and length in the trailer; the header is read here (see `header`).
        state.crc_flag = c::ISAL_GZIP_NO_HDR_VER;
        Self { state, header: header::MemberHeader::new() }
    }

    fn reset(&mut self) {
        // SAFETY: the pointer comes from a live Box that `new` initialised.
        unsafe { isal::isal_sys::igzip_lib::isal_inflate_reset(&raw mut *self.state) }
        self.header = header::MemberHeader::new();
    }

    fn step(&mut self, input: &[u8], output: &mut [u8]) -> Result<Step, Fault> {
        use isal::isal_sys::igzip_lib as c;
        if !self.header.is_over() {
            return Ok(Step { consumed: self.header.take(input)?, produced: 0, finished: false });
        }
        let lengths = (input.len().min(1 << 30), output.len().min(1 << 30));
        let state = &mut *self.state;
        // ISA-L declares its input mutable but only reads it.
        state.next_in = input.as_ptr().cast_mut();
        state.avail_in = lengths.0 as u32;
        state.next_out = output.as_mut_ptr();
        state.avail_out = lengths.1 as u32;
        // SAFETY: both pointers cover the lengths given with them, and both slices outlive the call.
        let code = unsafe { c::isal_inflate(&raw mut *state) };
        state.next_in = std::ptr::null_mut();
        state.next_out = std::ptr::null_mut();
        if code == c::ISAL_INCORRECT_CHECKSUM {
            return Err(Fault::Checksum);
        }
        // Positive codes (input or output used up) are turned into 0 inside.
        if code != c::ISAL_DECOMP_OK as i32 {
            return Err(Fault::Damaged);
        }
        Ok(Step {
            consumed: lengths.0 - state.avail_in as usize,
            produced: lengths.1 - state.avail_out as usize,
            finished: state.block_state == c::isal_block_state_ISAL_BLOCK_FINISH,
        })
    }
}
