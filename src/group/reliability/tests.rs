use ndarray::Array2;

use super::*;
use crate::test_numbers::normal_table as noise;

const TR: Seconds = Seconds(2.0);
const BLOCK: Seconds = Seconds(30.0);
/// The mean signal of parcels that are all as bright.
const ALIKE: [f64; 12] = [1000.0; 12];

/// Parcels that share signals, so that their matrix has something to agree about.
fn mixed(rows: usize, seed: u64) -> Array2<f64> {
    noise(rows, 12, seed).dot(&noise(12, 12, 99)) + noise(rows, 12, seed + 1)
}

#[test]
fn chosen_frames_last_as_asked_and_each_is_taken_once() {
    let frames: Vec<usize> = (0..200).filter(|i| i % 10 > 2).collect();
    for (tr_a, tr_b) in [(2.0, 2.0), (0.8, 0.8), (0.8, 3.1)] {
        let runs =
            [RunFrames { frames: &frames, tr: Seconds(tr_a) }, RunFrames { frames: &frames[..77], tr: Seconds(tr_b) }];
        let total = (140.0 * tr_a + 77.0 * tr_b) / 60.0;
        for how in [WhichFrames::Earliest, WhichFrames::Blocks { block: BLOCK, seed: 3 }] {
            for minutes in [0.5, 1.0, 1.7, total] {
                let rows = choose(&runs, minutes, how).unwrap().unwrap();
                for (run, rows) in runs.iter().zip(&rows) {
                    assert!(rows.windows(2).all(|w| w[0] < w[1]) && rows.iter().all(|&r| r < run.frames.len()));
                }
                let seconds = rows[0].len() as f64 * tr_a + rows[1].len() as f64 * tr_b;
                assert!(seconds < minutes * 60.0 + 1e-4 && seconds > minutes * 60.0 - tr_a.max(tr_b));
            }
            assert_eq!(choose(&runs, total + 0.1, how).unwrap(), None);
            assert_eq!(choose(&runs, 1.0, how).unwrap(), choose(&runs, 1.0, how).unwrap());
        }
    }
}

#[test]
fn the_earliest_are_the_first_and_units_stay_whole() {
    // Three blocks of 8 s; TR 2 s.
    let frames = [0, 1, 2, 3, 6, 7, 8, 9, 12, 13, 14, 15];
    let runs = [RunFrames { frames: &frames, tr: TR }];
    let minutes = |frames: usize| frames as f64 * 2.0 / 60.0;
    assert_eq!(choose(&runs, minutes(5), WhichFrames::Earliest).unwrap(), Some(vec![vec![0, 1, 2, 3, 4]]));
    let mut seen = std::collections::HashSet::new();
    for seed in 0..60 {
        let rows =
            choose(&runs, minutes(6), WhichFrames::Blocks { block: Seconds(8.0), seed }).unwrap().unwrap().remove(0);
        // One block whole, the first half of another.
        let counts: Vec<usize> = (0..3).map(|s| rows.iter().filter(|&&r| r / 4 == s).count()).collect();
        assert!({
            let mut sorted = counts.clone();
            sorted.sort_unstable();
            sorted == [0, 2, 4]
        });
        assert!((0..3).all(|s| counts[s] != 2 || (rows.contains(&(4 * s)) && rows.contains(&(4 * s + 1)))));
        seen.insert(counts);
    }
    assert_eq!(seen.len(), 6, "every order is drawn");
}

#[test]
fn halves_are_odd_and_even_blocks_counted_on_over_runs() {
    // TR 10 s: blocks of 3 frames. Run 0 has blocks 3, 3, 1; run 1 goes on with the fourth.
    let (a, b) = (mixed(7, 1), mixed(8, 3));
    let frames: Vec<usize> = (0..8).collect();
    let runs = [
        RunSeries { residuals: a.view(), mean_signal: &ALIKE, frames: &frames[..7], tr: Seconds(10.0) },
        RunSeries { residuals: b.view(), mean_signal: &ALIKE, frames: &frames, tr: Seconds(10.0) },
    ];
    let got = split_half(&runs, BLOCK, Measure::Pearson).unwrap();
    let odd = edges_of(&runs, &vec![vec![0, 1, 2, 6], vec![3, 4, 5]], Measure::Pearson).unwrap();
    let even = edges_of(&runs, &vec![vec![3, 4, 5], vec![0, 1, 2, 6, 7]], Measure::Pearson).unwrap();
    assert_eq!(got.r, correlation(&odd, &even).0);
    assert_eq!(got.edges, 66);
    assert!((got.minutes[0] - 7.0 / 6.0).abs() < 1e-12 && (got.minutes[1] - 8.0 / 6.0).abs() < 1e-12);
    assert_eq!(got.spearman_brown, 2.0 * got.r / (1.0 + got.r));
}

