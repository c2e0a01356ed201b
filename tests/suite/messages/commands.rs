//! Wrong usage and its exit codes, `run` and `why` and `init` and `synth` on what is not there.

use super::{Case, check, command, hold, run};
use crate::builders::Folder;

fn finished(folder: &Folder) {
    folder.run(&[]).expect(0);
}

#[test]
fn command_messages() {
    let locked = |case: Case| Case { locked: true, ..case };
    let run_with = |name, more: &[&'static str]| command(name, &[&["run", "DIR/study.toml"], more].concat(), |_| {});
    let usage = |name, arguments: &[&'static str]| command(name, arguments, |_| {});
    let why = |name, more: &[&'static str]| command(name, &[&["why", "DIR/results"], more].concat(), finished);
    let cases = [
        locked(run("results folder in use", |_| {})),
        run("results folder that is a file", |folder| {
            folder.edit("study.toml", "[study]\n", "[study]\nresults = \"runs.tsv\"\n");
        }),
        run("results folder of another study", |folder| {
            finished(folder);
            folder.edit("study.toml", "Tern Bay naps", "Seal Cove naps");
            folder.edit("runs.tsv", "01\tn/a", "07\tn/a");
            folder.edit("participants.tsv", "sub-01", "sub-07");
        }),
        check("results folder of another study under the same name", |folder| {
            finished(folder);
            folder.edit("runs.tsv", "01\tn/a", "07\tn/a");
            folder.edit("participants.tsv", "sub-01", "sub-07");
        }),
        check("a compressed image cut short", |folder| {
            folder.gzip("bold_01.nii");
            folder.edit("runs.tsv", "bold_01.nii", "bold_01.nii.gz");
            folder.cut("bold_01.nii.gz", 2000);
        }),
        check("a compressed image that holds less than it promises", |folder| {
            folder.cut("bold_01.nii", 5000);
            folder.gzip("bold_01.nii");
            folder.edit("runs.tsv", "bold_01.nii", "bold_01.nii.gz");
        }),
        check("children and minutes that cannot be", |folder| {
            folder.edit("study.toml", "minutes = 0.5", "minutes = 20");
            folder.write("participants.tsv", &(folder.read("participants.tsv") + "sub-02\t9\tf\tmorning\n"));
        }),
        run_with("only a child that is not in the study", &["--only", "sub-09"]),
        run_with("part that does not exist", &["--part", "3/2"]),
        run_with("a part that is not M/N", &["--part", "half"]),
        run_with("no jobs", &["--jobs", "0"]),
        run_with("memory that is not a number", &["--memory-gib", "plenty"]),
        run_with("memory of nothing", &["--memory-gib", "0"]),
        run_with("memory without end", &["--memory-gib", "inf"]),
        run_with("a scan too big for the memory", &["-q", "--memory-gib", "0.001"]),
        check("band above what the frames show", |folder| folder.edit("study.toml", "0.2]", "0.3]")),
        run("too few frames left", |folder| {
            folder.edit("study.toml", "[clean]", "[censor]\nsettling = 33\n\n[clean]");
        }),
        usage("no command", &[]),
        usage("unknown command", &["rnu", "DIR/study.toml"]),
        usage("unknown flag", &["run", "DIR/study.toml", "--jbos", "2"]),
        usage("no study file", &["check"]),
        usage("quiet and verbose", &["run", "-q", "-v", "DIR/study.toml"]),
        usage("unknown shell", &["completions", "conch"]),
        why("why of a child, with the nearest", &["sub-02"]),
        why("why of what is not there", &["Tern"]),
        why("why of a frame too late", &["sub-01", "40"]),
        why("why of a frame that is not a number", &["sub-01", "last"]),
        usage("why of a folder that is not there", &["why", "DIR/nowhere", "sub-01"]),
        usage("why of a folder without results", &["why", "DIR", "sub-01"]),
        command("why of a child with two runs", &["why", "DIR/results", "sub-01", "3"], |folder| {
            folder.edit("runs.tsv", "01\tn/a\tn/a", "01\tn/a\t1");
            folder.write_run("bold_02.nii", 40, 5);
            folder.write("motion_02.tsv", &folder.read("motion_01.tsv"));
            let table = folder.read("runs.tsv");
            let row = table.lines().nth(1).unwrap().replace("01\tn/a\t1", "01\tn/a\t2");
            let row = row.replace("bold_01", "bold_02").replace("motion_01", "motion_02");
            folder.write("runs.tsv", &format!("{table}{row}\n"));
            finished(folder);
        }),
        usage("help of review", &["review", "--help"]),
        usage("review of a folder that is not there", &["review", "DIR/nowhere"]),
        usage("review before a run", &["review", "DIR"]),
        usage("review at no address", &["review", "DIR", "--address", "tern"]),
        usage("review at a port out of range", &["review", "DIR", "--port", "70000"]),
        usage("review that serves nothing and opens it", &["review", "DIR", "--agreement", "--open"]),
        usage("agreement in a folder that is not there", &["review", "DIR/nowhere", "--agreement"]),
        usage("agreement before a run", &["review", "DIR", "--agreement"]),
        command("agreement when nobody has decided", &["review", "DIR/results", "--agreement"], finished),
        command("agreement with a bad line", &["review", "DIR/results", "--agreement"], |folder| {
            finished(folder);
            folder.write("results/review/decisions.tsv", "what is this?\n");
        }),
        command("agreement of an old cohort table", &["review", "DIR/results", "--agreement"], |folder| {
            finished(folder);
            folder.edit("results/cohort.tsv", "\tresults_digest", "\tother");
        }),
        usage("init of nothing", &["init", "DIR/nowhere", "-o", "DIR/new.toml"]),
        command("init of a folder without runs", &["init", "DIR/empty", "-o", "DIR/new.toml"], |folder| {
            folder.write("empty/notes.txt", "none\n");
        }),
        usage("init over a study file", &["init", "DIR", "-o", "DIR/study.toml"]),
        usage("synth into a folder in use", &["synth", "DIR"]),
        usage("synth of no children", &["synth", "DIR/new", "--children", "0"]),
        usage("synth of odd parcels", &["synth", "DIR/new", "--parcels", "7"]),
        usage("synth that is too short", &["synth", "DIR/new", "--frames", "1"]),
        usage("synth with a repetition time of 0", &["synth", "DIR/new", "--tr", "0"]),
    ];
    hold("commands.txt", 44, &cases);
}
