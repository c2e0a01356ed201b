//! `keepstill thresholds`: what other limits would keep, against runs with those limits; what it reads, writes and
//! says.

use serde_json::Value;

use crate::builders::{Folder, Tiny, cells, gzipped};

/// Three children with two runs each in two sessions, half of them with a watch log.
fn study(settings: &str) -> Folder {
    let folder = Tiny { sessions: 2, runs: 2, settings: settings.to_owned(), ..Tiny::default() }.build();
    let table = folder.read("runs.tsv");
    let lines = table.lines().enumerate().map(|(i, line)| match i {
        0 => format!("{line}\twatch_log\n"),
        i if i % 2 == 0 => format!("{line}\tlog.tsv\n"),
        _ => format!("{line}\tn/a\n"),
    });
    folder.write("runs.tsv", &lines.collect::<String>());
    folder.write("log.tsv", "onset\tduration\ttrial_type\n39\t2\tstirring\n60\t9\thumming\n");
    folder
}

fn table(folder: &Folder, name: &str) -> Vec<Vec<String>> {
    cells(&folder.read(&format!("results/thresholds/{name}")))
}

/// Minutes kept by stem in `minutes.tsv`.
fn minutes(folder: &Folder, limit: &str, form: &str, neighbours: &str) -> Vec<(String, String)> {
    let rows = table(folder, "minutes.tsv").into_iter().skip(1);
    let chosen = rows.filter(|row| row[4..7] == [limit, form, neighbours]);
    chosen.map(|row| (row[3].clone(), row[8].clone())).collect()
}

/// Minutes kept by stem in `cohort.tsv`.
fn cohort_minutes(folder: &Folder) -> Vec<(String, String)> {
    let rows = cells(&folder.read("results/cohort.tsv"));
    let column = rows[0].iter().position(|name| name == "minutes_kept").unwrap();
    let stem = |row: &[String]| {
        row[..3].iter().filter(|cell| *cell != "n/a").map(String::as_str).collect::<Vec<_>>().join("_")
    };
    rows[1..].iter().map(|row| (stem(row), row[column].clone())).collect()
}

#[test]
fn what_it_foretells_is_what_a_run_keeps() {
    for (join, children) in [("runs", 6), ("sessions", 3), ("none", 12)] {
        for (limit, form, before, after) in [("0.02", "sum", 1, 2), ("0.3", "rms", 2, 0), ("0.6", "sum", 1, 2)] {
            let settings = format!(
                "\n[motion]\ndisplacement = \"{form}\"\nsphere_radius = \"by-age\"\n[connectivity]\n\
                join = \"{join}\"\n[censor]\nfd_mm = {limit}\nbefore = {before}\nafter = {after}\nsettling = 2\n\
                shortest_stretch = 4\nwatch_log_types = [\"stirring\"]\n"
            );
            // Without confounds and filter every run keeps degrees of freedom enough.
            let folder = study(&settings);
            folder.edit(
                "study.toml",
                "motion_terms = 6\nband_hz = [0.01, 0.2]",
                "motion_terms = 0\nband_hz = []\ntissue_means = []",
            );
            folder.keepstill(&["thresholds", "study.toml", "--limits", "0.02,0.3,0.6,none"]).expect(0);
            let foretold = minutes(&folder, limit, form, "1");
            assert_eq!(foretold.len(), children);
            folder.run(&["-q"]).expect(0);
            assert_eq!(foretold, cohort_minutes(&folder), "{join} {limit} {form}");

            // And without neighbours, and without a limit.
            folder.edit("study.toml", &format!("before = {before}\nafter = {after}"), "before = 0\nafter = 0");
            folder.run(&["-q"]).expect(0);
            assert_eq!(minutes(&folder, limit, form, "0"), cohort_minutes(&folder), "{join} {limit} {form}");
            folder.edit("study.toml", &format!("fd_mm = {limit}"), "fd_mm = 0");
            folder.run(&["-q"]).expect(0);
            assert_eq!(minutes(&folder, "n/a", form, "1"), cohort_minutes(&folder), "{join} {form}");
        }
    }
}