#[test]
fn more_minutes_agree_better() {
    let series = mixed(600, 5);
    let frames: Vec<usize> = (0..600).collect();
    let runs = [RunSeries { residuals: series.view(), mean_signal: &ALIKE, frames: &frames, tr: TR }];
    for how in [WhichFrames::Earliest, WhichFrames::Blocks { block: BLOCK, seed: 1 }] {
        let curve = agreement_curve(&runs, 2, how, Measure::Pearson).unwrap();
        let minutes: Vec<f64> = curve.iter().map(|point| point.minutes).collect();
        assert_eq!(minutes, (2..=20).map(f64::from).collect::<Vec<_>>());
        assert!(curve[0].r < curve[10].r && curve[0].r > 0.8 && (curve[18].r - 1.0).abs() < 1e-12);
    }
    let (residuals, frames) = (series.slice(ndarray::s![..100, ..]), &frames[..100]);
    let short = [RunSeries { residuals, mean_signal: &ALIKE, frames, tr: TR }];
    let curve = agreement_curve(&short, 5, WhichFrames::Earliest, Measure::Pearson).unwrap();
    assert_eq!(curve.len(), 1, "3 min 20 s: only all of it");
}

#[test]
fn standard_errors_of_independent_frames_are_fisher_s() {
    // z of independent frames has the SD 1/√(n − 3), Fisher 1915; blocks of one frame are the ordinary bootstrap.
    let series = noise(400, 10, 7);
    let frames: Vec<usize> = (0..400).collect();
    let runs = [RunSeries { residuals: series.view(), mean_signal: &ALIKE[..10], frames: &frames, tr: TR }];
    for block in [TR, BLOCK] {
        let se = standard_errors(&runs, block, 300, 11, Measure::Pearson).unwrap();
        let ratio = se.mean().unwrap() * 397f64.sqrt();
        assert!((0.9..1.1).contains(&ratio), "{ratio}");
        assert_eq!(se, standard_errors(&runs, block, 300, 11, Measure::Pearson).unwrap());
    }
}

#[test]
fn standard_errors_grow_with_blocks_where_frames_depend_on_one_another() {
    // First-order autoregression, 0.8: the variance of a correlation is (1 + 0.64)/(1 − 0.64) = 4.6 times as large
    // (Bartlett 1935, J R Stat Soc 98:536); single frames do not see it.
    let mut series = noise(600, 10, 8);
    for i in 1..600 {
        let before = series.row(i - 1).to_owned();
        series.row_mut(i).scaled_add(0.8, &before);
    }
    let frames: Vec<usize> = (0..600).collect();
    let runs = [RunSeries { residuals: series.view(), mean_signal: &ALIKE[..10], frames: &frames, tr: TR }];
    let mean =
        |block| standard_errors(&runs, block, 300, 12, Measure::Pearson).unwrap().mean().unwrap() * 600f64.sqrt();
    let (single, blocks) = (mean(TR), mean(BLOCK));
    assert!((0.9..1.1).contains(&single), "{single}");
    assert!((1.6..2.3).contains(&blocks), "{blocks}, against √4.6 = 2.1 less the edges of blocks");
}

#[test]
fn redrawn_runs_keep_their_length_and_their_blocks() {
    let frames: Vec<usize> = (0..50).collect();
    let runs = [RunFrames { frames: &frames, tr: TR }, RunFrames { frames: &frames[..7], tr: TR }];
    let rows = bootstrap_rows(&runs, BLOCK, 5, 0).unwrap();
    assert_eq!((rows[0].len(), rows[1].len()), (50, 7));
    // Blocks of 15 and, in the short run, of 3.
    for (rows, length) in rows.iter().zip([15, 3]) {
        assert!(rows.chunks(length).all(|block| block.windows(2).all(|w| w[1] == w[0] + 1)));
    }
    assert_ne!(rows, bootstrap_rows(&runs, BLOCK, 5, 1).unwrap());
    let none = [RunFrames { frames: &[], tr: TR }];
    assert_eq!(bootstrap_rows(&none, BLOCK, 5, 0).unwrap(), vec![Vec::<usize>::new()]);
}

