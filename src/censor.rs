//! Censoring: which frames are dropped, and why.
//!
//! The order of reasons is: settling, no pose found, FD, DVARS, watch log, neighbours of FD and DVARS frames (not of
//! logged ones), then kept stretches shorter than `shortest_stretch`. Neighbours and stretches are given in frames,
//! or in seconds, which are rounded up to whole frames. The columns `dropped_settling` to `dropped_short_stretch`
//! count each dropped frame once, by its first reason. A threshold drops values strictly above it. Power et al. 2014,
//! NeuroImage 84:320. A frame without a pose has moved too much, or too oddly, to be measured: where FD is censored,
//! its neighbours go as those of a moved frame do (own convention).
//!
//! Every frame is judged for every reason, so a frame may carry several. Two reasons are given to fewer frames:
//! `beside_motion` only to frames that neither moved nor jumped themselves, `short_stretch` only to frames that nothing
//! else drops.

mod per_reason;
mod reason;
pub mod settling;

use ndarray::ArrayView1;

use crate::stretches::stretches;
use crate::study::settings::CensorSettings;
use crate::units::Seconds;

pub use per_reason::PerReason;
pub use reason::Reason;

/// The decision on each frame of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FrameMask {
    /// Reasons of each frame, in order; none: kept.
    reasons: Vec<Vec<Reason>>,
}

impl FrameMask {
    /// Whether each frame is kept.
    #[must_use]
    pub fn kept(&self) -> Vec<bool> {
        self.reasons.iter().map(Vec::is_empty).collect()
    }

    /// Reasons of each frame.
    #[must_use]
    pub fn reasons(&self) -> &[Vec<Reason>] {
        &self.reasons
    }

    /// Number of kept frames (`frames_kept`; over all frames, `kept_share`).
    #[must_use]
    pub fn frames_kept(&self) -> usize {
        self.reasons.iter().filter(|r| r.is_empty()).count()
    }

    /// Frames dropped, each counted once under its first reason.
    #[must_use]
    pub fn dropped(&self) -> PerReason<usize> {
        let mut counts = PerReason::default();
        for first in self.reasons.iter().filter_map(|r| r.first()) {
            counts[*first] += 1;
        }
        counts
    }

    /// Frames in the longest kept stretch (`longest_stretch_s` once multiplied by the repetition time).
    #[must_use]
    pub fn longest_stretch(&self) -> usize {
        stretches(&self.kept()).into_iter().map(|(start, end)| end - start).max().unwrap_or(0)
    }
}

/// The limits that are tried when none are asked for: 0.1 to 1.0 mm in steps of 0.05, the study's own, and no limit.
/// The grid is this project's own convention, around the 0.2 and 0.5 mm of Power et al. 2012 and 2014.
#[must_use]
pub fn usual_limits(censor: &CensorSettings) -> Vec<Option<f64>> {
    let grid = (10..=100).step_by(5).map(|hundredths| Some(f64::from(hundredths) / 100.0));
    let mut limits: Vec<Option<f64>> = grid.chain([own_limit(censor), None]).collect();
    let key = |limit: &Option<f64>| limit.unwrap_or(f64::INFINITY);
    limits.sort_by(|a, b| key(a).total_cmp(&key(b)));
    limits.dedup();
    limits
}

/// The settings' own limit of displacement, mm; `None` for no limit.
#[must_use]
pub fn own_limit(censor: &CensorSettings) -> Option<f64> {
    (censor.fd_mm > 0.0).then_some(censor.fd_mm)
}

/// Decides on each frame.
///
/// `fd_mm` and `dvars_percent` hold NaN where there is no value; `aligned` says which frames have a pose, `logged` is
/// from the watch log; all have one entry per frame. `settling` frames are cut from the start. With `tr`, lengths that
/// are given in seconds become frames.
///
/// # Panics
/// When the lengths differ.
#[must_use]
pub fn censor(
    fd_mm: ArrayView1<'_, f64>,
    dvars_percent: ArrayView1<'_, f64>,
    aligned: &[bool],
    logged: &[bool],
    settling: usize,
    tr: Seconds,
    settings: &CensorSettings,
) -> FrameMask {
    let [before, after, shortest_stretch] =
        [settings.before, settings.after, settings.shortest_stretch].map(|length| length.frames(tr));
    let frames = fd_mm.len();
    let lengths = [dvars_percent.len(), aligned.len(), logged.len()];
    assert!(lengths.iter().all(|&length| length == frames), "one value per frame");
    let above = |value: f64, limit: f64| limit > 0.0 && value > limit;
    let moved: Vec<bool> = fd_mm.iter().map(|&v| above(v, settings.fd_mm)).collect();
    let jumped: Vec<bool> = dvars_percent.iter().map(|&v| above(v, settings.dvars_percent)).collect();

    let mut beside = vec![false; frames];
    let lost = |i: usize| !aligned[i] && settings.fd_mm > 0.0;
    for i in (0..frames).filter(|&i| moved[i] || jumped[i] || lost(i)) {
        let end = i.saturating_add(after).saturating_add(1).min(frames);
        beside[i.saturating_sub(before)..end].fill(true);
    }

    let mut reasons: Vec<Vec<Reason>> = (0..frames)
        .map(|i| {
            let flags = [
                (i < settling, Reason::Settling),
                (!aligned[i], Reason::Unaligned),
                (moved[i], Reason::Moved),
                (jumped[i], Reason::SignalJump),
                (settings.watch_log && logged[i], Reason::Logged),
                (beside[i] && !moved[i] && !jumped[i] && !lost(i), Reason::BesideMotion),
            ];
            flags.into_iter().filter_map(|(applies, reason)| applies.then_some(reason)).collect()
        })
        .collect();

    let kept: Vec<bool> = reasons.iter().map(Vec::is_empty).collect();
    for (start, end) in stretches(&kept) {
        if end - start < shortest_stretch {
            reasons[start..end].iter_mut().for_each(|r| r.push(Reason::ShortStretch));
        }
    }
    FrameMask { reasons }
}

