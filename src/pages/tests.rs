use std::path::PathBuf;

use proptest::prelude::*;

use super::encode::{base64, groups, one_byte, rounded, two_bytes};
use super::*;
use crate::censor::Reason;
use crate::discover::{ScanId, ScanProblem};
use crate::motion::respiration::{BreathingBand, RespirationError, RespirationFilter};
use crate::pipeline::ScanError;
use crate::record::{ReportRow, Verdict};
use crate::remark::Remark;
use crate::units::Seconds;

fn line(stem: &str) -> CohortLine {
    CohortLine {
        stem: stem.to_owned(),
        participant_id: "sub-01".to_owned(),
        session_id: None,
        run_id: None,
        results_digest: "ab".repeat(32),
        page: Some("sub-01/func/sub-01_report.html".to_owned()),
        verdict: Verdict::Enough,
        problem: None,
        minutes: 10.0,
        minutes_kept: 7.5,
        mean_fd_mm: f64::NAN,
        longest_stretch_s: 90.0,
        warnings: 0,
        minutes_at_limits: vec![1.0, 2.5],
        strip: vec![StripRun { frames: 3, fd: base64(&[0, 9, 255]), why: "003".to_owned() }],
        covariates: vec!["COVARIATE".to_owned()],
    }
}

fn cohort(rows: Vec<CohortLine>) -> CohortData {
    CohortData {
        study: "Lantern </script><script>alert(1)</script> & \"Island\"".to_owned(),
        version: "0".to_owned(),
        fd_limit_mm: 0.2,
        minutes_asked: 5.0,
        limits_mm: vec![Some(0.2), None],
        covariates: vec!["arm_of_study".to_owned()],
        rows,
    }
}

fn child() -> ChildData {
    let id = ScanId { participant: "01".to_owned(), session: None, task: None, run: None };
    let mut row = ReportRow::failed(&id, Some(Remark::about_data("{settings} <b>bad</b>")));
    row.verdict = Verdict::TooShort;
    row.sphere_radius_mm = 43.21;
    row.sphere_radius_from = "by age, 14 months".to_owned();
    row.warnings = vec![Remark::about_data("<img src=x onerror=alert(1)>")];
    ChildData {
        study: "Study".to_owned(),
        version: "0".to_owned(),
        stem: "sub-01".to_owned(),
        results_digest: "cd".repeat(32),
        fd_limit_mm: 0.2,
        fd_form: "sum".to_owned(),
        minutes_asked: 5.0,
        joined: row.clone(),
        settings: serde_json::json!({ "study": { "name": "Study" }, "motion": { "sphere_radius": "by-age" } }),
        limits_mm: vec![Some(0.2), None],
        atlases: Vec::new(),
        runs: vec![ChildRun {
            row,
            name: "sub-01_run-1".to_owned(),
            fd_mm: vec![None, Some(0.125)],
            dvars_percent: vec![None, Some(1.5)],
            global_percent: vec![Some(0.0), Some(-0.5)],
            why: "03".to_owned(),
            log: Vec::new(),
            minutes_at_limits: vec![1.0, 2.0],
            series: Vec::new(),
            slices: Vec::new(),
            spectrum: None,
        }],
        matrices: Vec::new(),
        left_out: Vec::new(),
        blinded: false,
    }
}

const REVIEW: Review<'_> = Review { token: "tok\"en", nonce: "n0nce", blinded: true };

#[test]
fn pages_give_their_data_back() {
    let data = cohort(vec![line("sub-01"), line("sub-02</script>")]);
    for mode in [Mode::File, Mode::Review(&REVIEW)] {
        let mut back = cohort_data(&cohort_page(&data, mode)).unwrap();
        // NaN is no value equal to itself.
        back.rows.iter_mut().for_each(|row| {
            assert!(row.mean_fd_mm.is_nan());
            row.mean_fd_mm = 0.0;
        });
        let mut given = data.clone();
        given.rows.iter_mut().for_each(|row| row.mean_fd_mm = 0.0);
        assert_eq!(back, given);
    }
    let html = child_page(&child(), Mode::File);
    let back = child_data(&html).unwrap();
    assert_eq!(back.runs[0].fd_mm, child().runs[0].fd_mm);
    assert!(matches!(child_data("<html></html>"), Err(PageError::NoData)));
    assert!(matches!(cohort_data(&html), Err(PageError::Damaged(_))));
}

