//! Numbers for the tests beside the code: they look drawn, and a seed gives the same ones every time.
//!
//! The module stands at the root because its users (`brain_mask`, `motion`, `clean`, `group`) have nothing nearer in
//! common, and it is built for tests only. What some tests expect depends on the very series, so each of the three
//! generators stays as it is. A new test takes [`Numbers`].

use ndarray::Array2;
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};

/// A linear congruential generator of 64 bits, of which the upper ones are used (Knuth, MMIX; from memory).
pub struct Numbers(u64);

impl Numbers {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn step(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0
    }

    /// From −0.5 to 0.5, all equally likely.
    pub fn even(&mut self) -> f64 {
        (self.step() >> 40) as f64 / f64::from(1 << 24) - 0.5
    }

    /// Near enough to normal for a test, with variance 1: the sum of twelve even ones (Irwin–Hall).
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum()
    }

    /// A whole number below `limit`, which is at most 2³¹.
    pub fn below(&mut self, limit: u64) -> u64 {
        (self.step() >> 33) % limit
    }
}

/// The next state of a xorshift generator (Marsaglia 2003, J Stat Softw 8:14; from memory).
pub fn xorshift(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

/// A table of numbers between −1 and 1, all equally likely.
pub fn even_table(rows: usize, columns: usize, seed: u64) -> Array2<f64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    Array2::from_shape_simple_fn((rows, columns), || (xorshift(&mut state) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0)
}

/// A table of nearly normal numbers, as of [`Numbers::normal`], by ChaCha8.
pub fn normal_table(rows: usize, columns: usize, seed: u64) -> Array2<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    Array2::from_shape_simple_fn((rows, columns), || {
        (0..12).map(|_| (rng.next_u64() >> 11) as f64 / (1_u64 << 53) as f64).sum::<f64>() - 6.0
    })
}
