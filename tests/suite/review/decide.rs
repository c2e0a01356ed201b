//! Decisions and what follows from them: the state, the cohort table, agreement, blinding.

use std::fs::{self, File};
use std::thread;
use std::time::Duration;

use serde_json::{Value, json};

use super::{MARKER, Served, change_cohort, cohort_cells, decisions, decisions_path, finished};
use crate::builders::{Tiny, motion_table};

fn of<'a>(state: &'a Value, stem: &str) -> &'a Value {
    &state["children"][stem]
}

/// A child that nobody has decided about.
fn none() -> Value {
    json!({ "review": "n/a", "reviewers": [], "reason": null, "others": 0, "lines": 0, "decisions": [] })
}

#[test]
fn a_decision_is_a_line_on_disk_and_is_there_after_a_restart() {
    let folder = finished();
    let served = Served::start(&folder);
    let state = served.state();
    assert!(state["reasons"].as_array().unwrap().len() > 3);
    assert_eq!(state["children"].as_object().unwrap().keys().collect::<Vec<_>>(), ["sub-01", "sub-02", "sub-03"]);
    assert_eq!(*of(&state, "sub-02"), none());

    let more = json!({ "reason": "too restless", "note": "squirms <b>\tfrom\nframe 13" });
    let answer = served.decide("sub-02", "AB", "exclude", more).good();
    let lines = decisions(&folder);
    assert_eq!(lines.len(), 1);
    let digest = cohort_cells(&folder, ["results_digest"])[1][0].clone();
    assert_eq!(digest.len(), 64, "{digest}");
    let expected =
        ["AB", "sub-02", "n/a", "n/a", "exclude", "too restless", "squirms <b> from frame 13", "0", "1", &digest];
    assert_eq!(lines[0][1..], expected);
    let time = &lines[0][0];
    assert!(time.len() == 20 && time.starts_with("20") && time.ends_with('Z'), "{time}");
    let told = json!({
        "review": "exclude", "reviewers": ["AB"], "reason": "too restless: squirms <b> from frame 13", "others": 0,
        "lines": 1,
        "decisions": [{ "time": time, "reviewer": "AB", "decision": "exclude", "reason": "too restless",
            "note": "squirms <b> from frame 13", "settles": false, "blinded": true, "current": true }],
    });
    assert_eq!(answer, json!({ "child": told, "agreement": [], "disagreements": [] }));
    assert_eq!(*of(&served.state_for("reviewer=AB"), "sub-02"), told);
    drop(served);

    let served = Served::start(&folder);
    assert_eq!(*of(&served.state_for("reviewer=AB"), "sub-02"), told);
    // A changed mind is a new line.
    let answer = served.decide("sub-02", "AB", "include", json!({})).good();
    assert_eq!(answer["child"]["review"], "include");
    assert_eq!(answer["child"]["decisions"].as_array().unwrap().len(), 2);
    assert_eq!(decisions(&folder)[0], lines[0]);
}

