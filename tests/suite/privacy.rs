//! What must be in results (the caution) and what must not: free text of image headers, places on somebody's disk, and
//! text that a browser would take for markup.

use std::fs;

use crate::builders::{Folder, Tiny};

/// NIfTI-1's free-text fields: name, first byte, bytes (`nifti1.h`).
const FREE_TEXT: [(&str, usize, usize); 5] =
    [("data_type", 4, 10), ("db_name", 14, 18), ("descrip", 148, 80), ("aux_file", 228, 24), ("intent_name", 328, 16)];

fn hide_names(folder: &Folder, image: &str) {
    for (_, at, length) in FREE_TEXT {
        let mut field = b"Secret Name 0000000000000000".to_vec();
        field.resize(length, 0);
        folder.patch(image, at, &field);
    }
}

fn holds(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|window| window == text.as_bytes())
}

#[test]
fn free_text_and_places_stay_out_of_results() {
    let far = tempfile::tempdir().unwrap();
    let output = "\n[output]\nseries = \"both\"\nmatrices = \"both\"\n".to_owned();
    let folder = Tiny { children: 4, settings: output, ..Tiny::default() }.build();
    for image in
        ["bold_01.nii", "bold_02.nii", "bold_03.nii", "bold_04.nii", "brain.nii", "white.nii", "csf.nii", "atlas.nii"]
    {
        hide_names(&folder, image);
    }
    // A note and a failure that name files, inside the study's folder and outside it.
    folder.write("log.tsv", "onset\tduration\ttrial_type\n500\t3\teyes_open\n");
    fs::rename(folder.join("bold_04.nii"), far.path().join("bold_04.nii")).unwrap();
    fs::write(far.path().join("motion_03.tsv"), "1 2 3 4 5 6\n").unwrap();
    let far_text = far.path().display().to_string();
    let table = folder.read("runs.tsv").replace("bold_04.nii", &format!("{far_text}/bold_04.nii"));
    let table = table.replace("motion_03.tsv", &format!("{far_text}/motion_03.tsv"));
    let lines: Vec<String> = table
        .lines()
        .enumerate()
        .map(|(i, line)| format!("{line}\t{}", if i == 0 { "watch_log" } else { "log.tsv" }))
        .collect();
    folder.write("runs.tsv", &(lines.join("\n") + "\n"));
    folder.cut("bold_02.nii", 3000);
    let said = folder.run(&[]).expect(3);
    assert!(said.stderr.contains("log.tsv: 1 of 1 intervals lie outside the run"), "{}", said.stderr);

    let here = folder.path().display().to_string();
    let files = folder.files("results");
    assert!(files.len() > 30);
    for (name, bytes) in &files {
        for text in ["Secret", &here, &far_text, "/tmp/", "/home/"] {
            assert!(!holds(bytes, text), "{name} holds {text}");
        }
    }
    let cohort = folder.read("results/cohort.tsv");
    assert!(cohort.contains("\tmotion_03.tsv: ") && cohort.contains("\tbold_02.nii: holds"), "{cohort}");
    assert!(cohort.contains("\tlog.tsv: 1 of 1 intervals"), "{cohort}");
}

#[test]
fn every_page_and_report_carries_the_caution() {
    let folder = Tiny { runs: 2, ..Tiny::default() }.build();
    folder.cut("bold_02_1.nii", 3000);
    folder.cut("bold_02_2.nii", 3000);
    folder.run(&[]).expect(3);
    let mut seen = 0;
    for (name, bytes) in folder.results() {
        if name.ends_with(".html") || name.ends_with("_report.json") || name.ends_with(".md") {
            seen += 1;
            let text = String::from_utf8(bytes).unwrap();
            for part in ["not for diagnosis", "licensed clinician", "Consent and data protection follow local law"] {
                assert!(text.contains(part), "{name} lacks: {part}");
            }
        }
    }
    assert_eq!(seen, 3 * 2 + 2);
}

#[test]
fn markup_in_names_is_shown_and_not_obeyed() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder.edit("study.toml", "Tern Bay naps", "<script>alert('naps')</script> & \\\"more\\\"");
    folder.edit("atlas.tsv", "cove", "<script>cove</script>");
    folder.edit("participants.tsv", "morning", "<script>nap</script>");
    folder.run(&[]).expect(0);
    for (name, bytes) in folder.results() {
        if name.ends_with(".html") {
            let text = String::from_utf8(bytes).unwrap();
            // The page's data and its own script; names are text in the one and markup nowhere.
            assert_eq!(text.matches("<script").count(), 2, "{name}");
            assert_eq!(text.matches("</script").count(), 2, "{name}");
            assert!(!text.contains("<script>cove") && !text.contains("<script>nap"), "{name}");
            assert!(
                text.contains("&lt;script&gt;alert(&#39;naps&#39;)&lt;/script&gt; &amp; &quot;more&quot;"),
                "{name}"
            );
        }
    }
    // Tables and JSON keep names as they are.
    let parcels = folder.read("results/sub-01/func/sub-01_atlas-tern5_series.tsv");
    assert!(parcels.starts_with("<script>cove</script>\tdune\t"), "{parcels}");
}

#[test]
fn pages_ask_nothing_of_the_network() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    for page in ["results/cohort.html", "results/sub-01/func/sub-01_report.html"] {
        let text = folder.read(page).replace("http://www.w3.org/2000/svg", "");
        for word in ["http:", "https:", "//cdn", "<link", "src=", "@import", "import(", "url(", "<img", "<iframe"] {
            assert!(!text.contains(word), "{page} holds {word}");
        }
    }
}
