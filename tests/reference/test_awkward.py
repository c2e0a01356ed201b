"""What is noticed in a cohort with planted faults, and in cohorts without any.

The faults are those of `awkward.py`, an invented cohort; that they are found is held against its own list. That sound
children are left alone is counted over several seeds."""

import csv
import json

import awkward


def rows(folder):
    with open(folder / "results" / "cohort.tsv") as table:
        return {row["participant_id"]: row for row in csv.DictReader(table, delimiter="\t")}


def codes(row):
    return [] if row["noticed"] == "n/a" else row["noticed"].split(";")


def test_every_fault_is_told_by_its_code_and_sound_children_by_none(tmp_path, keepstill):
    planted = awkward.write(tmp_path)
    keepstill("run", tmp_path / "study.toml")
    found = rows(tmp_path)
    for child, code in planted:
        assert code in codes(found[child]), (child, code, found[child])
    with_faults = {child for child, _ in planted}
    for child, row in found.items():
        if child not in with_faults:
            assert codes(row) == [] and row["verdict"] == "enough", (child, row)
    # The second of two equal runs is not joined; its minutes count once.
    assert (found["sub-n03"]["runs"], found["sub-n03"]["runs_joined"]) == ("2", "1")

    # The words, codes and weights stand in the reports too, also those that only other children give away.
    for child in ("sub-n01", "sub-n04", "sub-s01"):
        report = json.loads((tmp_path / "results" / child / "func" / f"{child}_report.json").read_text())
        noticed = report["joined"]["noticed"]
        assert {entry["code"] for entry in noticed} == set(codes(found[child]))
        assert all(entry["words"] in report["joined"]["warnings"] for entry in noticed)
        assert report["joined"]["verdict"] == found[child]["verdict"]
        page = (tmp_path / "results" / child / "func" / f"{child}_report.html").read_text()
        assert noticed[-1]["words"].split("'")[0][:40] in page
        why = keepstill("why", tmp_path / "results", child).stdout
        assert all(f"Noticed ({entry['code']})" in why for entry in noticed), why

    # A stack leaves them out by name and reason until they are taken on purpose.
    keepstill("stack", tmp_path / "results")
    with open(tmp_path / "results" / "stack" / "left_out.tsv") as table:
        left_out = {row["participant_id"]: row["reason"] for row in csv.DictReader(table, delimiter="\t")}
    look = {child for child, row in found.items() if row["verdict"] == "look_first"}
    assert {child for child, reason in left_out.items() if reason == "look_first"} == look
    assert {"sub-n01", "sub-n04", "sub-s00", "sub-n06", "sub-s01"} <= look
    keepstill("stack", tmp_path / "results", "--take-unlooked")
    with open(tmp_path / "results" / "stack" / "children.tsv") as table:
        taken = {row["participant_id"] for row in csv.DictReader(table, delimiter="\t")}
    assert look <= taken

    # Nothing changed: nothing is done again, and the same is noticed.
    again = keepstill("run", tmp_path / "study.toml")
    assert "0 done" in again.stdout, again.stdout
    assert rows(tmp_path) == found


def test_cohorts_without_faults_have_hardly_any_remark_of_weight_look(tmp_path, keepstill):
    looks = children = 0
    for seed in range(4):
        folder = tmp_path / str(seed)
        awkward.write(folder, seed + 100, faults=False)
        keepstill("run", folder / "study.toml", "-q")
        found = rows(folder)
        children += len(found)
        looks += sum(row["verdict"] == "look_first" for row in found.values())
    assert children == 4 * (awkward.NORTH + awkward.SOUTH)
    assert looks == 0, f"{looks} of {children}"