#[test]
fn two_reviewers_disagree_agree_and_settle() {
    let folder = finished();
    let served = Served::start(&folder);
    served.decide("sub-01", "AB", "include", json!({})).good();
    served.decide("sub-03", "AB", "include", json!({})).good();
    served.decide("sub-03", "CD", "include", json!({})).good();
    let answer = served.decide("sub-01", "CD", "exclude", json!({ "reason": "poor coverage" })).good();
    assert_eq!(answer["child"]["review"], "disagreement");
    assert_eq!(answer["child"]["reviewers"], json!(["AB", "CD"]));
    assert_eq!(answer["disagreements"], json!(["sub-01"]));
    let pair = &answer["agreement"][0];
    assert_eq!((&pair["reviewers"], &pair["children"], &pair["agree"]), (&json!(["AB", "CD"]), &json!(2), &json!(1)));
    // AB says the same of both, so chance explains the agreement.
    assert_eq!((&pair["kappa"], &pair["low"], &pair["high"]), (&json!(0.0), &Value::Null, &Value::Null));

    let settled = served.decide("sub-01", "AB", "include", json!({ "settles": true, "note": "talked over" })).good();
    assert_eq!(settled["child"]["review"], "include");
    assert_eq!(settled["disagreements"], json!([]));
    assert_eq!(settled["agreement"], answer["agreement"], "settling is not agreeing");
    let again = served.decide("sub-01", "CD", "exclude", json!({ "settles": true })).good();
    assert_eq!(again["child"]["review"], "exclude");
    let words = served.decide("sub-03", "AB", "include", json!({ "settles": true })).refused(409);
    assert_eq!(words, "reviewers do not disagree about sub-03, so there is nothing to settle; leave the box empty");
    let later = served.decide("sub-01", "AB", "include", json!({})).good();
    assert_eq!(later["child"]["review"], "disagreement");

    let state = served.state();
    assert_eq!(state["disagreements"], json!(["sub-01"]));
    drop(served);
    let told = folder.keepstill(&["review", "results", "--agreement", "--json"]).expect(0);
    let told: Value = serde_json::from_str(&told.stdout).unwrap();
    for key in ["children", "agreement", "disagreements", "skipped"] {
        assert_eq!(told[key], state[key], "{key}");
    }
    let words = folder.keepstill(&["review", "results", "--agreement"]).expect(0).stdout;
    let expected = "3 children: 1 include, 1 to be settled, 1 not decided.\n\
        AB and CD: 2 children, the same word for 1; Cohen's kappa 0.00 (95 % interval n/a: there is too little data to \
        say how certain it is).\n\
        To be settled: sub-01.\n";
    assert_eq!(words, expected);
}

#[test]
fn a_page_that_has_not_seen_a_settlement_cannot_override_it() {
    let folder = finished();
    let served = Served::start(&folder);
    let lines = |stem: &str| of(&served.state_for("reviewer=AB"), stem)["lines"].clone();
    let refused = |reviewer: &str, decision: &str, more: Value| {
        let before = decisions(&folder);
        let words = served.decide("sub-01", reviewer, decision, more).refused(409);
        assert_eq!(words, "this child has been settled since the page was loaded; reload, look, then decide");
        assert_eq!(decisions(&folder), before);
    };
    served.decide("sub-01", "AB", "include", json!({ "seen": 0 })).good();
    let answer = served.decide("sub-01", "CD", "exclude", json!({ "seen": 0 })).good();
    assert_eq!(answer["child"]["lines"], 2, "what does not settle may cross");
    let old_tab = lines("sub-01");
    assert_eq!(old_tab, 2);
    let answer = served.decide("sub-01", "CD", "exclude", json!({ "settles": true, "seen": old_tab })).good();
    assert_eq!(answer["child"]["lines"], 3);
    // The same reviewer's old tab, another's, and one that would settle it otherwise.
    refused("AB", "include", json!({ "seen": old_tab }));
    refused("CD", "include", json!({ "seen": 0 }));
    refused("AB", "include", json!({ "seen": old_tab, "settles": true }));
    // Who has seen it may open it again; the old tab still knows nothing of it.
    served.decide("sub-01", "AB", "include", json!({ "seen": lines("sub-01") })).good();
    assert_eq!(of(&served.state(), "sub-01")["review"], "disagreement");
    refused("EF", "include", json!({ "seen": old_tab }));
    // Settled on results that are gone is not settled; a page that says nothing is not asked.
    served.decide("sub-01", "EF", "include", json!({})).good();
    change_cohort(&folder, |data| data.rows[0].results_digest = "5".repeat(64));
    served.decide("sub-01", "AB", "exclude", json!({ "seen": old_tab })).good();
    assert_eq!(lines("sub-01"), 6, "on whatever results");
    for bad in [json!(-1), json!("2"), json!(1.5)] {
        let words = served.decide("sub-02", "AB", "include", json!({ "seen": bad })).refused(400);
        assert!(words.contains("cannot be read"), "{words}");
    }
}

