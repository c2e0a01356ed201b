//! `keepstill stack` of several results folders: the same numbers as of one folder with all the children, whose each
//! row is, and what is said where folders are unlike.

use std::fs;

use keepstill::review::decisions::HEADER;
use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};
use crate::stack::{column, finished, set_cell};

/// Children of the tests: with fewer, quality has nothing to say.
const IDS: [&str; 6] = ["sub-01", "sub-02", "sub-03", "sub-04", "sub-05", "sub-06"];

/// A study whose children all have enough, with every measure that is read in its own way.
pub fn together() -> Folder {
    let settings = "\n[connectivity]\nmeasures = [\"pearson\", \"partial\"]\n".to_owned();
    finished(&Tiny { children: IDS.len(), frames: 60, settings, ..Tiny::default() })
}

/// A results folder with some of the children of another, as if their study had no others.
pub fn part(folder: &Folder, name: &str, children: &[&str]) {
    let keeps = |file: &str| IDS.iter().all(|id| children.contains(id) || !file.contains(id));
    for (file, bytes) in folder.files("results").into_iter().filter(|(file, _)| keeps(file)) {
        let own = format!("{name}/{file}");
        fs::create_dir_all(folder.join(&own).parent().unwrap()).unwrap();
        folder.write_bytes(&own, &bytes);
    }
    let table = folder.read("results/cohort.tsv");
    let rows = table.lines().enumerate().filter(|(k, line)| *k == 0 || keeps(line.split('\t').next().unwrap()));
    folder.write(&format!("{name}/cohort.tsv"), &rows.map(|(_, line)| format!("{line}\n")).collect::<String>());
}

/// The first three children, and the others.
fn east_and_west(folder: &Folder) {
    part(folder, "east", &IDS[..3]);
    part(folder, "west", &IDS[3..]);
}

fn table(folder: &Folder, name: &str) -> Vec<Vec<String>> {
    cells(&folder.read(name))
}

fn json(folder: &Folder, name: &str) -> Value {
    serde_json::from_str(&folder.read(name)).unwrap()
}

/// Files of a stack without those that name the rows.
fn numbers(folder: &Folder, stack: &str) -> Vec<(String, Vec<u8>)> {
    let named = ["children.tsv", "stack.json", "quality.json", "quality.html", "test.json", "reliability.tsv"];
    let rows =
        |name: &String| named.contains(&name.as_str()) || name == "agreement.tsv" || name.ends_with("_children.tsv");
    folder.files(stack).into_iter().filter(|(name, _)| !rows(name)).collect()
}

/// Stacks the folder with all children, and both parts of it; all files of numbers are the same to the byte.
fn compare(folder: &Folder, options: &[&str]) {
    folder.keepstill(&[&["stack", "-q", "results"], options].concat()).expect(0);
    folder.keepstill(&[&["stack", "-q", "east", "west", "--out", "both"], options].concat()).expect(0);
    let (one, both) = (numbers(folder, "results/stack"), numbers(folder, "both"));
    let names = |files: &[(String, Vec<u8>)]| files.iter().map(|(name, _)| name.clone()).collect::<Vec<_>>();
    assert_eq!(names(&one), names(&both), "{options:?}");
    assert!(names(&one).iter().any(|name| name.ends_with("_edges.npy")), "{:?}", names(&one));
    for ((name, one), (_, both)) in one.iter().zip(&both) {
        // Nobody is left out or lacks a parcel that others have, so that only first lines may name a folder.
        let expected = match name.as_str() {
            "left_out.tsv" => b"stem\tresults\tparticipant_id\tsession_id\trun_id\treason\tdetail\n".to_vec(),
            _ if name.ends_with("_missing.tsv") => continue,
            _ => one.clone(),
        };
        assert!(expected == *both, "{name} {options:?}");
    }
}

