//! The header of a gzip member (RFC 1952, section 2.3), taken byte by byte, however small the pieces are.
//!
//! ISA-L 2.30 reads it too, but keeps its flags in a variable of one call: if a header arrives in two pieces, its
//! second half is judged by whatever is in that memory, and a sound file can be called damaged.

use flate2::Crc;

use super::fault::Fault;

const FHCRC: u8 = 1 << 1;
const FEXTRA: u8 = 1 << 2;
const FNAME: u8 = 1 << 3;
const FCOMMENT: u8 = 1 << 4;
/// Flags that RFC 1952 reserves: a member that sets one may hold something that this reader does not know.
const RESERVED: u8 = 0b1110_0000;
/// The one compression method, DEFLATE.
const DEFLATE: u8 = 8;

/// The field that the next byte belongs to, with the number of its bytes so far or still to come.
#[derive(Clone, Copy)]
enum Field {
    Fixed(u8),
    ExtraLength(u8, u16),
    Extra(u16),
    Name,
    Comment,
    Checksum(u8, u16),
    Over,
}

/// How far a member's header has been read.
pub(super) struct MemberHeader {
    field: Field,
    flags: u8,
    crc: Crc,
}

impl MemberHeader {
    pub(super) fn new() -> Self {
        Self { field: Field::Fixed(0), flags: 0, crc: Crc::new() }
    }

    /// Whether the compressed data come next.
    pub(super) fn is_over(&self) -> bool {
        matches!(self.field, Field::Over)
    }

    /// Takes bytes of the header from the front of `input`; returns how many.
    ///
    /// # Errors
    /// [`Fault::Damaged`] for another method, a reserved flag or a wrong checksum of the header.
    pub(super) fn take(&mut self, input: &[u8]) -> Result<usize, Fault> {
        let mut taken = 0;
        while let (false, Some(&byte)) = (self.is_over(), input.get(taken)) {
            taken += 1;
            self.byte(byte)?;
        }
        Ok(taken)
    }

    fn byte(&mut self, byte: u8) -> Result<(), Fault> {
        if !matches!(self.field, Field::Checksum(..)) {
            self.crc.update(&[byte]);
        }
        self.field = match self.field {
            Field::Fixed(2) if byte != DEFLATE => return Err(Fault::Damaged),
            Field::Fixed(3) if byte & RESERVED != 0 => return Err(Fault::Damaged),
            Field::Fixed(at) => {
                if at == 3 {
                    self.flags = byte;
                }
                if at < 9 { Field::Fixed(at + 1) } else { self.after(0) }
            }
            Field::ExtraLength(0, _) => Field::ExtraLength(1, u16::from(byte)),
            Field::ExtraLength(_, low) => match low | u16::from(byte) << 8 {
                0 => self.after(FEXTRA),
                length => Field::Extra(length),
            },
            Field::Extra(1) => self.after(FEXTRA),
            Field::Extra(left) => Field::Extra(left - 1),
            Field::Name if byte == 0 => self.after(FNAME),
            Field::Comment if byte == 0 => self.after(FCOMMENT),
            Field::Checksum(0, _) => Field::Checksum(1, u16::from(byte)),
            // The two least significant bytes of the CRC of all header bytes before it.
            Field::Checksum(_, low) if low | u16::from(byte) << 8 != self.crc.sum() as u16 => {
                return Err(Fault::Damaged);
            }
            Field::Checksum(..) | Field::Over => Field::Over,
            same @ (Field::Name | Field::Comment) => same,
        };
        Ok(())
    }

    /// The field that follows the one of this flag (0: the fixed bytes), in the order of RFC 1952.
    fn after(&self, flag: u8) -> Field {
        let order = [
            (FEXTRA, Field::ExtraLength(0, 0)),
            (FNAME, Field::Name),
            (FCOMMENT, Field::Comment),
            (FHCRC, Field::Checksum(0, 0)),
        ];
        let from = order.iter().position(|(known, _)| *known == flag).map_or(0, |at| at + 1);
        let next = order[from..].iter().find(|(known, _)| self.flags & known != 0);
        next.map_or(Field::Over, |(_, field)| *field)
    }
}