#[test]
fn a_child_for_whom_nothing_could_be_done_is_not_included() {
    let folder = Tiny { children: 2, ..Tiny::default() }.build();
    folder.cut("bold_01.nii", 3000);
    folder.run(&[]).expect(3);
    assert_eq!(cohort_cells(&folder, ["verdict"])[0], ["failed"]);
    let served = Served::start(&folder);
    let words = served.decide("sub-01", "AB", "include", json!({})).refused(409);
    assert!(words.starts_with("nothing could be done for this child, so there is nothing to include;"), "{words}");
    assert_eq!(decisions(&folder).len(), 0);
    for (stem, decision) in [("sub-01", "exclude"), ("sub-01", "unsure"), ("sub-02", "include")] {
        assert_eq!(served.decide(stem, "AB", decision, json!({})).good()["child"]["review"], decision);
    }
}

#[test]
fn rows_are_named_as_on_the_pages_where_runs_are_not_joined() {
    let settings = "[connectivity]\njoin = \"none\"\n".to_owned();
    let folder = Tiny { children: 1, runs: 2, settings, ..Tiny::default() }.build();
    for run in ["1", "2"] {
        let name = format!("sub-01_task-nap_run-{run}_bold.nii");
        fs::rename(folder.join(&format!("bold_01_{run}.nii")), folder.join(&name)).unwrap();
        folder.edit("runs.tsv", &format!("bold_01_{run}.nii"), &name);
    }
    folder.run(&[]).expect(0);
    let served = Served::start(&folder);
    let stems = ["sub-01_task-nap_run-1", "sub-01_task-nap_run-2"];
    served.decide(stems[1], "AB", "include", json!({})).good();
    served.decide(stems[1], "CD", "exclude", json!({})).good();
    let told = folder.keepstill(&["review", "results", "--agreement", "--json"]).expect(0);
    let told: Value = serde_json::from_str(&told.stdout).unwrap();
    assert_eq!(told["children"].as_object().unwrap().keys().collect::<Vec<_>>(), stems);
    assert_eq!((&told["disagreements"], &told["skipped"]), (&json!([stems[1]]), &json!([])));
    assert_eq!(told["children"], served.state()["children"]);
    let words = folder.keepstill(&["review", "results", "--agreement"]).expect(0).stdout;
    assert!(words.ends_with("To be settled: sub-01_task-nap_run-2.\n"), "{words}");
}

#[test]
fn initials_are_not_split_by_a_capital_letter() {
    let folder = finished();
    let served = Served::start(&folder);
    served.decide("sub-01", "AB", "include", json!({})).good();
    let words = served.decide("sub-02", "ab", "include", json!({})).refused(400);
    assert!(words.contains("\"ab\" were written \"AB\" before"), "{words}");
    assert_eq!(decisions(&folder).len(), 1);
    let unhide = |reviewer: &str| served.post("/api/unhide", &json!({ "reviewer": reviewer }));
    let words = unhide("Ab").refused(400);
    assert!(words.contains("\"Ab\" were written \"AB\" before"), "{words}");
    assert!(!folder.join("results/review/unhidden.tsv").exists());
    unhide("cd").good();
    let words = served.decide("sub-02", "CD", "include", json!({})).refused(400);
    assert!(words.contains("\"CD\" were written \"cd\" before"), "{words}");
}

