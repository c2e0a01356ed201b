//! Numbers packed for a page: bytes in base64 (RFC 4648, section 4), rounded values, groups of frames.

const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Bytes as base64, padded.
pub(super) fn base64(bytes: &[u8]) -> String {
    let letter = |word: u32, place: u32| char::from(ALPHABET[(word >> place & 63) as usize]);
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    let (whole, rest) = bytes.as_chunks::<3>();
    out.extend(whole.iter().flat_map(|&[first, second, third]| {
        let word = u32::from_be_bytes([0, first, second, third]);
        [letter(word, 18), letter(word, 12), letter(word, 6), letter(word, 0)]
    }));
    match *rest {
        [first] => {
            let word = u32::from_be_bytes([0, first, 0, 0]);
            out.extend([letter(word, 18), letter(word, 12), '=', '=']);
        }
        [first, second] => {
            let word = u32::from_be_bytes([0, first, second, 0]);
            out.extend([letter(word, 18), letter(word, 12), letter(word, 6), '=']);
        }
        _ => {}
    }
    out
}

/// Rounded to so many digits after the point; none for what is not finite.
pub(super) fn rounded(value: f64, digits: i32) -> Option<f64> {
    let scale = 10_f64.powi(digits);
    value.is_finite().then(|| (value * scale).round() / scale)
}

/// A value as two bytes: times 10000, cut off at ±3.2767; −32768 for none.
pub(super) fn two_bytes(value: f64) -> [u8; 2] {
    let steps = if value.is_nan() { i16::MIN } else { (value * 10_000.0).round().clamp(-32_767.0, 32_767.0) as i16 };
    steps.to_le_bytes()
}

/// A value as one byte (own choice of steps, as with two): times 125, cut off at ±1.016; −128 for none.
pub(super) fn one_byte(value: f64) -> u8 {
    let steps = if value.is_nan() { i8::MIN } else { (value * 125.0).round().clamp(-127.0, 127.0) as i8 };
    steps.to_le_bytes()[0]
}

/// Bounds of `groups` groups of `frames` frames, as even as possible; if there are fewer frames, one group per frame.
pub(super) fn groups(frames: usize, groups: usize) -> impl Iterator<Item = std::ops::Range<usize>> {
    let groups = groups.min(frames).max(1);
    (0..groups).map(move |g| g * frames / groups..(g + 1) * frames / groups).filter(|range| !range.is_empty())
}