#[test]
fn no_text_becomes_markup() {
    let cohort = cohort(vec![line("sub-02</script><script>alert(1)</script>")]);
    for mode in [Mode::File, Mode::Review(&REVIEW)] {
        for html in [cohort_page(&cohort, mode), child_page(&child(), mode)] {
            assert!(!html.contains("alert(1)</script>"), "{html}");
            assert!(!html.contains("<img"));
            assert!(!html.contains("<b>bad"));
            // Data and the page's own script, nothing else.
            assert_eq!(html.matches("<script").count(), 2);
            assert_eq!(html.matches("</script>").count(), 2);
            assert!(html.contains("not for diagnosis"));
        }
    }
    // What is filled in is not taken for a place to fill.
    assert!(child_page(&child(), Mode::File).contains("{settings} &lt;b&gt;bad&lt;/b&gt;"));
}

#[test]
fn a_page_as_a_file_forbids_itself_requests_and_a_served_one_goes_by_its_nonce() {
    let data = cohort(vec![line("sub-01")]);
    let file = cohort_page(&data, Mode::File);
    assert!(file.contains("default-src 'none'"));
    assert!(!file.contains("<meta name=\"keepstill-token\""));
    let served = cohort_page(&data, Mode::Review(&REVIEW));
    assert!(served.contains("<meta name=\"keepstill-token\" content=\"tok&quot;en\">"));
    assert_eq!(served.matches(" nonce=\"n0nce\"").count(), 2);
    for html in [&file, &served, &child_page(&child(), Mode::File)] {
        assert!(!html.contains(" style=\""), "a policy by nonce lets no style attribute through");
        // The one address is the name of the SVG language.
        assert_eq!(html.matches("http").count() - html.matches("http-equiv").count(), 1);
        assert!(html.contains("http://www.w3.org/2000/svg"));
    }
}

#[test]
fn blinding_takes_away_what_tells_age() {
    let data = cohort(vec![line("sub-01")]);
    let html = cohort_page(&data.blinded(), Mode::Review(&REVIEW));
    assert!(!html.contains("COVARIATE") && !html.contains("arm_of_study"));
    let html = child_page(&child().blinded(), Mode::Review(&REVIEW));
    assert!(!html.contains("43.2") && !html.contains("14 months"));
    assert!(child_page(&child(), Mode::Review(&REVIEW)).contains("14 months"));
}

/// Whether a blinded reviewer sees a remark, as a problem and as a warning, on both pages.
fn is_shown(remark: &Remark) -> bool {
    let mut data = cohort(vec![line("sub-01")]);
    data.rows[0].problem = Some(remark.clone());
    let mut one = child();
    for row in [&mut one.joined, &mut one.runs[0].row] {
        row.problem = Some(remark.clone());
        row.warnings = vec![remark.clone()];
    }
    let pages =
        [cohort_page(&data.blinded(), Mode::Review(&REVIEW)), child_page(&one.blinded(), Mode::Review(&REVIEW))];
    // In the page's data, where scripts take it from, and in what stands there without a script.
    let in_data = serde_json::to_string(&remark.text).unwrap();
    let forms = [in_data.trim_matches('"'), &escape(&remark.text)];
    let shown = pages.each_ref().map(|html| forms.iter().any(|form| html.contains(form)));
    for (html, shown) in pages.iter().zip(shown) {
        assert_eq!(html.contains("a message here that is hidden"), !shown, "{remark}");
    }
    assert_eq!(shown[0], shown[1], "{remark}");
    shown[0]
}