#[test]
fn what_others_decided_is_withheld_until_one_has_decided() {
    let folder = finished();
    let served = Served::start(&folder);
    let more = json!({ "reason": "too restless", "note": "squirms" });
    served.decide("sub-01", "AB", "exclude", more.clone()).good();
    served.decide("sub-02", "AB", "exclude", more).good();
    let withheld =
        json!({ "review": "withheld", "reviewers": [], "reason": null, "others": 1, "lines": 1, "decisions": [] });
    for query in
        ["", "reviewer=", "reviewer=CD", "reviewer=%C3%85b", "reviewer=CD&reveal=0", "reviewer=A.B", "reviewer=%"]
    {
        let state = served.state_for(query);
        assert_eq!((of(&state, "sub-01"), of(&state, "sub-03")), (&withheld, &none()), "{query}");
        let text = state["children"].to_string();
        assert!(!text.contains("squirms") && !text.contains("AB") && !text.contains("exclude"), "{text}");
    }
    // The one who decided, and whoever asks for it, know.
    for query in ["reviewer=AB", "reviewer=ab", "reveal=1", "reviewer=CD&reveal=1"] {
        let state = served.state_for(query);
        assert_eq!(of(&state, "sub-01")["reason"], "too restless: squirms", "{query}");
        assert_eq!(of(&state, "sub-01")["others"], u8::from(!query.to_lowercase().contains("ab")), "{query}");
    }

    let answer = served.decide("sub-01", "CD", "include", json!({})).good();
    assert_eq!((&answer["child"]["review"], &answer["child"]["others"]), (&json!("disagreement"), &json!(1)));
    assert_eq!(answer["child"]["decisions"].as_array().unwrap().len(), 2);
    let state = served.state_for("reviewer=CD");
    assert_eq!((of(&state, "sub-01"), of(&state, "sub-02")), (&answer["child"], &withheld));
    let state = served.state_for("reviewer=EF");
    assert_eq!((&of(&state, "sub-01")["review"], &of(&state, "sub-01")["others"]), (&json!("withheld"), &json!(2)));
    assert_eq!(state["disagreements"], json!(["sub-01"]), "names alone");
    assert_eq!(state["agreement"][0]["children"], 1);
    // What was settled is no secret.
    served.decide("sub-01", "CD", "include", json!({ "settles": true })).good();
    assert_eq!(of(&served.state_for("reviewer=EF"), "sub-01")["review"], "include");
}

#[test]
fn words_of_those_who_saw_everything_are_kept_from_blinded_pages() {
    let folder = finished();
    let served = Served::start(&folder);
    let key = served.post("/api/unhide", &json!({ "reviewer": "AB" })).good()["key"].as_str().unwrap().to_owned();
    let more = json!({ "shown": key, "reason": "fell asleep late", "note": "still, for six months" });
    let answer = served.decide("sub-01", "AB", "include", more).good();
    assert_eq!(answer["child"]["reason"], "fell asleep late: still, for six months");
    let answer = served.decide("sub-01", "CD", "include", json!({ "note": "quiet" })).good();
    let state = served.state();
    for child in [&answer["child"], of(&state, "sub-01")] {
        assert!(!child.to_string().contains("six months") && !child.to_string().contains("asleep"), "{child}");
        assert_eq!(child["reason"], "written with group, sex and age shown; quiet");
        assert_eq!(child["decisions"][0]["note"], "written with group, sex and age shown");
        assert_eq!(child["decisions"][0]["reason"], Value::Null);
        assert_eq!(
            (&child["decisions"][0]["decision"], &child["decisions"][1]["note"]),
            (&json!("include"), &json!("quiet"))
        );
    }
    let state = served.state_for(&format!("reveal=1&shown={key}"));
    assert_eq!(of(&state, "sub-01")["decisions"][0]["note"], "still, for six months");
    let told = folder.keepstill(&["review", "results", "--agreement", "--json"]).expect(0).stdout;
    assert!(told.contains("still, for six months"), "{told}");
}

#[test]
fn decisions_on_results_that_changed_are_refused_and_told_as_out_of_date() {
    let folder = finished();
    let served = Served::start(&folder);
    served.decide("sub-01", "AB", "include", json!({})).good();
    served.decide("sub-02", "AB", "include", json!({})).good();
    let old = served.decision("sub-01", "AB", "exclude", json!({}));

    folder.write("motion_01.tsv", &motion_table(40, 77));
    folder.run(&[]).expect(0);
    let words = served.post("/api/decide", &old).refused(409);
    assert!(words.contains("sub-01 have changed") && words.contains("reload"), "{words}");
    let state = served.state();
    assert_eq!(of(&state, "sub-01")["review"], "out_of_date");
    assert_eq!(of(&state, "sub-01")["decisions"][0]["current"], false);
    assert_eq!(of(&state, "sub-02")["review"], "include");
    assert_eq!(
        cohort_cells(&folder, ["review", "reviewers", "review_reason"]),
        [["out_of_date", "n/a", "n/a"], ["include", "AB", "n/a"], ["n/a", "n/a", "n/a"]]
            .map(|row| row.map(str::to_owned))
    );
    let answer = served.decide("sub-01", "AB", "exclude", json!({})).good();
    assert_eq!(answer["child"]["review"], "exclude");
}

