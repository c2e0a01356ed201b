//! Motion and confounds tables, watch logs, labels tables, atlases and masks.

use keepstill::study::settings::MOTION_COLUMNS;

use super::{Case, check, command, hold, run};
use crate::builders::{Folder, SHAPE, motion_table};

fn motion(name: &'static str, from: &'static str, to: &'static str) -> Case {
    check(name, move |folder| folder.edit("motion_01.tsv", from, to))
}

/// A motion table whose third row has another first cell.
fn motion_cell(name: &'static str, cell: &'static str) -> Case {
    check(name, move |folder| {
        let text = motion_table(40, 1);
        let mut rows: Vec<String> = text.lines().map(str::to_owned).collect();
        let rest = rows[3].split_once('\t').unwrap().1.to_owned();
        rows[3] = format!("{cell}\t{rest}");
        folder.write("motion_01.tsv", &(rows.join("\n") + "\n"));
    })
}

#[test]
fn motion_messages() {
    let no_header = |folder: &Folder| {
        let text = folder.read("motion_01.tsv");
        folder.write("motion_01.tsv", text.split_once('\n').unwrap().1);
    };
    let cases = [
        check("rows for another number of frames", |folder| folder.write("motion_01.tsv", &motion_table(39, 1))),
        motion_cell("value missing", "n/a"),
        motion_cell("text in a number", "0.01mm"),
        motion_cell("a number that is not finite", "inf"),
        check("no header line", no_header),
        motion("column not there", "rotation_z_rad", "spin_z"),
        check("position beyond the last column", |folder| {
            folder.edit("study.toml", "[clean]", "[motion]\ncolumns = [2, 3, 4, 5, 6, 7]\n\n[clean]");
        }),
        motion("column twice", "rotation_z_rad", "rotation_y_rad"),
        motion("cells too few", "\trotation_z_rad", "\trotation_z_rad\tnote"),
        check("separated by semicolons", |folder| {
            let text = folder.read("motion_01.tsv").replace('\t', ";");
            folder.write("motion_01.tsv", &text);
        }),
        check("an image instead of a table", |folder| folder.write_bytes("motion_01.tsv", &folder.bytes("brain.nii"))),
        check("UTF-16", |folder| {
            let text = folder.read("motion_01.tsv");
            let wide: Vec<u8> = [0xfe_ff].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
            folder.write_bytes("motion_01.tsv", &wide);
        }),
        check("empty", |folder| folder.write("motion_01.tsv", "# nothing\n")),
        check("header alone", |folder| {
            folder.write(
                "motion_01.tsv",
                "translation_x_mm translation_y_mm translation_z_mm rotation_x_rad rotation_y_rad rotation_z_rad\n",
            )
        }),
        command("degrees taken for radians, a note", &["check", "DIR/study.toml"], |folder| {
            let rows: String = (0..40).map(|i| format!("0 0 0 {} 0 0\n", i % 3)).collect();
            let names = MOTION_COLUMNS.join(" ");
            folder.write("motion_01.tsv", &format!("{names}\n{rows}"));
        }),
    ];
    hold("motion.txt", 15, &cases);
}

/// Gives the scan a confounds table and asks for its column `heart`.
fn confounds(folder: &Folder, text: &str) {
    folder.edit("runs.tsv", "csf\n", "csf\tconfounds\n");
    folder.edit("runs.tsv", "csf.nii\n", "csf.nii\tconfounds.tsv\n");
    folder.edit("study.toml", "[clean]\n", "[clean]\nconfound_columns = [\"heart\"]\n");
    folder.write("confounds.tsv", text);
}

fn column(name: &str, rows: usize) -> String {
    format!("{name}\tother\n") + &(0..rows).map(|i| format!("0.{i}\t1\n")).collect::<String>()
}

/// Gives the scan a watch log.
fn logged(name: &'static str, text: &'static str) -> Case {
    check(name, move |folder| {
        folder.edit("runs.tsv", "csf\n", "csf\twatch_log\n");
        folder.edit("runs.tsv", "csf.nii\n", "csf.nii\tlog.tsv\n");
        folder.write("log.tsv", text);
    })
}

