//! Settings and data at their limits: whatever is asked, a scan ends with numbers or with a reason, never with a fault.

use keepstill::study::settings::MOTION_COLUMNS;

use crate::builders::{Folder, SHAPE, Tiny, cells, motion_table};

/// One extreme: sections to add, and what to do to the files.
struct Extreme {
    name: &'static str,
    settings: &'static str,
    spoil: fn(&Folder),
    verdict: &'static str,
}

const fn extreme(name: &'static str, settings: &'static str, verdict: &'static str) -> Extreme {
    Extreme { name, settings, spoil: |_| {}, verdict }
}

/// Runs it, and checks the form of every table: as many cells per row as columns, numbers finite or n/a.
fn hold(extreme: &Extreme) {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    // Sections that are there already take the further keys.
    let (clean, rest) = extreme.settings.split_once('|').unwrap_or(("", extreme.settings));
    if !clean.is_empty() {
        folder.edit("study.toml", "motion_terms = 6\nband_hz = [0.01, 0.2]\n", clean);
    }
    let text = folder.read("study.toml");
    folder.write("study.toml", &format!("{text}\n{rest}\n"));
    (extreme.spoil)(&folder);
    let ran = folder.run(&[]);
    let name = extreme.name;
    assert!([Some(0), Some(3)].contains(&ran.code), "{name}: {ran:?}");
    assert!(!ran.stderr.contains("panicked") && !ran.stderr.contains("a fault in"), "{name}: {}", ran.stderr);
    let cohort = cells(&folder.read("results/cohort.tsv"));
    assert_eq!(cohort[1][3], extreme.verdict, "{name}: {}", ran.stderr);
    assert_eq!(extreme.verdict == "failed", ran.code == Some(3), "{name}");
    for (file, bytes) in folder.results() {
        let text = String::from_utf8(bytes).unwrap();
        if file.ends_with(".tsv") {
            let table = cells(&text);
            for row in &table {
                assert_eq!(row.len(), table[0].len(), "{name}: {file}");
                for cell in row {
                    let lower = cell.to_lowercase();
                    assert!(!["nan", "inf", "-inf", ""].contains(&lower.as_str()), "{name}: {file} holds '{cell}'");
                }
            }
        } else if file.ends_with(".json") {
            let value: serde_json::Value = serde_json::from_str(&text).unwrap();
            assert!(value.is_object(), "{name}: {file}");
        }
    }
    // The same again does nothing, whatever came of it; a failure is tried again.
    let again = folder.run(&[]).stdout;
    let expected = if extreme.verdict == "failed" { "0 done, 0 unchanged, 1 failed" } else { "0 done, 1 unchanged" };
    assert!(again.contains(expected), "{name}: {again}");
}

#[test]
fn settings_at_their_limits() {
    let all = [
        extreme("nothing censored", "[censor]\nfd_mm = 0\n", "enough"),
        extreme("every frame censored", "[censor]\nfd_mm = 1e-9\n", "too_few_dof"),
        extreme("every frame beside a moved one", "[censor]\nbefore = 100000\nafter = 100000\n", "too_few_dof"),
        extreme("every stretch too short", "[censor]\nshortest_stretch = 41\n", "too_few_dof"),
        extreme("all settling", "[censor]\nsettling = 40\n", "too_few_dof"),
        extreme("more settling than frames", "[censor]\nsettling = 1000\n", "too_few_dof"),
        extreme("one frame left", "[censor]\nsettling = 39\nshortest_stretch = 1\n", "too_few_dof"),
        extreme("no confounds, no filter", "motion_terms = 0\ntissue_means = []\nband_hz = []\n|", "enough"),
        extreme("no trend", "motion_terms = 0\ntissue_means = []\nband_hz = []\ndetrend_degree = 0\n|", "enough"),
        extreme("many confounds for few frames", "motion_terms = 24\nband_hz = [0.01, 0.1]\n|", "enough"),
        extreme("high trend", "motion_terms = 0\nband_hz = []\ndetrend_degree = 10\n|", "enough"),
        extreme(
            "high trend over few frames",
            "motion_terms = 0\nband_hz = []\ndetrend_degree = 10\n|[censor]\nsettling = 34\n",
            "too_few_dof",
        ),
        extreme("spectral fill", "motion_terms = 6\nband_hz = [0.01, 0.2]\nfill = \"spectral\"\n|", "enough"),
        extreme(
            "spectral fill of nearly nothing",
            "motion_terms = 0\nfill = \"spectral\"\nband_hz = [0.01, 0.2]\n|[censor]\nsettling = 33\n",
            "too_short",
        ),
        extreme("narrow band", "motion_terms = 0\ntissue_means = []\nband_hz = [0.05, 0.051]\n|", "too_few_dof"),
        extreme("band up to Nyquist", "motion_terms = 6\nband_hz = [0.0001, 0.2499]\n|", "enough"),
        extreme("more components than voxels", "motion_terms = 0\ntissue_components = 100\n|", "enough"),
        extreme("global signal and all terms", "motion_terms = 12\nband_hz = []\nglobal_signal = true\n|", "enough"),
        extreme(
            "every measure",
            "[connectivity]\nmeasures = [\"pearson\", \"spearman\", \"partial\", \"covariance\"]\n",
            "enough",
        ),
        extreme("an impossible time", "[motion]\nsphere_radius = 100\n", "enough"),
        extreme("metres and degrees", "[motion]\ntranslation_unit = \"m\"\nrotation_unit = \"deg\"\n", "too_few_dof"),
    ];
    all.iter().for_each(hold);
}