#[cfg(test)]
mod tests {
    use ndarray::Array1;

    use super::*;
    use crate::study::settings::{Length, Settling};

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

    fn words(mask: &FrameMask) -> Vec<String> {
        let join = |r: &Vec<Reason>| r.iter().map(|r| r.key()).collect::<Vec<_>>().join(";");
        mask.reasons().iter().map(join).collect()
    }

    fn counts(mask: &FrameMask) -> Vec<usize> {
        mask.dropped().iter().map(|(_, count)| *count).collect()
    }

    #[test]
    fn neighbours_and_short_stretches() {
        let mut fd = Array1::from_elem(14, 0.1);
        fd[0] = f64::NAN;
        fd[3] = 0.5;
        fd[8] = 0.2; // not strictly above
        fd[9] = 0.21;
        let nan = Array1::from_elem(14, f64::NAN);
        let mask = censor(fd.view(), nan.view(), &[true; 14], &[false; 14], 0, TR, &settings());
        let expected = [
            "short_stretch",
            "short_stretch",
            "beside_motion",
            "moved",
            "beside_motion",
            "beside_motion",
            "short_stretch",
            "short_stretch",
            "beside_motion",
            "moved",
            "beside_motion",
            "beside_motion",
            "short_stretch",
            "short_stretch",
        ];
        assert_eq!(words(&mask), expected);
        assert_eq!(counts(&mask), [0, 0, 2, 0, 0, 6, 6]);
        assert_eq!(mask.longest_stretch(), 0);
    }

    #[test]
    fn several_reasons_in_their_order_and_each_frame_counted_once() {
        let fd = Array1::from_vec(vec![f64::NAN, 0.9, 0.1, 0.1, 0.1, 0.1, 0.1]);
        let dvars = Array1::from_vec(vec![f64::NAN, 9.0, 9.0, 0.0, 0.0, 0.0, 0.0]);
        let logged = [false, true, false, false, false, false, true];
        let mut settings = settings();
        (settings.dvars_percent, settings.shortest_stretch) = (5.0, Length::Frames(1));
        settings.after = Length::Frames(1);
        let mask = censor(fd.view(), dvars.view(), &[true; 7], &logged, 2, TR, &settings);
        let expected = [
            "settling;beside_motion",
            "settling;moved;signal_jump;logged",
            "signal_jump",
            "beside_motion",
            "",
            "",
            "logged",
        ];
        assert_eq!(words(&mask), expected);
        assert_eq!(counts(&mask), [2, 0, 0, 1, 1, 1, 0]);
        assert_eq!(mask.frames_kept(), 2);
        assert_eq!(mask.longest_stretch(), 2);
    }

    #[test]
    fn a_logged_frame_has_no_neighbours_and_zero_turns_a_limit_off() {
        let fd = Array1::from_elem(5, 3.0);
        let mut settings = settings();
        (settings.fd_mm, settings.shortest_stretch) = (0.0, Length::Frames(1));
        let mask = censor(fd.view(), fd.view(), &[true; 5], &[false, false, true, false, false], 0, TR, &settings);
        assert_eq!(words(&mask), ["", "", "logged", "", ""]);
    }

    proptest::proptest! {
        /// Seconds drop what their frames drop, counted by hand: the fewest frames that last as long.
        #[test]
        fn seconds_are_frames_rounded_up(
            moved in proptest::collection::vec(0_usize..10, 40), tenths in proptest::array::uniform3(0_u32..60),
            tr_tenths in 3_u32..35,
        ) {
            let fd: Array1<f64> = moved.iter().map(|&m| if m == 0 { 0.5 } else { 0.1 }).collect();
            let nan = Array1::from_elem(40, f64::NAN);
            let tr = Seconds(f64::from(tr_tenths) / 10.0);
            let decided = |lengths: [Length; 3]| {
                let [before, after, shortest_stretch] = lengths;
                let settings = CensorSettings { before, after, shortest_stretch, ..settings() };
                censor(fd.view(), nan.view(), &[true; 40], &[false; 40], 0, tr, &settings)
            };
            let in_seconds = decided(tenths.map(|tenths| Length::Seconds(f64::from(tenths) / 10.0)));
            let in_frames = decided(tenths.map(|tenths| Length::Frames(tenths.div_ceil(tr_tenths) as usize)));
            proptest::prop_assert_eq!(in_seconds, in_frames);
        }
    }

    #[test]
    fn a_frame_without_a_pose_goes_with_its_neighbours_where_motion_is_censored() {
        let fd = Array1::from_vec(vec![f64::NAN, 0.1, f64::NAN, 0.1, 0.1, 0.1, 0.1]);
        let aligned = [true, true, false, true, true, true, true];
        let mut settings = settings();
        settings.shortest_stretch = Length::Frames(1);
        let mask = censor(fd.view(), fd.view(), &aligned, &[false; 7], 0, TR, &settings);
        assert_eq!(words(&mask), ["", "beside_motion", "unaligned", "beside_motion", "beside_motion", "", ""]);
        assert_eq!(counts(&mask), [0, 1, 0, 0, 0, 3, 0]);
        settings.fd_mm = 0.0;
        let mask = censor(fd.view(), fd.view(), &aligned, &[false; 7], 3, TR, &settings);
        assert_eq!(words(&mask), ["settling", "settling", "settling;unaligned", "", "", "", ""]);
    }
}
