//! The results folder, column by column, as docs/outputs.md describes it.

use std::io::Cursor;

use keepstill::cohort::COHORT_COLUMNS;
use keepstill::outputs::{FRAME_COLUMNS, cell, text_table};
use keepstill::remark::Noticed;
use ndarray::Array2;
use ndarray_npy::ReadNpyExt;
use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};

const FRAMES: &str = "frame\ttime_s\ttranslation_x_mm\ttranslation_y_mm\ttranslation_z_mm\t\
                      rotation_x_rad\trotation_y_rad\trotation_z_rad\tfd_sum_mm\tfd_rms_mm\tfd_span_mm\t\
                      fd_unfiltered_mm\tfd_radius_50_mm\tdvars_percent\tglobal_signal\tkept\treasons";
const COVERAGE: &str = "index\tname\tvoxels\tcoverage\tused\tx_mm\ty_mm\tz_mm\tnetwork";
const COHORT: &str = "participant_id\tsession_id\trun_id\tverdict\tproblem\truns\truns_joined\ttr_s\tvoxel_mm\t\
                      brain_mask_from\tframes\tframes_kept\tminutes\tminutes_kept\tkept_share\tmean_fd_mm\t\
                      mean_fd_span_mm\tmean_fd_kept_mm\tmax_fd_mm\tmedian_dvars_percent\tsphere_radius_mm\t\
                      sphere_radius_from\tdropped_settling\tdropped_unaligned\tdropped_moved\tdropped_signal_jump\t\
                      dropped_logged\tdropped_beside_motion\tdropped_short_stretch\tlongest_stretch_s\tdof\tdof_white\t\
                      parcels_used\tparcels\ttsnr_median\twarnings\tnoticed\treview\treviewers\treview_reason\t\
                      results_digest\tage_months\tsex\tnap";
const PARCELS: [&str; 5] = ["cove", "dune", "reef", "spit", "shoal"];

fn finished(tiny: &Tiny) -> Folder {
    let folder = tiny.build();
    folder.run(&[]).expect(0);
    folder
}