#[test]
fn data_at_their_limits() {
    let weights = |folder: &Folder| {
        let [x, y, z] = SHAPE;
        folder.write_floats("atlas.nii", &[x, y, z, 5], |at| if at[0] == at[3] + 1 { 0.1 } else { 0.0 });
    };
    let all = [
        Extreme {
            name: "no parcel is covered",
            settings: "",
            spoil: |folder| folder.write_volume("brain.nii", |x, _, _| u8::from(x == 0)),
            verdict: "failed",
        },
        Extreme {
            name: "one voxel of brain",
            settings: "motion_terms = 0\ntissue_means = []\nband_hz = []\n|",
            spoil: |folder| {
                folder.write_volume("brain.nii", |x, y, z| u8::from((x, y, z) == (1, 1, 1)));
                folder.write_volume("atlas.nii", |x, y, z| u8::from((x, y, z) == (1, 1, 1)));
                folder.write("atlas.tsv", "index\tname\n1\tcove\n");
            },
            verdict: "enough",
        },
        Extreme {
            // Three of five parcels are left, fewer than the 80 % that are asked for.
            name: "a parcel that never changes",
            settings: "",
            spoil: |folder| {
                let mut bytes = folder.bytes("bold_01.nii");
                for (i, value) in bytes[352..].chunks_exact_mut(2).enumerate() {
                    if i % SHAPE[0] == 2 {
                        value.copy_from_slice(&700_i16.to_le_bytes());
                    }
                }
                folder.write_bytes("bold_01.nii", &bytes);
            },
            verdict: "poor_coverage",
        },
        Extreme {
            name: "two parcels of one signal",
            settings: "[connectivity]\nmeasures = [\"pearson\", \"spearman\", \"partial\", \"covariance\"]\n",
            spoil: |folder| {
                let mut bytes = folder.bytes("bold_01.nii");
                for row in bytes[352..].chunks_exact_mut(2 * SHAPE[0]) {
                    row.copy_within(2..4, 4);
                }
                folder.write_bytes("bold_01.nii", &bytes);
            },
            verdict: "enough",
        },
        Extreme { name: "weights", settings: "", spoil: weights, verdict: "enough" },
        Extreme {
            name: "a label that is not in the image",
            settings: "",
            spoil: |folder| folder.edit("atlas.tsv", "5\tshoal\tB\n", "5\tshoal\tB\n77\tbar\tB\n"),
            verdict: "poor_coverage",
        },
        Extreme {
            name: "a child who lies quite still",
            settings: "",
            spoil: |folder| {
                let rows = "0 0 0 0 0 0\n".repeat(40);
                let names = MOTION_COLUMNS.join(" ");
                folder.write("motion_01.tsv", &format!("{names}\n{rows}"));
            },
            verdict: "look_first",
        },
        Extreme {
            name: "a table of extreme numbers",
            settings: "[censor]\nfd_mm = 0\n",
            spoil: |folder| {
                let text = motion_table(40, 1).replacen("\n0.", "\n1e300", 1);
                folder.write("motion_01.tsv", &text);
            },
            verdict: "failed",
        },
        Extreme {
            name: "the longest and the lowest numbers",
            settings: "",
            spoil: |folder| {
                // Scaled so far that squares of values overflow.
                folder.patch("bold_01.nii", 112, &3e38_f32.to_le_bytes());
            },
            verdict: "enough",
        },
        Extreme {
            name: "two frames",
            settings: "",
            spoil: |folder| {
                folder.write_run("bold_01.nii", 2, 1);
                folder.write("motion_01.tsv", &motion_table(2, 1));
            },
            verdict: "too_few_dof",
        },
    ];
    all.iter().for_each(hold);
}