#[test]
fn two_folders_give_the_numbers_of_one_with_all_children() {
    let folder = together();
    east_and_west(&folder);
    compare(&folder, &[]);
    let children = table(&folder, "both/children.tsv");
    assert_eq!(children[0][..4], ["stem", "results", "participant_id", "session_id"]);
    assert_eq!(column(&children, "participant_id"), IDS);
    assert_eq!(column(&children, "results"), ["east", "east", "east", "west", "west", "west"]);
    assert_eq!(column(&children, "stem")[2..4], ["east_sub-03", "west_sub-04"]);
    let alone = table(&folder, "results/stack/children.tsv");
    for (both, one) in children.iter().zip(&alone) {
        assert_eq!(both[2..], one[1..]);
    }
    let about = json(&folder, "both/stack.json");
    let digest = |name: &str| blake3::hash(&folder.bytes(&format!("{name}/cohort.tsv"))).to_hex().to_string();
    for (at, name) in ["east", "west"].into_iter().enumerate() {
        let of = &about["results"][at];
        assert_eq!((of["name"].as_str(), of["cohort_rows"].as_u64()), (Some(name), Some(3)));
        assert_eq!(of["cohort_blake3"].as_str(), Some(digest(name).as_str()));
    }
    let one = json(&folder, "results/stack/stack.json");
    assert_eq!(about["arrays"], one["arrays"]);
    assert!(about.get("cohort_blake3").is_none() && one.get("results").is_none() && one["cohort_blake3"].is_string());
    assert!(one["settings"].get("same_id").is_none());
    // No path of anybody's disk.
    let path = folder.path().to_str().unwrap().to_owned();
    for (name, bytes) in folder.files("both") {
        assert!(!String::from_utf8_lossy(&bytes).contains(&path), "{name}");
    }
}

#[test]
fn frames_are_read_from_the_records_of_each_folder() {
    let folder = together();
    east_and_west(&folder);
    // Seeds go by the children's own names.
    compare(&folder, &["--equal-minutes", "0.5", "--draw", "3", "--fisher-z", "--as", "npy"]);
    compare(&folder, &["--common-shrinkage", "--standard-errors", "--resamples", "5", "--block-seconds", "20"]);
    folder.keepstill(&["stack", "-q", "east", "west", "--out", "both", "--reliability"]).expect(0);
    let stems = column(&table(&folder, "both/reliability.tsv"), "stem");
    assert!(stems.contains(&"east_sub-01".to_owned()) && stems.contains(&"west_sub-06".to_owned()), "{stems:?}");
}

#[test]
fn a_comparison_takes_a_try_of_each_folder() {
    let folder = together();
    folder.run(&["-q", "--try", "censor.fd_mm=0"]).expect(0);
    east_and_west(&folder);
    let tried = folder.files("east/tries").into_iter().find(|(name, _)| name.ends_with("/cohort.tsv")).unwrap().0;
    let tried = format!("east/tries/{tried}");
    compare(&folder, &[]);
    let before = |name: &str| json(&folder, name)["before_censoring"]["status"].as_str().unwrap().to_owned();
    assert_eq!(before("both/quality.json"), "compared");
    assert_eq!(folder.read("both/quality.tsv"), folder.read("results/stack/quality.tsv"));
    // Without a try of one folder there is nothing to compare all children with.
    folder.remove(&tried);
    let said = folder.keepstill(&["stack", "east", "west", "--out", "both"]).expect(0);
    assert_eq!(before("both/quality.json"), "none");
    assert!(said.stderr.contains("quality is reported after censoring only: east: "), "{}", said.stderr);
}

#[test]
fn each_folder_has_its_own_reviews_and_columns() {
    let folder = together();
    east_and_west(&folder);
    set_cell(&folder, "west/cohort.tsv", 0, "handed", "left");
    set_cell(&folder, "west/cohort.tsv", 1, "results", "theirs");
    let digest = column(&table(&folder, "east/cohort.tsv"), "results_digest")[1].clone();
    let decisions = |child: &str, decision: &str| {
        let cells = ["2026-11-25T09:00:00Z", "AB", child, "", "", decision, "", "", "0", "1", &digest];
        format!("{}\n{}\n", HEADER.join("\t"), cells.join("\t"))
    };
    folder.write("east/review/decisions.tsv", &decisions("sub-02", "exclude"));
    // A folder's reviewers decide on its own children.
    folder.write("west/review/decisions.tsv", &decisions("sub-01", "exclude"));
    folder.keepstill(&["stack", "-q", "east", "west", "--out", "both"]).expect(0);
    let left = table(&folder, "both/left_out.tsv");
    assert_eq!(left[1][..3], ["east_sub-02", "east", "sub-02"]);
    assert_eq!((left.len(), left[1][5].as_str()), (2, "review_exclude"));
    let children = table(&folder, "both/children.tsv");
    assert_eq!(column(&children, "handed"), ["n/a", "n/a", "left", "n/a", "n/a"]);
    assert_eq!(column(&children, "participants_results"), ["n/a", "n/a", "n/a", "theirs", "n/a"]);
    folder.keepstill(&["stack", "-q", "east", "west", "--out", "both", "--where", "results=west"]).expect(0);
    assert_eq!(column(&table(&folder, "both/children.tsv"), "stem"), ["west_sub-04", "west_sub-05", "west_sub-06"]);
}