fn json(folder: &Folder, name: &str) -> Value {
    serde_json::from_str(&folder.read(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn keys(value: &Value) -> Vec<&str> {
    value.as_object().unwrap().keys().map(String::as_str).collect()
}

#[test]
fn the_frames_table_is_as_the_contract_says() {
    let folder = finished(&Tiny::default());
    let text = folder.read("results/sub-01/func/sub-01_frames.tsv");
    let table = cells(&text);
    assert_eq!(text.lines().next(), Some(FRAMES));
    assert_eq!(table.len(), 41);
    for (i, row) in table[1..].iter().enumerate() {
        assert_eq!(row.len(), 17);
        assert_eq!((row[0].as_str(), row[1].parse::<f64>().unwrap()), (i.to_string().as_str(), 2.0 * i as f64));
        assert_eq!(row[15] == "1", row[16] == "n/a", "frame {i}: {row:?}");
        assert_eq!([8, 9, 11, 12, 13].map(|column: usize| row[column] == "n/a"), [i == 0; 5], "frame {i}: {row:?}");
    }
    let reasons: Vec<&str> = table[1..].iter().map(|row| row[16].as_str()).collect();
    // The startle is from frame 12 to 13; one frame before it and two after go too.
    let mut expected = ["n/a"; 40];
    expected[12..16].copy_from_slice(&["beside_motion", "moved", "beside_motion", "beside_motion"]);
    assert_eq!(reasons, expected);
    assert_eq!(keys(&json(&folder, "results/sub-01/func/sub-01_frames.json")), FRAMES.split('\t').collect::<Vec<_>>());
}

#[test]
fn series_parcels_and_matrix_agree_on_what_is_not_available() {
    let folder = finished(&Tiny::default());
    let file = |ending: &str| cells(&folder.read(&format!("results/sub-01/func/sub-01_atlas-tern5_{ending}.tsv")));
    let series = file("series");
    assert_eq!(series[0], PARCELS);
    assert_eq!(series.len(), 41);
    for (i, row) in series[1..].iter().enumerate() {
        let kept = !(12..16).contains(&i);
        for (parcel, cell) in row.iter().enumerate() {
            assert_eq!(cell != "n/a", kept && parcel < 4, "frame {i}, parcel {parcel}: {cell}");
        }
    }
    let coverage = file("parcels");
    assert_eq!(coverage[0].join("\t"), COVERAGE);
    for (i, row) in coverage[1..].iter().enumerate() {
        let (covered, used) = if i < 4 { ("1", "1") } else { ("0", "0") };
        // Centroids of the slabs in world mm: x is 6 - 3·(i + 1), y and z are the grid's middle.
        let x = (3 - 3 * i as i32).to_string();
        let network = ["A", "A", "B", "B", "B"][i];
        let expected = [&(i + 1).to_string(), PARCELS[i], "20", covered, used, &x, "0", "0", network];
        assert_eq!(*row, expected);
    }
    let matrix = file("desc-pearson_matrix");
    assert_eq!(matrix[0], ["name", "cove", "dune", "reef", "spit", "shoal"]);
    for (i, row) in matrix[1..].iter().enumerate() {
        assert_eq!(row[0], PARCELS[i]);
        for (j, cell) in row[1..].iter().enumerate() {
            if i == 4 || j == 4 {
                assert_eq!(cell, "n/a");
            } else {
                let r: f32 = cell.parse().unwrap();
                assert!(if i == j { r == 1.0 } else { r.abs() < 1.0 }, "{r}");
                assert_eq!(*cell, matrix[j + 1][i + 1]);
            }
        }
    }
}

#[test]
fn the_cohort_table_is_as_the_contract_says() {
    let folder = finished(&Tiny::default());
    let text = folder.read("results/cohort.tsv");
    assert_eq!(text.lines().next(), Some(COHORT));
    let table = cells(&text);
    assert_eq!(table.iter().map(|row| row[0].as_str()).collect::<Vec<_>>()[1..], ["sub-01", "sub-02", "sub-03"]);
    let at = |name: &str| COHORT.split('\t').position(|column| column == name).unwrap();
    let row = &table[2];
    let told =
        ["session_id", "verdict", "problem", "runs", "frames", "frames_kept", "dropped_moved", "parcels_used", "nap"];
    assert_eq!(told.map(|name| row[at(name)].as_str()), ["n/a", "enough", "n/a", "1", "40", "36", "1", "4", "morning"]);
    assert_eq!(row[at("minutes_kept")].parse::<f32>().unwrap(), 1.2);
    assert_eq!(keys(&json(&folder, "results/cohort.json")), COHORT.split('\t').collect::<Vec<_>>());
    let dropped = table[0].iter().zip(row).filter(|(name, _)| name.starts_with("dropped_"));
    assert_eq!(dropped.map(|(_, cell)| cell.parse::<usize>().unwrap()).sum::<usize>(), 4);
}

#[test]
fn the_page_has_every_code_of_what_is_noticed() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/outputs.md");
    let page = std::fs::read_to_string(path).unwrap();
    let section = page.split("## Noticed").nth(1).unwrap().split("\n## ").next().unwrap();
    let found: Vec<&str> = section.lines().filter(|line| line.starts_with("| `")).collect();
    let row = |code: &Noticed| {
        let (key, weight) = (code.key(), code.weight().key());
        format!("| `{key}` | {weight} | {} | {} |", code.when(), code.what_to_do())
    };
    assert_eq!(found, Noticed::ALL.iter().map(row).collect::<Vec<_>>());
}

/// Names and units of the columns in the table under a heading of docs/outputs.md, in order.
fn documented(heading: &str) -> Vec<(String, String)> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/outputs.md");
    let text = std::fs::read_to_string(path).unwrap();
    let section = text.split("\n## ").find(|section| section.lines().next() == Some(heading)).unwrap();
    let lines = section.lines().skip_while(|line| !line.starts_with("| column |")).skip(2);
    let mut columns = Vec::new();
    for line in lines.take_while(|line| line.starts_with('|')) {
        let parts: Vec<&str> = line.split('|').map(str::trim).collect();
        let names = parts[1].split(", ").filter_map(|name| name.strip_prefix('`')?.strip_suffix('`'));
        columns.extend(names.map(|name| (name.to_owned(), parts[2].to_owned())));
    }
    columns
}

#[test]
fn the_documentation_lists_every_column_in_order_with_its_unit() {
    let own = |(name, unit): (&str, &str)| (name.to_owned(), unit.to_owned());
    let cohort: Vec<_> = COHORT_COLUMNS.iter().map(|column| own((column.name, column.unit))).collect();
    assert_eq!(documented("cohort.tsv"), cohort);
    let frames: Vec<_> = FRAME_COLUMNS.iter().map(|column| own((column.name, column.unit))).collect();
    assert_eq!(documented("R_frames.tsv"), frames);
}

#[test]
fn the_participants_table_is_carried_along() {
    let folder = Tiny::default().build();
    folder.write(
        "participants.tsv",
        "participant_id\tage_months\tsex\tverdict\tnote\nsub-03\t18\tm\tcheerful\tn/a\n\
        sub-01\t6\tm\tsleepy\tsnores, \"loudly\"\n",
    );
    folder.run(&[]).expect(0);
    let table = cells(&folder.read("results/cohort.tsv"));
    let carried = |row: usize| table[row][41..].join("|");
    assert_eq!(carried(0), "age_months|sex|participants_verdict|note");
    assert_eq!(carried(1), "6|m|sleepy|snores, \"loudly\"");
    assert_eq!(carried(2), "n/a|n/a|n/a|n/a");
    assert_eq!(carried(3), "18|m|cheerful|n/a");
    assert_eq!(keys(&json(&folder, "results/cohort.json")), table[0]);
}

#[test]
fn the_report_has_the_keys_of_the_contract() {
    let folder = finished(&Tiny { children: 1, runs: 2, ..Tiny::default() });
    let report = json(&folder, "results/sub-01/func/sub-01_report.json");
    for key in ["version", "settings", "runs", "joined"] {
        assert!(!report[key].is_null(), "{key}");
    }
    let wanted = "participant_id session_id run_id tr_s frames frames_kept minutes minutes_kept kept_share mean_fd_mm \
                  mean_fd_kept_mm max_fd_mm median_dvars_percent sphere_radius_mm sphere_radius_from dropped_settling \
                  dropped_unaligned dropped_moved dropped_signal_jump dropped_logged dropped_beside_motion \
                  dropped_short_stretch longest_stretch_s dof parcels_used parcels tsnr_median verdict problem";
    let runs = report["runs"].as_array().unwrap();
    assert_eq!(runs.len(), 2);
    for row in runs.iter().chain([&report["joined"]]) {
        for key in wanted.split_whitespace() {
            assert!(row.get(key).is_some(), "{key} is not in {row}");
        }
    }
    // The runs' parts are the whole.
    for key in ["frames", "frames_kept", "minutes", "minutes_kept", "dropped_moved", "dof"] {
        let sum: f64 = runs.iter().map(|run| run[key].as_f64().unwrap()).sum();
        assert!((sum - report["joined"][key].as_f64().unwrap()).abs() < 1e-9, "{key}");
    }
    for (role, hash) in runs[0]["inputs"].as_object().unwrap() {
        let name = match role.as_str() {
            "bold" => "bold_01_1.nii",
            "motion" => "motion_01_1.tsv",
            "brain_mask" => "brain.nii",
            "white_matter" => "white.nii",
            "csf" => "csf.nii",
            other => panic!("{other}"),
        };
        assert_eq!(hash, blake3::hash(&folder.bytes(name)).to_hex().as_str(), "{role}");
    }
    let sections = [
        "study",
        "scans",
        "children",
        "motion",
        "censor",
        "clean",
        "parcels",
        "connectivity",
        "enough",
        "notice",
        "output",
    ];
    assert_eq!(keys(&report["settings"]), sections);
    assert_eq!(report["settings"]["clean"]["motion_terms"], 6);
    assert_eq!(report["settings"]["parcels"][0]["image"], "atlas.nii");
}

#[test]
fn the_folder_is_a_derivative_dataset() {
    let folder = finished(&Tiny { children: 1, ..Tiny::default() });
    let description = json(&folder, "results/dataset_description.json");
    assert_eq!(description["DatasetType"], "derivative");
    assert!(description["Name"].as_str().unwrap().starts_with("Tern Bay naps"));
    assert!(!description["BIDSVersion"].as_str().unwrap().is_empty());
    assert_eq!(description["GeneratedBy"][0]["Name"], "keepstill");
    let ignored = folder.read("results/.bidsignore");
    for suffix in ["frames", "series", "parcels", "matrix", "report"] {
        assert!(ignored.lines().any(|line| line == format!("**/*_{suffix}.*")), "{suffix}");
    }
}

/// The numbers of a table as `f32`, n/a as NaN.
fn numbers(text: &str, skip_columns: usize) -> Vec<Vec<f32>> {
    let number = |cell: &String| if cell == "n/a" { f32::NAN } else { cell.parse().unwrap() };
    cells(text)[1..].iter().map(|row| row[skip_columns..].iter().map(number).collect()).collect()
}

fn assert_same(array: &Array2<f32>, table: &[Vec<f32>]) {
    assert_eq!(array.nrows(), table.len());
    for (row, expected) in array.rows().into_iter().zip(table) {
        let bits =
            |values: Vec<f32>| values.into_iter().map(|v| if v.is_nan() { 0x7fc0_0000 } else { (v + 0.0).to_bits() });
        assert!(bits(row.to_vec()).eq(bits(expected.clone())), "{row:?} {expected:?}");
    }
}

#[test]
fn arrays_hold_the_numbers_of_the_tables() {
    let output = "\n[output]\nseries = \"both\"\nmatrices = \"both\"\n".to_owned();
    let folder = finished(&Tiny { children: 1, settings: output, ..Tiny::default() });
    let base = "results/sub-01/func/sub-01_atlas-tern5";
    for (name, skip) in [("series", 0), ("desc-pearson_matrix", 1)] {
        let array = Array2::<f32>::read_npy(Cursor::new(folder.bytes(&format!("{base}_{name}.npy")))).unwrap();
        assert_same(&array, &numbers(&folder.read(&format!("{base}_{name}.tsv")), skip));
    }
    let exists = |ending: &str| folder.join(&format!("{base}_{ending}")).exists();
    folder.edit(
        "study.toml",
        "series = \"both\"\nmatrices = \"both\"",
        "series = \"npy\"\nmatrices = \"npy\"\npages = false",
    );
    folder.run(&[]).expect(0);
    assert_eq!(["series.npy", "series.tsv"].map(exists), [true, false]);
    assert_eq!(["desc-pearson_matrix.npy", "desc-pearson_matrix.tsv"].map(exists), [true, false]);
    assert!(!folder.join("results/sub-01/func/sub-01_report.html").exists());
    folder.edit("study.toml", "series = \"npy\"", "series = \"none\"");
    folder.run(&[]).expect(0);
    assert_eq!(["series.npy", "series.tsv", "parcels.tsv"].map(exists), [false, false, true]);
}

#[test]
fn files_are_named_by_run_session_and_joining() {
    let tiny = Tiny { children: 1, sessions: 2, runs: 2, ..Tiny::default() };
    let names = |join: &str| -> Vec<String> {
        let settings = format!("\n[connectivity]\njoin = \"{join}\"\n\n[output]\npages = false\n");
        let folder = finished(&Tiny { settings, ..tiny.clone() });
        let rows = folder.read("results/cohort.tsv").lines().count() - 1;
        let all = folder.results().into_iter().map(|(name, _)| name).filter(|name| name.starts_with("sub-"));
        let joined: Vec<String> = all.filter(|n| n.contains("report") || n.contains("matrix")).collect();
        assert_eq!(joined.len(), 2 * rows, "{joined:?}");
        joined
    };
    let expected = |stems: &[&str]| -> Vec<String> {
        let both = |stem: &&str| [format!("{stem}_atlas-tern5_desc-pearson_matrix.tsv"), format!("{stem}_report.json")];
        stems.iter().flat_map(both).collect()
    };
    assert_eq!(names("runs"), expected(&["sub-01/ses-1/func/sub-01_ses-1", "sub-01/ses-2/func/sub-01_ses-2"]));
    assert_eq!(names("sessions"), expected(&["sub-01/func/sub-01"]));
    let each: Vec<String> = ["1", "2"]
        .iter()
        .flat_map(|s| ["1", "2"].map(|r| format!("sub-01/ses-{s}/func/sub-01_ses-{s}_run-{r}")))
        .collect();
    assert_eq!(names("none"), expected(&each.iter().map(String::as_str).collect::<Vec<_>>()));
}

#[test]
fn a_failed_scan_is_a_row_with_its_reason_and_stops_no_other() {
    let folder = Tiny::default().build();
    folder.cut("bold_02.nii", 3000);
    let said = folder.run(&[]).expect(3);
    assert!(said.stderr.contains("sub-02: failed: bold_02.nii: holds 3000 bytes"), "{}", said.stderr);
    assert!(said.stdout.starts_with("3 scans: 2 done, 0 unchanged, 1 failed."), "{}", said.stdout);
    let table = cells(&folder.read("results/cohort.tsv"));
    let verdicts: Vec<&str> = table[1..].iter().map(|row| row[3].as_str()).collect();
    assert_eq!(verdicts, ["enough", "failed", "enough"]);
    assert!(table[2][4].starts_with("bold_02.nii: holds 3000 bytes"), "{}", table[2][4]);
    assert_eq!((table[2][5].as_str(), table[2][6].as_str(), table[2][15].as_str()), ("1", "0", "n/a"));
    let report = json(&folder, "results/sub-02/func/sub-02_report.json");
    assert_eq!(report["joined"]["verdict"], "failed");
    assert_eq!(report["runs"][0]["problem"], table[2][4].as_str());

    // One failed run of two: the child goes on with the other, and says so.
    let folder = Tiny { children: 1, runs: 2, ..Tiny::default() }.build();
    folder.cut("bold_01_2.nii", 3000);
    folder.run(&[]).expect(3);
    let row = &cells(&folder.read("results/cohort.tsv"))[1];
    assert_eq!([3, 5, 6].map(|at| row[at].as_str()), ["enough", "2", "1"]);
    assert!(row[4].starts_with("sub-01_run-2: bold_01_2.nii: holds 3000 bytes"), "{}", row[4]);
}

#[test]
fn cells_cannot_break_a_table() {
    assert_eq!(cell("squirms\tand\r\ncries"), "squirms and  cries");
    assert_eq!(["", " \t "].map(cell), ["n/a", "n/a"]);
    let table = text_table(&["a".to_owned(), "b\t".to_owned()], &[vec!["x\ty".to_owned(), String::new()]]);
    assert_eq!(table, "a\tb \nx y\tn/a\n");
}