#[test]
fn torn_and_bad_lines_are_told_of_passed_over_and_kept() {
    let folder = finished();
    let served = Served::start(&folder);
    served.decide("sub-01", "AB", "include", json!({})).good();
    let good = fs::read_to_string(decisions_path(&folder)).unwrap();
    let row = good.lines().nth(1).unwrap();
    let spoilt = format!("{good}{}\nnot a line\n{}", row.replace("include", "perhaps"), &row[..50]);
    fs::write(decisions_path(&folder), &spoilt).unwrap();
    let state = served.state();
    let skipped: Vec<&str> = state["skipped"].as_array().unwrap().iter().map(|words| words.as_str().unwrap()).collect();
    assert_eq!(skipped.len(), 3, "{skipped:?}");
    assert!(skipped[0].contains("line 3 decides \"perhaps\""), "{}", skipped[0]);
    assert!(skipped[1].contains("line 4 has 1 cells") && skipped[2].contains("line 5 has no line end"), "{skipped:?}");
    assert_eq!(of(&state, "sub-01")["decisions"].as_array().unwrap().len(), 1);

    served.decide("sub-02", "AB", "exclude", json!({})).good();
    let text = fs::read_to_string(decisions_path(&folder)).unwrap();
    assert!(text.starts_with(&format!("{spoilt}\n")), "{text}");
    let state = served.state();
    assert_eq!(
        (&of(&state, "sub-01")["review"], &of(&state, "sub-02")["review"]),
        (&json!("include"), &json!("exclude"))
    );
    // A run tells of them too, and goes on.
    let said = folder.run(&[]).expect(0).stderr;
    assert!(said.contains("review/decisions.tsv line 4"), "{said}");
}

#[test]
fn what_cannot_be_saved_is_not_confirmed_and_the_server_goes_on() {
    let folder = finished();
    let served = Served::start(&folder);
    fs::create_dir(decisions_path(&folder)).unwrap();
    let words = served.decide("sub-01", "AB", "include", json!({})).refused(500);
    assert!(words.starts_with("review/decisions.tsv: cannot"), "{words}");
    assert!(served.get("/api/state").refused(500).contains("review/decisions.tsv"));
    fs::remove_dir(decisions_path(&folder)).unwrap();
    served.decide("sub-01", "AB", "include", json!({})).good();
    // A run does not fall over it either.
    fs::remove_file(decisions_path(&folder)).unwrap();
    fs::create_dir(decisions_path(&folder)).unwrap();
    let said = folder.run(&[]).expect(0).stderr;
    assert!(said.contains("reviewers' decisions are missing"), "{said}");
    assert_eq!(cohort_cells(&folder, ["review"])[0], ["n/a"]);
}

#[test]
fn the_cohort_table_follows_and_a_run_keeps_it() {
    let folder = finished();
    let before = folder.read("results/cohort.tsv");
    let served = Served::start(&folder);
    served.decide("sub-02", "AB", "exclude", json!({ "reason": "too restless", "note": "squirms" })).good();
    served.decide("sub-02", "CD", "exclude", json!({ "reason": "too restless" })).good();
    let said = served.interrupt();
    assert!(said.contains("Tern Bay naps, 3 children: http://127.0.0.1:"), "{said}");
    assert!(said.contains("not for diagnosis") && said.contains("Ctrl-C ends the server"), "{said}");
    assert!(said.ends_with("Ended. Decisions are in results/review/decisions.tsv.\n"), "{said}");
    let after = folder.read("results/cohort.tsv");
    let columns = ["review", "reviewers", "review_reason"];
    let none = ["n/a", "n/a", "n/a"].map(str::to_owned);
    let decided = ["exclude", "AB;CD", "too restless: squirms; too restless"].map(str::to_owned);
    assert_eq!(cohort_cells(&folder, columns), [none.clone(), decided, none]);
    // Nothing else in it has changed.
    assert_eq!(after.replace("exclude\tAB;CD\ttoo restless: squirms; too restless", "n/a\tn/a\tn/a"), before);

    folder.run(&[]).expect(0);
    assert_eq!(folder.read("results/cohort.tsv"), after);
    folder.run(&["--redo"]).expect(0);
    assert_eq!(folder.read("results/cohort.tsv"), after);
    let served = Served::start(&folder);
    let said = served.interrupt();
    assert!(said.contains("Decisions are in"), "{said}");
    assert_eq!(folder.read("results/cohort.tsv"), after);
}