#[test]
fn tables_json_and_text_agree() {
    let folder = Tiny { frames: 100, ..Tiny::default() }.build();
    let said = folder.keepstill(&["thresholds", "study.toml"]).expect(0);
    assert_eq!(said.stderr, "");
    let rows = table(&folder, "thresholds.tsv");
    let header = "fd_mm displacement neighbours children_above_3_min children_above_5_min children_above_8_min \
        children_above_10_min median_minutes_kept children";
    assert_eq!(rows[0].join(" "), header);
    // 0.1 to 1.0 in steps of 0.05, and no limit.
    let mut limits: Vec<String> = (2..=20).map(|i| (f64::from(i * 5) / 100.0).to_string()).collect();
    limits.push("n/a".to_owned());
    assert_eq!(rows.len(), 1 + 4 * limits.len());
    for (at, (form, neighbours)) in [("sum", "1"), ("sum", "0"), ("rms", "1"), ("rms", "0")].into_iter().enumerate() {
        for (limit, row) in limits.iter().zip(&rows[1 + at * limits.len()..]) {
            assert_eq!(row[..3], [limit.as_str(), form, neighbours]);
            assert_eq!(row[8], "3");
        }
    }
    // One startle of 0.5 mm in 100 frames of 2 s: 99 kept, 96 with its neighbours, all above the limit of 0.55 mm.
    let kept = |at: usize| -> Vec<&str> { rows[at][3..8].iter().map(String::as_str).collect() };
    assert_eq!(kept(3), ["3", "0", "0", "0", "3.2"]);
    assert_eq!(kept(3 + limits.len()), ["3", "0", "0", "0", "3.3"]);
    assert_eq!(kept(15), ["3", "0", "0", "0", "3.3333333"]);

    let json: Value = serde_json::from_str(&folder.read("results/thresholds/thresholds.json")).unwrap();
    assert_eq!(json["version"], env!("CARGO_PKG_VERSION"));
    assert!(json["caution"].as_str().unwrap().contains("not for diagnosis"));
    assert_eq!(json["settings"]["censor"]["fd_mm"], 0.2);
    let told = json["thresholds"].as_array().unwrap();
    assert_eq!(told.len(), rows.len() - 1);
    for (value, row) in told.iter().zip(&rows[1..]) {
        assert_eq!(value["fd_mm"].as_f64().map_or("n/a".to_owned(), |mm| mm.to_string()), row[0]);
        assert_eq!((&value["displacement"], value["neighbours"] == true), (&row[1].as_str().into(), row[2] == "1"));
        for (column, name) in rows[0].iter().enumerate().skip(3) {
            let value = value[name].as_f64().unwrap() as f32;
            assert_eq!(value, row[column].parse::<f32>().unwrap(), "{name}");
        }
    }
    let children = json["children"].as_array().unwrap();
    let lines = table(&folder, "minutes.tsv");
    assert_eq!((children.len(), lines.len()), (3, 1 + 3 * told.len()));
    for (c, child) in children.iter().enumerate() {
        for (i, kept) in child["minutes_kept"].as_array().unwrap().iter().enumerate() {
            let line = &lines[1 + c * told.len() + i];
            assert_eq!(child["stem"], line[3].as_str());
            assert_eq!(line[4..7], rows[1 + i][..3]);
            assert_eq!(kept.as_f64().unwrap() as f32, line[8].parse::<f32>().unwrap());
        }
    }
    let printed = folder.keepstill(&["thresholds", "study.toml", "--json", "-q"]).expect(0);
    assert_eq!(printed.stdout, folder.read("results/thresholds/thresholds.json"));
    assert!(
        said.stdout.contains("\n       0.2        3        0        0        0          3.2 *\n"),
        "{}",
        said.stdout
    );
    assert!(said.stdout.contains("\n      none        3        0        0        0          3.3\n"), "{}", said.stdout);
}

#[test]
fn the_page_tells_the_numbers_without_the_picture_and_holds_no_markup_from_outside() {
    let folder = Tiny { frames: 100, ..Tiny::default() }.build();
    folder.edit("study.toml", "Tern Bay naps", "Tern <b>Bay</b> & 'naps'");
    folder.write("odd<i>.tsv", "1 2 3\n");
    folder.edit("runs.tsv", "motion_03.tsv", "odd<i>.tsv");
    folder.keepstill(&["thresholds", "study.toml", "--limits", "0.2,0.6"]).expect(3);
    let page = folder.read("results/thresholds/thresholds.html");
    assert!(page.contains("Tern &lt;b&gt;Bay&lt;/b&gt; &amp; &#39;naps&#39;"));
    assert!(page.contains("odd&lt;i&gt;.tsv"));
    for markup in ["<b>", "<i>", "<script", "http://", "https://", "src=", "url("] {
        assert!(!page.contains(markup), "{markup}");
    }
    assert!(page.contains(
        "Children with at least 3, 5, 8 and 10 minutes kept. 0.20 mm: 2, 0, 0, 0 of 2. 0.60 mm: 2, 0, 0, 0 of 2."
    ));
    assert!(page.contains("not for diagnosis"));
    assert!(page.matches("<svg").count() == 1 && page.matches("</svg>").count() == 1);
}