/// One problem of each kind that discovery can find with a scan.
fn scan_problems() -> Vec<ScanProblem> {
    let (path, other) = (PathBuf::from("group/participants.tsv"), PathBuf::from("age_group.tsv"));
    let (what, line, found) = ("motion", 2, "female".to_owned());
    let (place, folder, files) = ("runs.tsv line 2".to_owned(), "sub-02".to_owned(), "a, b".to_owned());
    vec![
        ScanProblem::Age {
            path: path.clone(),
            line,
            column: "age".to_owned(),
            found: "'23.3y'".to_owned(),
            unit: "months",
        },
        ScanProblem::EmptyCell { path: path.clone(), line, column: "bold", instead: "name the image" },
        ScanProblem::Label { place: place.clone(), what: "participant", found: found.clone() },
        ScanProblem::RepetitionTime { place, found: found.clone(), seconds: None },
        ScanProblem::NoFile { what, path: path.clone(), named_in: "the column 'motion'".to_owned() },
        ScanProblem::DeadLink { what, path: path.clone() },
        ScanProblem::IsFolder { what, path: path.clone() },
        ScanProblem::Needed { what, wanted: "which motion.from asks for", instead: "fill in the column".to_owned() },
        ScanProblem::SameRun { path: path.clone(), line, other: 3 },
        ScanProblem::SharedFile { what, path: path.clone(), other: "sub-02".to_owned() },
        ScanProblem::SeveralFiles { count: 2, files, advice: "keep one".to_owned() },
        ScanProblem::FileName { path: path.clone(), part: "age".to_owned() },
        ScanProblem::Misplaced { path: path.clone(), found, folder },
        ScanProblem::Sidecar { path: path.clone(), reason: "column 3 is no JSON".to_owned() },
        ScanProblem::TwoSidecars { first: path, second: other, first_s: 2.0, second_s: 2.2 },
    ]
}

#[test]
fn blinding_takes_away_the_problems_of_a_scan_that_tell_its_child_and_no_others() {
    let tells = |p: &ScanProblem| matches!(p, ScanProblem::Age { .. });
    for problem in scan_problems() {
        assert_eq!(is_shown(&Remark::from(&problem)), !tells(&problem), "{problem}");
    }
}

/// Every age and repetition time at which breathing cannot be filtered out.
#[test]
fn blinding_takes_away_breathing_rates_that_go_by_age_and_no_others() {
    let mut refused = [0; 3];
    for (age, tr_s) in
        [1.0, 5.0, 20.0, 30.0, 60.0, 200.0].into_iter().flat_map(|age| [1.0, 2.0, 3.0].map(|tr| (age, tr)))
    {
        let band = BreathingBand::by_age(age).unwrap();
        let Err(error) = RespirationFilter::notch(band, Seconds(tr_s)) else { continue };
        let kind = match error {
            RespirationError::ReachesZero { .. } => 0,
            RespirationError::ReachesFarDown { .. } => 1,
            RespirationError::CoversEverything { .. } => 2,
            other => panic!("{other}"),
        };
        refused[kind] += 1;
        let remark = |source| Remark::from(ScanError::Respiration { path: PathBuf::from("a.nii"), source });
        assert!(!is_shown(&remark(error.clone())), "{error}");
        // The same rates, given by the study, tell nobody's age.
        let same = BreathingBand::given(band.per_min()).unwrap();
        let given = RespirationFilter::notch(same, Seconds(tr_s)).unwrap_err();
        assert_eq!(given.to_string(), error.to_string());
        assert!(is_shown(&remark(given)));
    }
    assert!(refused.iter().all(|times| *times > 0), "{refused:?}");
    let source = BreathingBand::by_age(f64::NAN).unwrap_err();
    assert!(!is_shown(&Remark::from(ScanError::Respiration { path: PathBuf::from("a.nii"), source })));
}

