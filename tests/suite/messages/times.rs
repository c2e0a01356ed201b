//! Repetition times: scan table, study file, sidecar, header; and lengths of time in frames or in seconds.

use super::{Case, check, command, hold, study};
use crate::builders::Folder;

/// `pixdim[4]` and `xyzt_units` of a NIfTI-1 header.
const TIME_STEP: usize = 76 + 16;
const UNITS: usize = 123;

/// A case for `keepstill check` that shows notes too.
fn shown(name: &'static str, spoil: impl Fn(&Folder) + 'static) -> Case {
    command(name, &["check", "DIR/study.toml"], spoil)
}

fn header(folder: &Folder, step: f32) {
    folder.patch("bold_01.nii", TIME_STEP, &step.to_le_bytes());
}

fn table(folder: &Folder, tr: &str) {
    folder.edit("runs.tsv", "csf\n", "csf\ttr_s\n");
    folder.edit("runs.tsv", "csf.nii\n", &format!("csf.nii\t{tr}\n"));
}

fn scans(folder: &Folder, tr: &str) {
    folder.edit("study.toml", "table = \"runs.tsv\"", &format!("table = \"runs.tsv\"\ntr_s = {tr}"));
}

fn sidecar(folder: &Folder, tr: &str) {
    folder.write("bold_01.json", &format!("{{\"RepetitionTime\": {tr}}}"));
}

#[test]
fn time_messages() {
    let cases = [
        shown("all sources agree", |folder| {
            table(folder, "0.8");
            scans(folder, "0.8");
            sidecar(folder, "0.8");
            header(folder, 0.8);
        }),
        shown("the scan table comes first", |folder| {
            table(folder, "2.2");
            scans(folder, "2");
            sidecar(folder, "2.2");
        }),
        shown("then the study file", |folder| {
            table(folder, "n/a");
            scans(folder, "2.2");
            sidecar(folder, "2.1");
        }),
        shown("then the sidecar: a converter filled in 1", |folder| {
            sidecar(folder, "2");
            header(folder, 1.0);
        }),
        shown("2.01 for 2", |folder| {
            sidecar(folder, "2");
            header(folder, 2.01);
        }),
        shown("a difference that is rounding", |folder| {
            sidecar(folder, "1.35");
            header(folder, 1.3501);
        }),
        shown("header of 0 and a sidecar", |folder| {
            sidecar(folder, "2");
            header(folder, 0.0);
        }),
        shown("a header in hertz and a sidecar", |folder| {
            sidecar(folder, "2");
            folder.patch("bold_01.nii", UNITS, &[2 | 32]);
        }),
        shown("header of 0 alone", |folder| header(folder, 0.0)),
        shown("milliseconds under the unit of seconds", |folder| {
            table(folder, "2");
            header(folder, 2000.0);
        }),
        shown("milliseconds under the unit of seconds, alone", |folder| header(folder, 2000.0)),
        shown("seconds under the unit of milliseconds", |folder| folder.patch("bold_01.nii", UNITS, &[2 | 16])),
        shown("the time of one excitation", |folder| header(folder, 0.053)),
        shown("a short time that the study file confirms", |folder| {
            scans(folder, "0.15");
            header(folder, 0.15);
        }),
        shown("the time of one excitation, corrected", |folder| {
            table(folder, "2.4");
            header(folder, 0.053);
        }),
        shown("a sidecar in milliseconds", |folder| sidecar(folder, "2000")),
        shown("a sidecar in milliseconds that is not needed", |folder| {
            sidecar(folder, "2000");
            scans(folder, "2");
        }),
        shown("a sidecar that is not JSON and not needed", |folder| {
            folder.write("bold_01.json", "{\"RepetitionTime\": ");
            table(folder, "2");
        }),
        check("span as long as the run", |folder| {
            folder.edit("study.toml", "[clean]", "[motion]\nfd_span_s = 79.5\n\n[clean]");
        }),
        study("length in frames and in seconds", "[clean]", "[censor]\nbefore = 1\nbefore_s = 2\n\n[clean]"),
        study("length in seconds below 0", "[clean]", "[censor]\nshortest_stretch_s = -1\n\n[clean]"),
        study("span in frames", "[clean]", "[motion]\nfd_span_s = \"2 frames\"\n\n[clean]"),
        study("tr_s in milliseconds", "table = \"runs.tsv\"", "table = \"runs.tsv\"\ntr_s = 2000"),
        study("tr_s of 0", "table = \"runs.tsv\"", "table = \"runs.tsv\"\ntr_s = 0"),
        study("tr_s in quotes", "table = \"runs.tsv\"", "table = \"runs.tsv\"\ntr_s = \"2 s\""),
    ];
    hold("times.txt", 25, &cases);
}
