//! Motion numbers over one or several runs.

use ndarray::ArrayView1;

use crate::digest;

/// Motion numbers over one or several runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MotionSummary {
    /// Mean FD over all frames that have one, mm (column `mean_fd_mm`).
    pub mean_fd_mm: f64,
    /// Mean FD over the kept frames that have one, mm (column `mean_fd_kept_mm`).
    pub mean_fd_kept_mm: f64,
    /// Largest FD, mm (column `max_fd_mm`).
    pub max_fd_mm: f64,
    /// Median DVARS over all frames that have one, percent (column `median_dvars_percent`).
    pub median_dvars_percent: f64,
}

/// A run's FD, DVARS, kept flags, and the frame from which motion counts.
pub type MotionOfRun<'a> = (ArrayView1<'a, f64>, ArrayView1<'a, f64>, &'a [bool], usize);

impl MotionSummary {
    /// Means, maximum and median over all frames of all runs that have a value; NaN if there is none.
    #[must_use]
    pub fn of(runs: &[MotionOfRun<'_>]) -> Self {
        let (mut all, mut kept_fd, mut dvars) = (Vec::new(), Vec::new(), Vec::new());
        for (fd, dv, kept, from) in runs {
            for i in *from..fd.len() {
                if !fd[i].is_nan() {
                    all.push(fd[i]);
                    if kept[i] {
                        kept_fd.push(fd[i]);
                    }
                }
                if !dv[i].is_nan() {
                    dvars.push(dv[i]);
                }
            }
        }
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        Self {
            mean_fd_mm: mean(&all),
            mean_fd_kept_mm: mean(&kept_fd),
            max_fd_mm: all.iter().copied().fold(f64::NAN, f64::max),
            median_dvars_percent: digest::median(dvars),
        }
    }
}

/// Mean displacement over a span, over all frames of all runs that have one, mm (column `mean_fd_span_mm`); NaN if
/// there is none. Each run has its displacement and the frame from which motion counts.
#[must_use]
pub fn mean_fd_span<'a>(runs: impl IntoIterator<Item = (ArrayView1<'a, f64>, usize)>) -> f64 {
    let values = runs.into_iter().flat_map(|(fd, from)| fd.into_iter().skip(from)).filter(|mm| !mm.is_nan());
    let (sum, count) = values.fold((0.0, 0_usize), |(sum, count), mm| (sum + mm, count + 1));
    sum / count as f64
}
