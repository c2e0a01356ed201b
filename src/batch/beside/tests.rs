use super::*;
use crate::discover::ScanId;
use crate::record::ReportRow;
use crate::test_numbers::Numbers;

fn notice() -> NoticeSettings {
    NoticeSettings {
        small_fd_mm: 0.005,
        large_fd_mm: 5.0,
        unlike_site_sd: 4.0,
        least_fd_dvars_r: 0.1,
        same_r: 0.99,
        short_run_s: 60.0,
    }
}

/// A child with this mean FD, and one run of this TR.
fn child(number: usize, mean_fd_mm: f64, tr_s: f64) -> (String, CohortRow) {
    let id = ScanId { participant: number.to_string(), session: None, task: None, run: None };
    let mut row = ReportRow::failed(&id, None);
    row.mean_fd_mm = mean_fd_mm;
    let row = CohortRow {
        participant: number.to_string(),
        row,
        runs: 1,
        runs_joined: 1,
        results_digest: String::new(),
        strip: Vec::new(),
        minutes_at_limits: Vec::new(),
        traces: vec![RunTrace::bare(&id.to_string(), tr_s)],
        failed: Vec::new(),
        beside: Vec::new(),
    };
    (format!("sub-{number}"), row)
}

fn codes(rows: &[(String, CohortRow)]) -> Vec<Vec<Noticed>> {
    of_cohort(rows, &notice()).iter().map(|remarks| crate::remark::codes(remarks)).collect()
}

#[test]
fn a_table_in_metres_stands_out_among_others() {
    let mut rows: Vec<_> = (0..10).map(|n| child(n, 0.1 + 0.02 * n as f64, 2.0)).collect();
    rows[3].1.row.mean_fd_mm = 0.16 / 1000.0;
    let found = codes(&rows);
    assert_eq!(found[3], [Noticed::UnlikeSite]);
    assert!(found.iter().enumerate().all(|(row, codes)| row == 3 || codes.is_empty()));
    // Seven children have no usual motion.
    assert!(codes(&rows[..7]).iter().all(Vec::is_empty));
}

#[test]
fn sound_children_hardly_ever_stand_out_however_few_and_however_skewed_their_motion() {
    for children in [8, 12, 20, 60] {
        let mut numbers = Numbers::new(children as u64);
        let cohorts = 4000 / children;
        let mut found = 0;
        for _ in 0..cohorts {
            // Log-normal, with an SD of the log of 0.7, and a tail of children who hardly lie still.
            let fd = |numbers: &mut Numbers| (0.7 * numbers.normal() + numbers.even().max(0.3) * 3.0).exp() * 0.1;
            let rows: Vec<_> = (0..children).map(|n| child(n, fd(&mut numbers), 2.0)).collect();
            found += codes(&rows).iter().filter(|codes| !codes.is_empty()).count();
        }
        assert!(found * 200 < cohorts * children, "{children}: {found} of {}", cohorts * children);
    }
}

#[test]
fn a_dummy_tr_is_told_and_a_cohort_of_two_scanners_is_not() {
    let mut rows: Vec<_> = (0..10).map(|n| child(n, 0.1, 2.0)).collect();
    rows[7] = child(7, 0.1, 1.0);
    let found = codes(&rows);
    assert_eq!(found[7], [Noticed::TrDiffers]);
    assert_eq!(found.iter().filter(|codes| !codes.is_empty()).count(), 1);
    let two: Vec<_> = (0..10).map(|n| child(n, 0.1, if n % 2 == 0 { 2.0 } else { 0.8 })).collect();
    assert!(codes(&two).iter().all(Vec::is_empty));
    // Runs of one child that differ are told, whatever the others have.
    rows[7].1.traces = vec![RunTrace::bare("sub-7_run-1", 2.0), RunTrace::bare("sub-7_run-2", 2.5)];
    assert_eq!(codes(&rows)[7], [Noticed::TrDiffers]);
}