#[test]
fn a_message_of_an_unmarked_page_is_hidden() {
    let mut stored = serde_json::json!(cohort(vec![line("sub-01")]));
    stored["rows"][0]["problem"] = serde_json::json!("image.nii is cut short");
    let data: CohortData = serde_json::from_value(stored).unwrap();
    assert_eq!(data.rows[0].problem.as_ref().unwrap().text, "image.nii is cut short");
    assert!(!cohort_page(&data.blinded(), Mode::Review(&REVIEW)).contains("cut short"));
}

#[test]
fn blinding_takes_away_a_spectrum_that_a_filter_by_age_went_through() {
    for (respiration, shown) in [("leave", true), ("notch", false), ("low-pass", false)] {
        let mut data = child();
        data.settings = serde_json::json!({ "motion": { "respiration": respiration } });
        data.runs[0].spectrum = Some(Spectrum {
            nyquist_hz: 0.25,
            hz: vec![0.1],
            decibels: vec![vec![0.0]; 6],
            peaks_hz: vec![0.1; 6],
            breathing_band_hz: Some([0.1, 0.2]),
        });
        let blinded = data.blinded().runs[0].spectrum.clone();
        assert_eq!(blinded.is_some(), shown, "{respiration}");
        assert!(blinded.is_none_or(|s| s.breathing_band_hz.is_none()));
    }
}

#[test]
fn sentences_do_not_contradict_themselves() {
    let mut data = child();
    data.joined.minutes_kept = 4.98;
    let html = child_page(&data, Mode::File);
    assert!(html.contains("Too short: 4.98 minutes are kept, but 5 are required."), "{html}");
    // Sessions or runs that stand alone are no children.
    let twice = cohort_page(&cohort(vec![line("sub-01_ses-1"), line("sub-01_ses-2")]), Mode::File);
    assert!(twice.contains("2 of 2 rows (of 1 child) have enough data"));
    assert!(cohort_page(&cohort(vec![line("sub-01")]), Mode::File).contains("1 of 1 child has enough data"));
}

#[test]
fn the_legend_counts_what_the_ribbons_show() {
    let html = child_page(&child(), Mode::File);
    assert!(html.contains("kept: 1 frame<") && html.contains("moved: 1 frame<"), "{html}");
}

/// The scripts know reasons by their position, and where a skyline ends.
#[test]
fn the_scripts_words_are_the_reasons_of_censoring() {
    let script = include_str!("page/common.js");
    let words = std::iter::once("kept".to_owned()).chain(Reason::ALL.iter().map(|r| r.key().replace('_', " ")));
    let list = words.map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(", ");
    assert!(script.contains(&format!("const WORDS = [{list}];")), "{list}");
    assert!(script.contains(&format!("const TOP_LIMITS = {STRIP_TOP_LIMITS};")));
}

#[test]
fn base64_as_in_the_standard() {
    // RFC 4648, section 10.
    for (text, expected) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")] {
        assert_eq!(base64(text.as_bytes()), expected);
    }
    assert_eq!(base64(&[0xfb, 0xff]), "+/8=");
}

#[test]
fn values_are_packed_in_ten_thousandths() {
    let back = |v: f64| i16::from_le_bytes(two_bytes(v));
    assert_eq!([back(0.12345), back(-1.0), back(9.0), back(-9.0)], [1235, -10_000, 32_767, -32_767]);
    assert_eq!(back(f64::NAN), i16::MIN);
    let small = |v: f64| i8::from_le_bytes([one_byte(v)]);
    assert_eq!([small(0.5), small(-1.0), small(2.0), small(f64::NAN)], [63, -125, 127, i8::MIN]);
    assert_eq!([rounded(0.12345, 3), rounded(f64::NAN, 3)], [Some(0.123), None]);
}

proptest! {
    #[test]
    fn groups_cover_every_frame_once(frames in 1_usize..2000, wanted in 1_usize..400) {
        let found: Vec<_> = groups(frames, wanted).collect();
        prop_assert!(found.len() <= wanted && found.iter().all(|g| !g.is_empty()));
        let all: Vec<usize> = found.into_iter().flatten().collect();
        prop_assert_eq!(all, (0..frames).collect::<Vec<_>>());
    }
}
