use super::*;
use crate::test_numbers::Numbers;

/// A run with this signal, image and table.
fn trace(run: &str, image: &str, motion: &str, signal: &[f64]) -> RunTrace {
    let differences: Vec<f64> = signal.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let (image, motion) = (image.to_owned(), motion.to_owned());
    RunTrace { image, motion, signal: digits(&differences), ..RunTrace::bare(run, 2.0) }
}

fn signal(seed: u64, frames: usize) -> Vec<f64> {
    let mut numbers = Numbers::new(seed);
    (0..frames).map(|_| 900.0 + 5.0 * numbers.normal()).collect()
}

fn found(traces: &[RunTrace]) -> Vec<(usize, usize, Noticed, bool)> {
    let twins = twins(&traces.iter().collect::<Vec<_>>(), 0.99, Among::Children);
    twins.into_iter().map(|twin| (twin.first, twin.second, twin.what, twin.r.is_some())).collect()
}

#[test]
fn equal_bytes_are_one_image_whatever_the_signal() {
    let traces = [
        trace("sub-1", "a", "m1", &signal(1, 100)),
        trace("sub-2", "b", "m2", &signal(2, 100)),
        trace("sub-3", "a", "m3", &signal(3, 100)),
    ];
    assert_eq!(found(&traces), [(0, 2, Noticed::SameImage, false)]);
}

#[test]
fn an_image_written_again_is_known_by_its_signal_and_a_part_of_it_too() {
    let first = signal(4, 240);
    let drift = |i: usize| 0.01 * i as f64;
    // Other scale, drift, a little noise: SD 0.1 where the signal has 5.
    let mut noise = Numbers::new(9);
    let again: Vec<f64> =
        first.iter().enumerate().map(|(i, v)| 3.0 * (v + drift(i) + 0.1 * noise.normal()) - 40.0).collect();
    let traces = [
        trace("sub-1", "a", "", &first),
        trace("sub-2", "b", "", &signal(5, 240)),
        trace("sub-3", "c", "", &again),
        trace("sub-4", "d", "", &first[..120]),
    ];
    assert_eq!(found(&traces), [(0, 2, Noticed::SameImage, true), (0, 3, Noticed::SameImage, true)]);
}

#[test]
fn a_table_of_another_run_is_told_apart_from_a_copy_of_the_image() {
    let traces = [
        trace("sub-1", "a", "m", &signal(6, 100)),
        trace("sub-2", "b", "m", &signal(7, 100)),
        trace("sub-3", "c", "", &signal(8, 100)),
        trace("sub-4", "d", "", &signal(9, 100)),
    ];
    assert_eq!(found(&traces), [(0, 1, Noticed::SameMotion, false)]);
}

#[test]
fn short_and_flat_signals_are_not_compared() {
    let short = signal(10, 40);
    let flat = vec![1.0; 100];
    let traces = [
        trace("sub-1", "a", "", &short),
        trace("sub-2", "b", "", &short),
        trace("sub-3", "c", "", &flat),
        trace("sub-4", "d", "", &flat),
    ];
    assert_eq!(found(&traces), []);
}

#[test]
fn unlike_runs_do_not_come_near_the_limit() {
    let traces: Vec<RunTrace> =
        (0..200).map(|run| trace(&format!("sub-{run}"), "", "", &signal(100 + run, 60))).collect();
    let steps: Vec<Vec<f32>> = traces.iter().map(|trace| steps(&trace.signal)).collect();
    let mut largest = 0.0_f64;
    for second in 0..steps.len() {
        (0..second).for_each(|first| largest = largest.max(correlation(&steps[first], &steps[second])));
    }
    // Of 19,900 pairs; some 4.5 standard errors of 0.13.
    assert!((0.4..0.75).contains(&largest), "{largest}");
}

#[test]
fn within_a_child_a_part_of_a_run_is_found_wherever_it_begins() {
    let whole = signal(20, 300);
    let traces = [
        trace("run-1", "a", "", &whole),
        trace("run-2", "b", "", &whole[120..]),
        trace("run-3", "c", "", &signal(21, 300)),
    ];
    let all: Vec<&RunTrace> = traces.iter().collect();
    assert_eq!(twins(&all, 0.99, Among::Children), []);
    let found = twins(&all, 0.99, Among::OneChild);
    assert_eq!(found.iter().map(|twin| (twin.first, twin.second)).collect::<Vec<_>>(), [(0, 1)]);
    // Of 20 unlike runs no two come near at any lag.
    let unlike: Vec<Vec<f32>> = (0..20).map(|run| steps(&trace("", "", "", &signal(300 + run, 150)).signal)).collect();
    for second in 0..unlike.len() {
        for first in 0..second {
            assert!(largest_correlation(&unlike[first], &unlike[second], Among::OneChild) < 0.75);
        }
    }
}

#[test]
fn a_motion_table_written_again_is_known_by_its_fd() {
    let fd = |seed| signal(seed, 120).iter().map(|v| (v - 900.0).abs() / 20.0).collect::<Vec<f64>>();
    let with_fd = |run: &str, fd: &[f64]| RunTrace { fd: digits(fd), ..RunTrace::bare(run, 2.0) };
    let rounded: Vec<f64> = fd(40).iter().map(|v| (v * 100.0).round() / 100.0).collect();
    let traces = [with_fd("sub-1", &fd(40)), with_fd("sub-2", &fd(41)), with_fd("sub-3", &rounded)];
    assert_eq!(found(&traces), [(0, 2, Noticed::SameMotion, true)]);
    // FD that is the same in all frames says nothing.
    let still = [with_fd("sub-1", &[0.1; 120]), with_fd("sub-2", &[0.1; 120])];
    assert_eq!(found(&still), []);
}

/// A still run with one jump, or a restless one with bursts, is like no other at any lag.
#[test]
fn jumps_and_bursts_that_meet_at_some_lag_are_no_copy() {
    let mut numbers = Numbers::new(77);
    let mut still = |jump: f64| -> Vec<f64> {
        let at = 40 + numbers.below(70) as usize;
        (0..150).map(|i| if i == at { jump } else { 0.05 + 0.01 * numbers.normal() }).collect()
    };
    let jumps: Vec<Vec<f64>> = (0..30).map(|run| still(f64::from(run % 3 + 1))).collect();
    let mut restless = |share: f64| -> Vec<f64> {
        let mut moves = false;
        let mut fd = Vec::new();
        for _ in 0..150 {
            // Bursts of ten frames on the average.
            moves = if numbers.even() + 0.5 < 0.1 { numbers.even() + 0.5 < share } else { moves };
            fd.push(if moves { 0.5 + 0.5 * numbers.normal().abs() } else { 0.05 + 0.01 * numbers.normal() });
        }
        fd
    };
    let bursts: Vec<Vec<f64>> = (0..30).map(|run| restless(0.1 + 0.02 * f64::from(run))).collect();
    for runs in [jumps, bursts] {
        let differences = |fd: &Vec<f64>| fd.windows(2).map(|pair| pair[1] - pair[0]).collect::<Vec<f64>>();
        let of_fd: Vec<Vec<f32>> = runs.iter().map(|fd| steps(&digits(fd))).collect();
        let of_signal: Vec<Vec<f32>> = runs.iter().map(|fd| steps(&digits(&differences(fd)))).collect();
        for series in [of_fd, of_signal] {
            for second in 0..series.len() {
                for first in 0..second {
                    let r = largest_correlation(&series[first], &series[second], Among::OneChild);
                    assert!(r < 0.97, "{first} {second}: {r}");
                }
            }
        }
    }
}
