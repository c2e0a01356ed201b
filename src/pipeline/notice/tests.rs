use ndarray::Array1;

use super::*;
use crate::test_numbers::Numbers;

/// FD of a run in which every fifth frame or so moves much, and DVARS that follows it by this much.
fn run(seed: u64, frames: usize, follows: f64) -> (Array1<f64>, Array1<f64>) {
    let mut numbers = Numbers::new(seed);
    let mut fd = Array1::zeros(frames);
    let mut dvars = Array1::zeros(frames);
    for i in 0..frames {
        let moves = numbers.even() > 0.3;
        fd[i] = if moves { 0.6 + (numbers.even() + 0.5) } else { 0.05 + 0.05 * (numbers.even() + 0.5) };
        dvars[i] = 2.0 + 0.3 * numbers.normal() + follows * fd[i];
    }
    (fd, dvars)
}

fn of(fd: &Array1<f64>, dvars: &Array1<f64>) -> Option<(f64, usize)> {
    fd_with_dvars(&Moved { fd_mm: fd.view(), dvars_percent: dvars.view() })
}

#[test]
fn a_table_that_belongs_to_the_image_rises_with_dvars_and_another_does_not() {
    let mut beyond = 0;
    for seed in 0..100 {
        let (fd, dvars) = run(seed, 300, 2.0);
        assert!(of(&fd, &dvars).unwrap().0 > 0.3, "{seed}");
        let (_, of_another) = run(seed + 1000, 300, 2.0);
        let (r, frames) = of(&fd, &of_another).unwrap();
        assert_eq!(frames, 300);
        beyond += usize::from(r >= 0.1);
    }
    // By chance r reaches 0.1 of 300 frames in 4 % of exchanges: 1.7 standard errors of 0.058.
    assert!(beyond <= 12, "{beyond}");
}

#[test]
fn runs_that_hardly_move_or_are_short_are_not_asked() {
    let (mut fd, dvars) = run(1, 300, 2.0);
    let (short, short_dvars) = run(2, 99, 2.0);
    assert_eq!(of(&short, &short_dvars), None);
    assert_eq!(of(&fd, &Array1::from_elem(300, 2.0)), None);
    // Just under a tenth of the frames.
    let mut seen = 0;
    fd.iter_mut().filter(|v| **v > MUCH_MM).for_each(|v| {
        seen += 1;
        *v = if seen > 29 { 0.1 } else { *v };
    });
    assert_eq!(of(&fd, &dvars), None);
}

#[test]
fn the_rank_correlation_is_that_of_a_table_worked_out_by_hand() {
    // Two values changed places, 119 ranks apart: 1 − 6Σd²/(n(n² − 1)).
    let fd: Array1<f64> = (0..120).map(|i| f64::from(i + 1) / 100.0).collect();
    let mut dvars = fd.clone();
    dvars.swap(0, 119);
    let n = 120.0_f64;
    let expected = 1.0 - 6.0 * 2.0 * 119.0_f64.powi(2) / (n * (n * n - 1.0));
    assert!((of(&fd, &dvars).unwrap().0 - expected).abs() < 1e-12);
}
