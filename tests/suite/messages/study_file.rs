//! The study file itself.

use super::{check, command, hold, study};

#[test]
fn study_file_messages() {
    let cases = [
        study("unknown key, with the nearest", "motion_terms", "motion_term"),
        study("unknown key, with those allowed", "motion_terms", "wobble"),
        study("unknown section, with the nearest", "[clean]", "[claen]"),
        study("unknown section, with those there are", "[clean]", "[soup]"),
        study("wrong type", "motion_terms = 6", "motion_terms = \"six\""),
        study("text instead of a list", "band_hz = [0.01, 0.2]", "band_hz = \"0.01-0.2\""),
        study("a number that is not one of those allowed", "motion_terms = 6", "motion_terms = 7"),
        study("out of range", "[clean]", "[motion]\nsphere_radius = 5\n\n[clean]"),
        study("negative limit", "[clean]", "[censor]\nfd_mm = -0.2\n\n[clean]"),
        study("share above 1", "labels = \"atlas.tsv\"", "labels = \"atlas.tsv\"\nleast_coverage = 50"),
        study("word, with the nearest", "[clean]", "[connectivity]\nmeasures = [\"perason\"]\n\n[clean]"),
        study("word twice", "[clean]", "[connectivity]\nmeasures = [\"pearson\", \"pearson\"]\n\n[clean]"),
        study("edges of the band swapped", "[0.01, 0.2]", "[0.2, 0.01]"),
        study("key outside its section", "[study]", "fd_mm = 0.2\n[study]"),
        study("key below another section", "motion_terms = 6", "sphere_radius = 45"),
        study("section with the wrong brackets", "[[parcels]]", "[parcels]"),
        study("both scan sources", "table = \"runs.tsv\"", "table = \"runs.tsv\"\nbids = \".\""),
        study("no scan source", "table = \"runs.tsv\"", ""),
        study("pattern beside a scan table", "table = \"runs.tsv\"", "table = \"runs.tsv\"\nmotion = \"m.tsv\""),
        study("unknown placeholder", "table = \"runs.tsv\"", "bids = \".\"\nmotion = \"{particpant}_headmotion.tsv\""),
        study(
            "an entity that the standard does not have",
            "table = \"runs.tsv\"",
            "bids = \".\"\nwhere = { taks = \"rest\" }",
        ),
        study("atlas without an image", "image = \"atlas.nii\"\n", ""),
        study("atlas whose name would break file names", "\"tern5\"", "\"tern_5\""),
        check("no atlas", |folder| {
            folder.edit(
                "study.toml",
                "[[parcels]]\nname = \"tern5\"\nimage = \"atlas.nii\"\nlabels = \"atlas.tsv\"\n",
                "",
            );
        }),
        check("two atlases of one name", |folder| {
            let again = "\n[[parcels]]\nname = \"Tern5\"\nimage = \"atlas.nii\"\n";
            folder.write("study.toml", &(folder.read("study.toml") + again));
        }),
        study(
            "radius by age without an age column",
            "age_column = \"age_months\"",
            "[motion]\nsphere_radius = \"by-age\"",
        ),
        study("age column without a table", "table = \"participants.tsv\"", ""),
        study("realignment with a motion table", "[clean]", "[motion]\nrealign = true\n\n[clean]"),
        study(
            "breathing by age without an age column",
            "age_column = \"age_months\"",
            "[motion]\nrespiration = \"notch\"",
        ),
        study("breathing rates the wrong way round", "[clean]", "[motion]\nbreaths_per_min = [40, 20]\n\n[clean]"),
        study("no cut-off", "[clean]", "[motion]\nlow_pass_hz = 0\n\n[clean]"),
        study("settling in words", "[clean]", "[censor]\nsettling = \"some\"\n\n[clean]"),
        study("not TOML", "motion_terms = 6", "motion_terms = = 6"),
        check("not UTF-8", |folder| folder.patch("study.toml", 30, &[0xff])),
        command("no such file", &["check", "DIR/stduy.toml"], |_| {}),
        command("a folder", &["run", "DIR"], |_| {}),
        check("every problem in one pass", |folder| {
            folder.edit("study.toml", "motion_terms = 6", "motion_terms = 5\nfill = \"cubic\"\nwobble = 1");
            folder.edit("study.toml", "minutes = 0.5", "minutes = -1");
            folder.edit("study.toml", "image = \"atlas.nii\"\n", "");
        }),
    ];
    hold("study_file.txt", 37, &cases);
}