#[test]
fn covariances_are_in_percent_in_halves_and_redrawn_blocks() {
    let (a, b) = (mixed(120, 1), mixed(90, 3));
    let frames: Vec<usize> = (0..120).collect();
    // The second run from a scanner with another gain.
    let of = |gain: f64| {
        let louder = &b * gain;
        let bright: Vec<f64> = ALIKE.iter().map(|signal| signal * gain).collect();
        let runs = [
            RunSeries { residuals: a.view(), mean_signal: &ALIKE, frames: &frames, tr: TR },
            RunSeries { residuals: louder.view(), mean_signal: &bright, frames: &frames[..90], tr: TR },
        ];
        let all = edges_of(&runs, &vec![(0..120).collect(), (0..90).collect()], Measure::Covariance).unwrap();
        let errors = standard_errors(&runs, BLOCK, 20, 3, Measure::Covariance).unwrap();
        (all, errors, split_half(&runs, BLOCK, Measure::Covariance).unwrap().r)
    };
    let (one, other) = (of(1.0), of(250.0));
    let close = |a: &Array1<f64>, b: &Array1<f64>| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9 * b.abs());
    assert!(close(&one.0, &other.0) && close(&one.1, &other.1) && (one.2 - other.2).abs() < 1e-9);
    // Twice the signal above which the same is seen: a quarter of percent².
    let dim: Vec<f64> = ALIKE.iter().map(|signal| signal * 2.0).collect();
    let runs = |mean_signal| [RunSeries { residuals: a.view(), mean_signal, frames: &frames, tr: TR }];
    let errors = |signal| standard_errors(&runs(signal), BLOCK, 20, 3, Measure::Covariance).unwrap();
    assert!(close(&errors(&dim), &(errors(&ALIKE) / 4.0)));
}

#[test]
fn what_cannot_be_done_is_said() {
    let series = mixed(3, 1);
    let runs = [RunSeries { residuals: series.view(), mean_signal: &ALIKE, frames: &[0, 1, 2], tr: TR }];
    assert_eq!(split_half(&runs, BLOCK, Measure::Pearson), Err(ReliabilityError::TooShort { found: 3 }));
    assert_eq!(split_half(&[], BLOCK, Measure::Pearson), Err(ReliabilityError::TooShort { found: 0 }));
    assert!(agreement_curve(&[], 5, WhichFrames::Earliest, Measure::Pearson).is_err());
    assert!(standard_errors(&[], BLOCK, 10, 1, Measure::Pearson).is_err());
    assert_eq!(standard_errors(&runs, BLOCK, 1, 1, Measure::Pearson), Err(ReliabilityError::Replicates { found: 1 }));
    let wrong = [RunSeries { residuals: series.view(), mean_signal: &ALIKE, frames: &[0, 1], tr: TR }];
    assert_eq!(
        split_half(&wrong, BLOCK, Measure::Pearson),
        Err(ReliabilityError::Frames { run: 0, rows: 3, frames: 2 })
    );
    let unlike = [RunSeries { residuals: series.view(), mean_signal: &ALIKE[..3], frames: &[0, 1, 2], tr: TR }];
    assert_eq!(
        split_half(&unlike, BLOCK, Measure::Covariance),
        Err(ReliabilityError::MeanSignals { run: 0, found: 3, expected: 12 })
    );
    assert!(split_half(&runs, Seconds(0.0), Measure::Pearson).is_err());
    assert!(choose(&[], f64::NAN, WhichFrames::Earliest).is_err());
}

#[test]
fn minutes_are_as_many_frames_whatever_the_precision_of_the_repetition_time() {
    let frames: Vec<usize> = (0..6000).collect();
    for tr in [0.8, 0.72, 1.1, 2.0, 0.645] {
        for minutes in [0.5, 5.0, 60.0] {
            let count = |tr: f64| {
                let runs = [
                    RunFrames { frames: &frames[..123], tr: Seconds(tr) },
                    RunFrames { frames: &frames, tr: Seconds(tr) },
                ];
                let rows = choose(&runs, minutes, WhichFrames::Earliest).unwrap().unwrap();
                rows.iter().map(Vec::len).sum::<usize>()
            };
            assert_eq!(count(tr), (minutes * 60.0 / tr + 1e-9) as usize, "{tr} s, {minutes} min");
            assert_eq!(count(f64::from(tr as f32)), count(tr), "{tr} s as a 32-bit float, {minutes} min");
        }
    }
}

#[test]
fn the_first_half_goes_over_runs() {
    let (a, b) = (mixed(7, 1), mixed(12, 3));
    let frames: Vec<usize> = (0..12).collect();
    let runs = [
        RunSeries { residuals: a.view(), mean_signal: &ALIKE, frames: &frames[..7], tr: TR },
        RunSeries { residuals: b.view(), mean_signal: &ALIKE, frames: &frames, tr: TR },
    ];
    let got = first_against_second(&runs, &[0.0, 0.0], Measure::Pearson).unwrap();
    // 19 frames: 9 and 10.
    let first = edges_of(&runs, &vec![(0..7).collect(), vec![0, 1]], Measure::Pearson).unwrap();
    let second = edges_of(&runs, &vec![vec![], (2..12).collect()], Measure::Pearson).unwrap();
    assert_eq!(got.halves.r, correlation(&first, &second).0);
    assert!((got.halves.minutes[0] - 0.3).abs() < 1e-12 && (got.halves.minutes[1] - 1.0 / 3.0).abs() < 1e-12);
}

