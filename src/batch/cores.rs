//! Cores that stand idle, lent to scans that can use a second one.
//!
//! While there are as many scans left as threads, every core has its own scan, and a second thread for one of them
//! would only get in the way. With fewer left, a scan may unpack its image in a thread beside its own.

use std::sync::atomic::{AtomicUsize, Ordering};

/// The cores of a run.
#[derive(Debug)]
pub(super) struct Cores {
    jobs: usize,
    /// Scans not finished yet, in work or not.
    left: AtomicUsize,
    lent: AtomicUsize,
}

/// A core on loan; given back when dropped.
#[derive(Debug)]
pub(super) struct Lent<'a>(&'a Cores);

impl Cores {
    pub(super) fn new(jobs: usize, scans: usize) -> Self {
        Self { jobs, left: AtomicUsize::new(scans), lent: AtomicUsize::new(0) }
    }

    /// A scan is finished.
    pub(super) fn finished(&self) {
        self.left.fetch_sub(1, Ordering::Relaxed);
    }

    /// A core that no scan will need, if there is one.
    pub(super) fn lend(&self) -> Option<Lent<'_>> {
        let left = self.left.load(Ordering::Relaxed);
        let one_more = |lent| (left + lent < self.jobs).then_some(lent + 1);
        self.lent.fetch_update(Ordering::Relaxed, Ordering::Relaxed, one_more).ok().map(|_| Lent(self))
    }
}

impl Drop for Lent<'_> {
    fn drop(&mut self) {
        self.0.lent.fetch_sub(1, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_idle_cores_are_lent() {
        let cores = Cores::new(3, 3);
        assert!(cores.lend().is_none());
        cores.finished();
        let first = cores.lend();
        assert!(first.is_some() && cores.lend().is_none());
        drop(first);
        assert!(cores.lend().is_some());
        assert!(Cores::new(1, 1).lend().is_none());
    }
}