#[test]
fn a_run_at_work_keeps_the_table_to_itself() {
    let folder = finished();
    let before = folder.read("results/cohort.tsv");
    let lock = File::options().write(true).open(folder.join("results/.keepstill/lock")).unwrap();
    lock.lock().unwrap();
    let served = Served::start(&folder);
    served.decide("sub-02", "AB", "exclude", json!({})).good();
    let said = served.interrupt();
    assert!(said.contains("cohort.tsv: a run is at work"), "{said}");
    assert_eq!(folder.read("results/cohort.tsv"), before);
    drop(lock);
    // The next server makes up for it, without being asked to.
    let served = Served::start(&folder);
    while folder.read("results/cohort.tsv") == before {
        thread::sleep(Duration::from_millis(5));
    }
    drop(served);
    assert_eq!(cohort_cells(&folder, ["review"])[1], ["exclude"]);
}

#[test]
fn blinded_pages_hold_nothing_to_hide_until_it_is_asked_for_and_noted() {
    let folder = finished();
    let served = Served::start(&folder);
    for page in ["/", "/child/sub-01", "/?shown=0123", "/child/sub-01?shown="] {
        let answer = served.get(page);
        assert_eq!(answer.status, 200, "{page}: {answer:?}");
        assert!(!answer.body.contains(MARKER), "{page}");
    }
    assert!(!served.get("/api/state").body.contains(MARKER));
    assert!(!folder.join("results/review/unhidden.tsv").exists());
    assert!(served.post("/api/unhide", &json!({ "reviewer": "" })).refused(400).contains("initials are missing"));

    let shown = served.post("/api/unhide", &json!({ "reviewer": "AB" })).good();
    let noted = folder.read("results/review/unhidden.tsv");
    assert!(noted.starts_with("time\treviewer\n20") && noted.ends_with("Z\tAB\n"), "{noted}");
    assert_eq!(shown["covariates"], json!(["age_months", "sex", "nap"]));
    assert_eq!(shown["rows"]["sub-01"], json!(["6", "m", MARKER]));
    assert_eq!(shown["rows"].as_object().unwrap().len(), 3);
    let key = shown["key"].as_str().unwrap();
    assert!(served.get(&format!("/?shown={key}")).body.contains(MARKER));
    assert_eq!(served.get(&format!("/child/sub-01?shown={key}")).status, 200);
    assert!(!served.get("/").body.contains(MARKER));

    let blinded = || decisions(&folder).last().unwrap()[9].clone();
    let decide = |reviewer: &str, more: Value| {
        served.decide("sub-01", reviewer, "include", more).good();
        blinded()
    };
    assert_eq!(decide("AB", json!({ "shown": key })), "0");
    // Who has looked knows, also on a page that hides it.
    assert_eq!(decide("AB", json!({})), "0");
    assert_eq!(decide("CD", json!({})), "1");
    // A key of an earlier start shows nothing, so the page was blinded.
    assert_eq!(decide("CD", json!({ "shown": "0123" })), "1");
    assert!(!folder.read("results/review/unhidden.tsv").contains("CD"));
    // With the key that AB asked for CD looks too: it is noted, once.
    assert_eq!(decide("CD", json!({ "shown": key })), "0");
    assert_eq!(decide("CD", json!({ "shown": key })), "0");
    assert_eq!(decide("CD", json!({})), "0");
    let noted = folder.read("results/review/unhidden.tsv");
    assert!(noted.lines().count() == 3 && noted.ends_with("Z\tCD\n"), "{noted}");
    drop(served);

    // After a restart too, and however it was spelt when it was noted.
    folder.write("results/review/unhidden.tsv", "time\treviewer\n2026-11-25T09:30:00Z\tef\n");
    fs::remove_file(decisions_path(&folder)).unwrap();
    fs::write(decisions_path(&folder), "").unwrap();
    let served = Served::start(&folder);
    served.decide("sub-01", "ef", "include", json!({})).good();
    served.decide("sub-01", "GH", "include", json!({})).good();
    assert_eq!(decisions(&folder).iter().map(|line| line[9].as_str()).collect::<Vec<_>>(), ["0", "1"]);
    let text = fs::read_to_string(decisions_path(&folder)).unwrap();
    fs::write(decisions_path(&folder), text.replace("\tef\t", "\tEF\t")).unwrap();
    served.decide("sub-02", "EF", "include", json!({})).good();
    assert_eq!(decisions(&folder)[2][9], "0");
    // What cannot be noted is not saved.
    let key = served.post("/api/unhide", &json!({ "reviewer": "EF" })).good()["key"].clone();
    fs::remove_file(folder.join("results/review/unhidden.tsv")).unwrap();
    fs::create_dir(folder.join("results/review/unhidden.tsv")).unwrap();
    let words = served.decide("sub-03", "GH", "include", json!({ "shown": key })).refused(500);
    assert!(words.starts_with("review/unhidden.tsv: cannot"), "{words}");
    assert_eq!(decisions(&folder).len(), 3);
}