#[test]
fn an_id_in_two_folders_is_one_child_or_two_as_the_user_says() {
    let folder = together();
    part(&folder, "east", &IDS[..4]);
    part(&folder, "west", &IDS[3..]);
    let stack = |what: &str, more: &[&str]| {
        let options = ["stack", "east", "west", "--out", "both", "--same-id", what];
        folder.keepstill(&[&options, more].concat())
    };
    let said = stack("one-child", &[]).expect(0);
    assert!(said.stdout.starts_with("7 of 7 rows of cohort.tsv in the stack, of 6 children"), "{}", said.stdout);
    let twice = "1 pair of rows in different results folders is made from the same image, such as east_sub-04 and \
                 west_sub-04: one scan counts twice";
    assert!(said.stderr.contains(twice), "{}", said.stderr);
    let children = || table(&folder, "both/children.tsv");
    assert_eq!(column(&children(), "participant_id")[3..5], ["sub-04", "sub-04"]);
    assert_eq!(json(&folder, "both/stack.json")["blocks"]["blocks_by_rows"], serde_json::json!({ "1": 5, "2": 1 }));

    stack("two-children", &[]).expect(0);
    assert_eq!(column(&children(), "participant_id")[3..5], ["east_sub-04", "west_sub-04"]);
    assert_eq!(column(&children(), "stem")[3..5], ["east_sub-04", "west_sub-04"]);
    let about = json(&folder, "both/stack.json");
    assert_eq!((about["children"].as_u64(), about["settings"]["same_id"].as_str()), (Some(7), Some("two-children")));
    // Conditions are about what the folder's own table says.
    stack("two-children", &["-q", "--where", "participant_id=sub-04"]).expect(0);
    assert_eq!(column(&children(), "stem"), ["east_sub-04", "west_sub-04"]);
}

#[test]
fn unlike_settings_and_places_of_parcels_are_noted() {
    let folder = together();
    east_and_west(&folder);
    for id in &IDS[3..] {
        let report = format!("west/{id}/func/{id}_report.json");
        let mut changed = json(&folder, &report);
        changed["settings"]["clean"]["fill"] = "spectral".into();
        changed["settings"]["motion"]["translation_unit"] = "m".into();
        changed["settings"]["children"]["age_unit"] = "years".into();
        folder.write(&report, &changed.to_string());
        let coverage = format!("west/{id}/func/{id}_atlas-tern5_parcels.tsv");
        let mut parcels = table(&folder, &coverage);
        let at = parcels[0].iter().position(|name| name == "z_mm").unwrap();
        for row in &mut parcels[1..] {
            row[at] = row[at].parse().map_or("n/a".to_owned(), |mm: f64| (mm + 9.0).to_string());
        }
        folder.write(&coverage, &parcels.iter().map(|row| row.join("\t") + "\n").collect::<String>());
    }
    let said = folder.keepstill(&["stack", "east", "west", "--out", "both"]).expect(0);
    let notes = [
        "made with unlike settings: clean.fill (\"linear\" in east, \"spectral\" in west); children",
        "the parcels of tern5 lie 9.0 mm apart in east and west (median of their mean centroids)",
    ];
    for note in notes {
        assert!(said.stderr.contains(note), "{note}: {}", said.stderr);
    }
    let age = &json(&folder, "both/quality.json")["covariates"][0];
    assert_eq!(age["why_not"].as_str(), Some("age_unit is months in east and years in west"));
    let study = &json(&folder, "both/quality.json")["settings"]["study"];
    assert_eq!(
        (&study["east"]["clean"]["fill"], &study["west"]["clean"]["fill"]),
        (&"linear".into(), &"spectral".into())
    );
    assert!(folder.read("both/quality.html").contains("east and west"));
}

#[test]
fn a_stack_goes_where_it_is_asked_to_and_replaces_only_a_stack() {
    let folder = together();
    east_and_west(&folder);
    let stack = |more: &[&str]| folder.keepstill(&[&["stack", "-q"], more].concat());
    stack(&["results", "--out", "a/b"]).expect(0);
    assert!(!folder.join("results/stack").exists());
    stack(&["results"]).expect(0);
    assert!(folder.files("a/b") == folder.files("results/stack"));
    // An earlier stack is replaced, with a note of somebody's beside it.
    folder.write("a/b/notes.txt", "mine");
    stack(&["east", "west", "--out", "a/b", "--names", "nord,sud"]).expect(0);
    assert_eq!(column(&table(&folder, "a/b/children.tsv"), "results")[2..4], ["nord", "sud"]);
    assert_eq!(folder.read("a/b/notes.txt"), "mine");
    // Somebody's own table of the same name is not.
    folder.write("mine/children.tsv", "theirs");
    folder.write("mine/other.txt", "theirs");
    stack(&["results", "--out", "mine"]).expect(1);
    assert_eq!(folder.read("mine/children.tsv"), "theirs");
}
