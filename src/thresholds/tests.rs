use ndarray::Array1;

use super::*;
use crate::censor::usual_limits;
use crate::discover::ScanId;

const TR: Seconds = Seconds(2.0);

fn settings() -> CensorSettings {
    CensorSettings {
        fd_mm: 0.2,
        dvars_percent: 0.0,
        before: Length::Frames(1),
        after: Length::Frames(2),
        shortest_stretch: Length::Frames(3),
        settling: Settling::Frames(0),
        watch_log: true,
        watch_log_types: Vec::new(),
    }
}

/// Frames kept, by asking of each frame whether anything drops it.
fn slow_twin(
    fd: &[f64],
    (aligned, logged, settling): (&[bool], &[bool], usize),
    settings: &CensorSettings,
    limit: Option<f64>,
    neighbours: bool,
) -> usize {
    let frames = fd.len() as isize;
    let moved = |i: isize| {
        (0..frames).contains(&i) && limit.is_some_and(|limit| fd[i as usize] > limit || !aligned[i as usize])
    };
    let (before, after) =
        if neighbours { (settings.before.frames(TR) as isize, settings.after.frames(TR) as isize) } else { (0, 0) };
    let open = |i: isize| {
        (0..frames).contains(&i)
            && i >= settling as isize
            && aligned[i as usize]
            && !(settings.watch_log && logged[i as usize])
            && !(i - after..=i + before).any(moved)
    };
    // A frame stays if some stretch of the shortest length around it is open from end to end.
    let shortest = settings.shortest_stretch.frames(TR).max(1) as isize;
    let stays = |i: isize| (i - shortest + 1..=i).any(|start| (start..start + shortest).all(open));
    (0..frames).filter(|&i| stays(i)).count()
}

#[test]
fn every_small_pattern_is_as_the_slow_twin_says() {
    let limits = [Some(0.1), Some(0.2), Some(0.3), None];
    let choices = choices(&limits);
    assert_eq!(choices.len(), 16);
    let mut settings = settings();
    for pattern in 0u32..4u32.pow(6) {
        let sum: Vec<f64> =
            (0..8).map(|i| if i == 0 { f64::NAN } else { 0.1 * f64::from(pattern / 4u32.pow(i % 6) % 4) }).collect();
        let rms: Vec<f64> = sum.iter().rev().map(|v| if v.is_nan() { 0.25 } else { *v }).collect();
        let logged: Vec<bool> = (0..8).map(|i| pattern % 5 == 0 && i == pattern % 8).collect();
        settings.watch_log = pattern % 3 != 0;
        let settling = (pattern % 2) as usize;
        let aligned: Vec<bool> = (0..8).map(|i| pattern % 7 != 0 || i != pattern % 8).collect();
        settings.shortest_stretch = Length::Frames((pattern % 4) as usize);
        // Must be of no effect.
        settings.dvars_percent = f64::from(pattern % 2) * 5.0;
        settings.fd_mm = f64::from(pattern % 3);
        let fd = FramewiseDisplacement { sum_mm: Array1::from_vec(sum.clone()), rms_mm: Array1::from_vec(rms.clone()) };
        let run = RunFrames { fd, aligned: &aligned, logged: &logged, settling, tr: TR };
        let kept = frames_kept(&run, &settings, &choices);
        for (choice, kept) in choices.iter().zip(kept) {
            let fd = if choice.displacement == Displacement::Sum { &sum } else { &rms };
            let twin = slow_twin(fd, (&aligned, &logged, settling), &settings, choice.limit_mm, choice.neighbours);
            assert_eq!(kept, twin, "{pattern} {choice:?} {fd:?} {settings:?}");
        }
    }
}

#[test]
fn choices_are_in_order_and_once() {
    let limits = |choices: &[Choice]| choices.iter().map(|c| c.limit_mm).collect::<Vec<_>>();
    let some = choices(&[None, Some(0.3), Some(0.2), None, Some(0.3)]);
    assert_eq!(some.len(), 12);
    for four in some.chunks(3) {
        assert_eq!(limits(four), [Some(0.2), Some(0.3), None]);
    }
    let kinds: Vec<(Displacement, bool)> = some.chunks(3).map(|c| (c[0].displacement, c[0].neighbours)).collect();
    let (sum, rms) = (Displacement::Sum, Displacement::Rms);
    assert_eq!(kinds, [(sum, true), (sum, false), (rms, true), (rms, false)]);
}

#[test]
fn the_usual_grid_has_the_studys_own_limit_and_none() {
    let mut settings = settings();
    assert_eq!(choices(&usual_limits(&settings)).len(), 4 * 20);
    settings.fd_mm = 0.22;
    let grid = choices(&usual_limits(&settings));
    assert_eq!(grid.len(), 4 * 21);
    let limits: Vec<Option<f64>> = grid[..5].iter().map(|c| c.limit_mm).collect();
    assert_eq!(limits, [Some(0.1), Some(0.15), Some(0.2), Some(0.22), Some(0.25)]);
    settings.fd_mm = 0.0;
    assert_eq!(choices(&usual_limits(&settings)).len(), 4 * 20);
}

fn child(name: &str, runs_read: usize, minutes_kept: f64) -> ChildMinutes {
    let id = ScanId { participant: name.to_owned(), session: None, task: None, run: None };
    let group = Group::of(&id, crate::study::settings::Join::Runs);
    ChildMinutes { group, runs: 1, runs_read, minutes: 12.0, minutes_kept: vec![minutes_kept; 4] }
}

#[test]
fn exactly_the_minimum_is_enough_and_who_could_not_be_read_is_not_counted() {
    let children = vec![
        child("a", 1, 5.0),
        child("b", 1, 4.999),
        child("c", 0, f64::NAN),
        child("d", 1, 10.5),
        child("e", 1, 0.0),
        // Six runs of 100 frames of 0.8 s are 8 minutes, but for rounding.
        child("f", 6, [100.0 * 0.8 / 60.0; 6].iter().sum()),
    ];
    assert!(children[5].minutes_kept[0] < 8.0);
    let found = Thresholds {
        choices: choices(&[Some(0.2)]),
        children,
        scans: Vec::new(),
        notes: Vec::new(),
        own_limit_mm: Some(0.2),
    };
    for row in found.rows() {
        assert_eq!((row.children_above, row.children), ([4, 3, 2, 1], 5));
        assert!((row.median_minutes_kept - 5.0).abs() < 1e-12);
    }
    let table = String::from_utf8(minutes_table(&found)).unwrap();
    assert!(table.contains("sub-c\tn/a\tn/a\tsub-c\t0.2\tsum\t1\tn/a\tn/a\n"), "{table}");
    assert!(table.contains("sub-d\tn/a\tn/a\tsub-d\t0.2\trms\t0\t12\t10.5\n"), "{table}");
    assert_eq!(thresholds_table(&found).lines().nth(1), Some("0.2\tsum\t1\t4\t3\t2\t1\t5\t5"));
}