#[test]
fn confounds_and_watch_log_messages() {
    let cases = [
        check("confounds not named", |folder| {
            folder.edit("study.toml", "[clean]\n", "[clean]\nconfound_columns = [\"heart\"]\n");
        }),
        check("confounds column, with the nearest", |folder| confounds(folder, &column("hearth", 40))),
        check("confounds without a header line", |folder| confounds(folder, &"1 2\n".repeat(40))),
        check("confounds for another number of frames", |folder| confounds(folder, &column("heart", 41))),
        check("confounds with a gap", |folder| {
            confounds(folder, &column("heart", 40).replacen("0.7\t", "n/a\t", 1));
        }),
        check("confounds with text", |folder| confounds(folder, &column("heart", 40).replacen("0.7\t", "fast\t", 1))),
        logged("watch log without types", "onset\tduration\n1\t2\n"),
        logged("watch log without an onset", "onset\tduration\ttrial_type\nn/a\t2\teyes_open\n"),
        logged("watch log with text", "onset\tduration\ttrial_type\n3:20\t2\teyes_open\n"),
        logged("watch log with a negative duration", "onset\tduration\ttrial_type\n20\t-2\teyes_open\n"),
    ];
    hold("confounds_and_watch_log.txt", 10, &cases);
}

fn labels(name: &'static str, from: &'static str, to: &'static str) -> Case {
    check(name, move |folder| folder.edit("atlas.tsv", from, to))
}

#[test]
fn atlas_and_mask_messages() {
    let weights = |folder: &Folder, volumes: usize, value: f32| {
        let [x, y, z] = SHAPE;
        folder.write_floats("atlas.nii", &[x, y, z, volumes], move |at| if at[0] == at[3] { value } else { 0.0 });
    };
    let cases = [
        labels("labels without a column", "name", "label"),
        labels("an index that is not a number", "3\treef", "three\treef"),
        labels("index twice", "3\treef", "2\treef"),
        labels("name twice", "reef", "dune"),
        labels("no name", "reef", "n/a"),
        labels("label that the table does not name", "3\treef\tB\n", ""),
        check("labels table not there", |folder| folder.remove("atlas.tsv")),
        check("atlas not there", |folder| folder.remove("atlas.nii")),
        check("3-D atlas of fractions", |folder| {
            folder.write_floats("atlas.nii", &SHAPE, |at| if at[0] == 2 && at[1] == 1 { 0.25 } else { 1.0 });
        }),
        check("atlas of background alone", |folder| folder.write_volume("atlas.nii", |_, _, _| 0)),
        check("negative weight", move |folder| weights(folder, 5, -0.5)),
        check("table with more rows than the atlas has volumes", move |folder| weights(folder, 4, 0.5)),
        check("two atlases with a problem each", |folder| {
            folder.remove("atlas.tsv");
            let second = "\n[[parcels]]\nname = \"gull\"\nimage = \"gull.nii\"\n";
            folder.write("study.toml", &(folder.read("study.toml") + second));
        }),
        run("atlas in another space", |folder| {
            // The sform's offset along x: half a metre away.
            folder.patch("atlas.nii", 292, &500.0_f32.to_le_bytes());
        }),
        run("brain mask without a voxel", |folder| folder.write_volume("brain.nii", |_, _, _| 0)),
        run("brain mask in another space", |folder| folder.patch("brain.nii", 292, &500.0_f32.to_le_bytes())),
        run("tissue outside the brain", |folder| {
            folder.write_volume("csf.nii", |x, _, _| u8::from(x == 5));
        }),
        check("mask of several volumes", |folder| folder.write_run("white.nii", 3, 1)),
        check("a mask that is not an image", |folder| folder.write("brain.nii", "none\n")),
    ];
    hold("atlas_and_masks.txt", 19, &cases);
}
