//! Words that nobody can guess: tokens of pages, keys of unhidden pages, nonces.

use std::fs::File;
use std::io::{self, Read};

/// 128 bits from the system's generator (random(4)), as 32 hexadecimal digits.
pub(super) fn new() -> io::Result<String> {
    let mut bytes = [0_u8; 16];
    File::open("/dev/urandom")?.read_exact(&mut bytes)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// Whether two words are the same, in a time that does not depend on where they differ: their BLAKE3 hashes are
/// compared.
pub(super) fn same(a: &str, b: &str) -> bool {
    blake3::hash(a.as_bytes()) == blake3::hash(b.as_bytes())
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn words_are_long_and_differ() {
        let words: HashSet<String> = (0..100).map(|_| new().unwrap()).collect();
        assert_eq!(words.len(), 100);
        assert!(words.iter().all(|word| word.len() == 32 && word.bytes().all(|b| b.is_ascii_hexdigit())));
        assert!(same("ab", "ab") && !same("ab", "abc") && !same("", "a"));
    }
}
