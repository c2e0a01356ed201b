"""`keepstill thresholds` from files to tables, every row against the formulas in numpy: the mixed cohort (many forms of
motion table, watch logs, radius by age, several runs and sessions) under several settings. No image of the cohort is
read here beyond its header."""

import json
import math

import nibabel
import numpy as np
import pytest

import cohorts
import formulas as f
from numpy_pipeline import sphere_radius, join_key
from study_files import load_study, read_columns, read_tsv, scans_of, tr_of

GRID = [*(round(0.1 + 0.05 * i, 2) for i in range(19)), None]
MINIMUMS = [3, 5, 8, 10]


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    return cohorts.mixed_cohort(tmp_path_factory.mktemp("mixed") / "data")


def minutes_kept(study, scan, limit, form, neighbours):
    motion, censor = study["motion"], study["censor"]
    tr_s = tr_of(scan, nibabel.load(scan.path("bold")))
    six = read_columns(scan.path("motion"), motion["columns"])
    trans = six[:, :3] * {"mm": 1.0, "m": 1000.0}[motion["translation_unit"]]
    rot = six[:, 3:] * {"rad": 1.0, "deg": math.pi / 180}[motion["rotation_unit"]]
    radius = sphere_radius(study, scan)
    if form == "sum":
        fd = f.fd_sum(trans, rot, radius)
    else:
        fd = f.fd_rms(trans, rot, radius, motion["rotation_order"])
    logged = np.zeros(len(six), bool)
    if censor["watch_log"] and scan.path("watch_log"):
        types = censor["watch_log_types"]
        rows = [r for r in read_tsv(scan.path("watch_log")) if not types or r["trial_type"] in types]
        logged = f.logged_frames([(float(r["onset"]), float(r["duration"])) for r in rows], len(six), tr_s)
    before, after = (censor["before"], censor["after"]) if neighbours else (0, 0)
    kept, _ = f.censor(
        fd, np.full(len(six), np.nan), logged, limit or 0, 0, before, after, censor["shortest_stretch"],
        censor["settling"],
    )
    return kept.sum() * tr_s / 60


@pytest.mark.parametrize("name, changes", [
    ("as-it-is", {}),
    ("rms-first", {"displacement": '"rms"', "sphere_radius": "40.0", "join": '"sessions"', "settling": "3"}),
    ("each-run", {"join": '"none"', "before": "0", "after": "4", "shortest_stretch": "12", "watch_log_types": "[]"}),
    ("own-limit", {"fd_mm": "0.22", "watch_log": "false", "dvars_percent": "5.0"}),
])
def test_every_row(keepstill, mixed, name, changes):
    path, results = cohorts.mixed_study(mixed, f"thresholds-{name}", **changes)
    keepstill("thresholds", path)
    study = load_study(path)
    grid = sorted({*GRID[:-1], study["censor"]["fd_mm"]}) + [None]
    choices = [(limit, form, n) for form in ("sum", "rms") for n in (1, 0) for limit in grid]
    children = {}
    for scan in scans_of(study):
        kept = np.array([minutes_kept(study, scan, *choice) for choice in choices])
        children[join_key(study, scan)] = children.get(join_key(study, scan), 0) + kept
    assert len(children) > 3
    expected = np.array(list(children.values()))  # [children, choices]

    number = lambda cell: None if cell is None else float(cell)
    rows = read_tsv(results / "thresholds" / "thresholds.tsv")
    assert [(number(r["fd_mm"]), r["displacement"], int(r["neighbours"])) for r in rows] == choices
    for i, row in enumerate(rows):
        for least in MINIMUMS:
            # Sums of whole frames: what is at a minimum to rounding is at it.
            assert int(row[f"children_above_{least}_min"]) == (expected[:, i] >= least - 1e-9).sum(), (
                choices[i],
                least,
            )
        assert float(row["median_minutes_kept"]) == pytest.approx(np.median(expected[:, i]), rel=1e-6)
        assert int(row["children"]) == len(children)

    bare = lambda cell, label: None if cell is None else cell.removeprefix(label)
    told = {}
    for row in read_tsv(results / "thresholds" / "minutes.tsv"):
        key = (bare(row["participant_id"], "sub-"), bare(row["session_id"], "ses-"), bare(row["run_id"], "run-"))
        told[key, number(row["fd_mm"]), row["displacement"], int(row["neighbours"])] = float(row["minutes_kept"])
    assert len(told) == len(children) * len(choices)
    for key, kept in children.items():
        for choice, minutes in zip(choices, kept):
            assert told[(key, *choice)] == pytest.approx(minutes, rel=1e-6), (key, choice)
    # The study's limits must tell children apart, or the above would hold of constants.
    assert len({tuple(column) for column in expected.T.round(6)}) > 10

    whole = json.loads((results / "thresholds" / "thresholds.json").read_text())
    assert ("DVARS is left out" in " ".join(whole["notes"])) == (study["censor"]["dvars_percent"] > 0)
    for child in whole["children"]:
        assert child["minutes_kept"] == pytest.approx(
            children[
                bare(child["participant_id"], "sub-"), bare(child["session_id"], "ses-"), bare(child["run_id"], "run-")
            ],
            rel=1e-12,
        )