#[test]
fn a_radius_that_goes_by_age_is_hidden_too() {
    let settings = "[motion]\nsphere_radius = \"by-age\"\n".to_owned();
    let folder = Tiny { children: 1, settings, ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    let report = "results/sub-01/func/sub-01_report";
    let told: Value = serde_json::from_str(&folder.read(&format!("{report}.json"))).unwrap();
    let radius = told["joined"]["sphere_radius_mm"].to_string();
    assert!(radius.len() > 5 && folder.read(&format!("{report}.html")).contains(&radius), "{radius}");
    let served = Served::start(&folder);
    assert!(!served.get("/child/sub-01").body.contains(&radius));
    let key = served.post("/api/unhide", &json!({ "reviewer": "AB" })).good()["key"].clone();
    assert!(served.get(&format!("/child/sub-01?shown={}", key.as_str().unwrap())).body.contains(&radius));
}

#[test]
fn reasons_can_be_added() {
    let folder = finished();
    let served = Served::start(&folder);
    let first = served.state()["reasons"].as_array().unwrap().clone();
    let answer = served.post("/api/reasons", &json!({ "reason": " hummed\tall along " })).good();
    let added = [first.as_slice(), &[json!("hummed all along")]].concat();
    assert_eq!(answer["reasons"], json!(added));
    assert_eq!(served.post("/api/reasons", &json!({ "reason": "hummed all along" })).good()["reasons"], json!(added));
    assert!(served.post("/api/reasons", &json!({ "reason": " " })).refused(400).contains("empty"));
    assert!(folder.read("results/review/reasons.txt").ends_with("\nhummed all along\n"));
    folder.write("results/review/reasons.txt", "my own\n");
    assert_eq!(served.state()["reasons"], json!(["my own"]));
}

#[test]
fn a_child_without_a_page_is_told_of_and_can_be_decided_on() {
    let folder = finished();
    change_cohort(&folder, |data| data.rows[1].page = None);
    let served = Served::start(&folder);
    let words = served.get("/child/sub-02").refused(404);
    assert!(words.contains("sub-02 has no page") && words.contains("output.pages"), "{words}");
    served.decide("sub-02", "AB", "unsure", json!({})).good();
}