#[test]
fn what_halves_share_is_taken_away() {
    let series = mixed(200, 5);
    let frames: Vec<usize> = (0..200).collect();
    let whole = [RunSeries { residuals: series.view(), mean_signal: &ALIKE, frames: &frames, tr: TR }];
    for hidden in [0.0, 0.3, 1.2] {
        let got = first_against_second(&whole, &[hidden], Measure::Pearson).unwrap();
        let expected = 1.0 - (1.0 + hidden) * (1.0 - got.halves.spearman_brown);
        assert!((got.corrected - expected).abs() < 1e-12, "{hidden}: {} {expected}", got.corrected);
    }
    // Nothing is left.
    assert!(first_against_second(&whole, &[1e3], Measure::Pearson).unwrap().corrected.is_nan());
    // Each half is a run: they share nothing.
    let [a, b] = [0, 100].map(|from| series.slice(ndarray::s![from..from + 100, ..]));
    let two = [a, b].map(|residuals| RunSeries { residuals, mean_signal: &ALIKE, frames: &frames[..100], tr: TR });
    let got = first_against_second(&two, &[0.7, 0.7], Measure::Pearson).unwrap();
    assert!((got.corrected - got.halves.spearman_brown).abs() < 1e-12);
}

#[test]
fn halves_that_disagree_have_no_reliability() {
    // Parcel 0 goes with 1 in the first half, with 2 in the second: edges (1, 0, 0) and (0, 1, 0), r = −0.5.
    let mut series = noise(200, 3, 4);
    for i in 0..200 {
        series[[i, 1 + i / 100]] = series[[i, 0]] + 0.1 * series[[i, 1 + i / 100]];
    }
    let frames: Vec<usize> = (0..200).collect();
    let runs = [RunSeries { residuals: series.view(), mean_signal: &ALIKE[..3], frames: &frames, tr: TR }];
    let got = first_against_second(&runs, &[0.2], Measure::Pearson).unwrap();
    assert!((got.halves.r + 0.5).abs() < 0.1, "{}", got.halves.r);
    assert!(got.halves.spearman_brown.is_nan() && got.corrected.is_nan());
    let blocks = split_half(&runs, Seconds(200.0), Measure::Pearson).unwrap();
    assert!(blocks.r < 0.0 && blocks.spearman_brown.is_nan());
}

#[test]
fn widening_is_what_the_draws_do_not_show() {
    let frames: Vec<usize> = (0..150).collect();
    // Ten blocks, five, two and a half, and halves: the variance of how often each frame is drawn.
    for (kept, seconds) in [(150, 30.0), (150, 60.0), (150, 120.0), (31, 60.0), (150, 600.0)] {
        let runs = [RunFrames { frames: &frames[..kept], tr: TR }];
        let draws = 4000;
        let (mut sum, mut squares) = (vec![0.0; kept], vec![0.0; kept]);
        for number in 0..draws {
            let mut times = vec![0.0_f64; kept];
            bootstrap_rows(&runs, Seconds(seconds), 9, number).unwrap()[0].iter().for_each(|&row| times[row] += 1.0);
            times.iter().zip(&mut sum).zip(&mut squares).for_each(|((c, sum), squares)| {
                *sum += c;
                *squares += c * c;
            });
        }
        let n = draws as f64;
        let seen = sum.iter().zip(&squares).map(|(s, q)| q / n - (s / n).powi(2)).sum::<f64>() / kept as f64;
        let factor = widening(&runs, Seconds(seconds), &[0.0]).unwrap();
        assert!((factor * factor * seen - 1.0).abs() < 0.02, "{kept} frames, {seconds} s: {factor}, {seen}");
        let cleaned = widening(&runs, Seconds(seconds), &[0.5]).unwrap();
        assert!((cleaned / factor - 1.5_f64.sqrt()).abs() < 1e-12);
    }
    // Two runs of unlike length: their variances add up; a run of one frame is not there.
    let of = |kept: usize| widening(&[RunFrames { frames: &frames[..kept], tr: TR }], BLOCK, &[0.0]).unwrap().powi(-2);
    let runs = [90, 1, 40].map(|kept| RunFrames { frames: &frames[..kept], tr: TR });
    let both = widening(&runs, BLOCK, &[0.0; 3]).unwrap().powi(-2);
    assert!((both - (90.0 * of(90) + 40.0 * of(40)) / 130.0).abs() < 1e-12);
}