#[test]
fn scans_with_problems_are_listed_and_the_others_counted() {
    let folder = Tiny { runs: 2, frames: 100, ..Tiny::default() }.build();
    folder.remove("motion_01_1.tsv");
    folder.remove("motion_02_1.tsv");
    folder.remove("motion_02_2.tsv");
    let said = folder.keepstill(&["thresholds", "study.toml", "--limits", "0.2"]).expect(3);
    for scan in ["sub-01_run-1", "sub-02_run-1", "sub-02_run-2"] {
        assert!(said.stderr.contains(&format!("{scan}: left out: ")), "{}", said.stderr);
    }
    assert!(said.stdout.starts_with("2 children (FD sum form"), "{}", said.stdout);
    assert!(said.stdout.contains("1 child has no run that could be read and is not counted."), "{}", said.stdout);
    let kept = minutes(&folder, "0.2", "sum", "1");
    let kept: Vec<&str> = kept.iter().map(|(_, minutes)| minutes.as_str()).collect();
    assert_eq!(kept, ["3.2", "n/a", "6.4"]);
    let json: Value = serde_json::from_str(&folder.read("results/thresholds/thresholds.json")).unwrap();
    assert_eq!(json["scans"].as_array().unwrap().len(), 3);
    assert!(json["scans"][0]["problems"][0].as_str().unwrap().contains("motion_01_1.tsv"));
    let place = folder.path().display().to_string();
    for (name, bytes) in folder.files("results/thresholds") {
        assert!(!String::from_utf8(bytes).unwrap().contains(&place), "{name} tells where it was made");
    }

    for file in ["motion_01_2.tsv", "motion_03_1.tsv", "motion_03_2.tsv"] {
        folder.remove(file);
    }
    let before = folder.files("results");
    let said = folder.keepstill(&["thresholds", "study.toml"]).expect(1);
    assert!(said.stderr.contains("nothing to count") && folder.files("results") == before, "{}", said.stderr);
}

#[test]
fn no_voxel_is_read_and_dvars_is_left_out_aloud() {
    let settings = "\n[censor]\ndvars_percent = 0.01\n".to_owned();
    // Long enough that no buffer of the header's reader reaches the damage.
    let folder = Tiny { frames: 3000, settings, ..Tiny::default() }.build();
    // Whole headers, and behind them nothing that unpacks: whoever reads a voxel of these fails.
    for child in ["01", "02", "03"] {
        let name = format!("bold_{child}.nii");
        let mut bytes = gzipped(&folder.bytes(&name));
        let end = bytes.len();
        assert!(end > 500_000);
        bytes[end - 50_000..].fill(0xff);
        folder.remove(&name);
        folder.write_bytes(&format!("{name}.gz"), &bytes);
    }
    let table = folder.read("runs.tsv").replace("bold_01.nii", "bold_01.nii.gz");
    folder.write("runs.tsv", &table.replace("bold_02.nii", "bold_02.nii.gz").replace("bold_03.nii", "bold_03.nii.gz"));
    let said = folder.keepstill(&["thresholds", "study.toml", "--limits", "0.2"]).expect(0);
    assert!(said.stdout.contains("\nDVARS is left out: "), "{}", said.stdout);
    assert!(folder.read("results/thresholds/thresholds.html").contains("<li>DVARS is left out: "));
    assert!(folder.read("results/thresholds/thresholds.json").contains("DVARS is left out: "));
    assert_eq!(minutes(&folder, "0.2", "sum", "1")[0].1, "99.86667");
    folder.run(&[]).expect(3);
}

#[test]
fn it_stands_beside_runs_and_is_left_alone_by_them() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    let others = |folder: &Folder| {
        let mut files = folder.files("results");
        files.retain(|(name, _)| !name.starts_with("thresholds/") && name != "run-log.jsonl");
        files
    };
    let before = others(&folder);
    folder.keepstill(&["thresholds", "study.toml"]).expect(0);
    assert!(others(&folder) == before);
    let own = folder.files("results/thresholds");
    let names: Vec<&str> = own.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["minutes.tsv", "thresholds.html", "thresholds.json", "thresholds.tsv"]);
    assert!(folder.run(&[]).expect(0).stdout.contains("1 unchanged"));
    assert!(folder.files("results/thresholds") == own);
    assert!(folder.read("results/.bidsignore").lines().any(|line| line == "thresholds/"));
    // The same question twice has the same answer.
    folder.keepstill(&["thresholds", "study.toml"]).expect(0);
    assert!(folder.files("results/thresholds") == own);
}

#[test]
fn limits_must_be_limits() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    for limits in ["0", "-0.2", "0.2,,0.3", "nan", "inf", "0.2mm", ""] {
        let said = folder.keepstill(&["thresholds", "study.toml", &format!("--limits={limits}")]).expect(2);
        assert!(said.stderr.contains("expected millimetres above 0"), "{limits}: {}", said.stderr);
        assert!(!folder.join("results").exists());
    }
    folder.keepstill(&["thresholds", "study.toml", "--limits", "none"]).expect(0);
    let rows = table(&folder, "thresholds.tsv");
    assert_eq!(rows.len(), 5);
    assert!(rows[1..].iter().all(|row| row[0] == "n/a"));
}

#[test]
fn a_folder_of_others_is_left_alone() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder
        .write("results/dataset_description.json", "{\"Name\": \"theirs\", \"GeneratedBy\": [{\"Name\": \"lathe\"}]}");
    let ran = folder.keepstill(&["thresholds", "study.toml"]).expect(1);
    assert!(ran.stderr.contains("holds a dataset that keepstill did not make"), "{}", ran.stderr);
    assert!(!folder.join("results/thresholds").exists());
}
