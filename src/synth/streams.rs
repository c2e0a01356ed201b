//! Random streams: what belongs to the cohort, each child and each scan is drawn from a stream of its own.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

/// The stream of what all children have in common.
pub(super) const TRUTH_STREAM: u64 = 1;
/// The first child's stream.
pub(super) const CHILD_STREAM: u64 = 1_000_000;
/// The first scan's stream.
pub(super) const SCAN_STREAM: u64 = 1_000_000_000;

/// One of the streams of a cohort's seed.
pub(super) fn stream(seed: u64, number: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    rng
}
