"""The comparison itself: results written by this file from the numpy pipeline pass, and one changed value does not."""

import json
import math

import numpy as np
import pytest

import cohorts
import numpy_pipeline
from compare_results import compare, stem


def text(value):
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "n/a"
    return str(np.float32(value)) if isinstance(value, (float, np.floating)) else str(value)


def table(path, header, rows):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join("\t".join(map(text, row)) for row in [header, *rows]) + "\n")


def plain(report):
    return {k: v.item() if hasattr(v, "item") else v for k, v in report.items()}


def write(results, study_path):
    study, _, joined = numpy_pipeline.process_study(study_path)
    cohort = []
    for one in joined.values():
        scan = one["runs"][0]["scan"]
        for run in one["runs"]:
            folder, s, tail = stem(run["scan"])
            base = results / folder / f"{s}{tail}"
            rows = [
                [i, i * run["tr_s"], *run["trans"][i], *run["rot"][i], run["fd"]["sum"][i], run["fd"]["rms"][i],
                 run["dvars"][i], run["global_signal"][i], int(run["kept"][i]), ";".join(run["reasons"][i]) or None]
                for i in range(len(run["kept"]))
            ]
            table(
                base.with_name(base.name + "_frames.tsv"),
                [
                    "frame", "time_s", *(f"translation_{a}_mm" for a in "xyz"), *(f"rotation_{a}_rad" for a in "xyz"),
                    "fd_sum_mm", "fd_rms_mm", "dvars_percent", "global_signal", "kept", "reasons",
                ],
                rows,
            )
            for name, a in run["atlases"].items():
                table(base.with_name(f"{base.name}_atlas-{name}_parcels.tsv"),
                      ["index", "name", "voxels", "coverage", "used", "x_mm", "y_mm", "z_mm"],
                      [[i, n, v, c, int(u), *p] for i, n, v, c, u, p in zip(
                          a["indices"], a["names"], a["voxels"], a["coverage"], a["used"], a["centroid"])])
                if a["residuals"] is not None:
                    series = np.full((len(run["kept"]), len(a["indices"])), np.nan)
                    series[run["kept"]] = a["residuals"]
                    table(base.with_name(f"{base.name}_atlas-{name}_series.tsv"), a["names"], series.tolist())
        folder, s, _ = stem(scan)
        for name, a in one["atlases"].items():
            names = one["runs"][0]["atlases"][name]["names"]
            for measure, m in a["matrices"].items():
                table(results / folder / f"{s}_atlas-{name}_desc-{measure}_matrix.tsv", ["parcel", *names],
                      [[n, *row] for n, row in zip(names, m.tolist())])
        report = {"version": "0", "settings": {}, "runs": [plain(r["report"]) for r in one["runs"]],
                  "joined": plain(one["report"])}
        (results / folder / f"{s}_report.json").write_text(json.dumps(report))
        cohort.append([f"sub-{scan.participant}", scan.session, *plain(one["report"]).values()])
        header = ["participant_id", "session_id", *one["report"]]
    table(results / "cohort.tsv", header, cohort)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = cohorts.mixed_cohort(tmp_path_factory.mktemp("compare") / "data")
    study, results = cohorts.mixed_study(folder, motion_terms="6")
    write(results, study)
    return study, results


def test_equal_results_pass(written):
    c = compare(written[1], written[0])
    assert c.problems == []
    assert c.compared["series"] > 10_000 and c.compared["partial"] > 1_000


@pytest.mark.parametrize("pattern, row, column, change, expected", [
    ("*cy*_frames.tsv", 20, "fd_rms_mm", 1.00001, "fd_rms_mm"),
    ("*cy*_frames.tsv", 20, "dvars_percent", 1.00001, "dvars_percent"),
    ("*anna*run-2*_atlas-tern18_parcels.tsv", 5, "coverage", 1.001, "coverage"),
    ("*fay*_atlas-spots_series.tsv", 40, "spot2", 1.01, "series"),
    ("*bo*_atlas-tern18_desc-partial_matrix.tsv", 4, "area020", 1.0001, "partial"),
    ("cohort.tsv", 1, "mean_fd_mm", 1.0001, "cohort mean_fd_mm"),
])
def test_one_changed_number_is_found(written, pattern, row, column, change, expected):
    study, results = written
    path = sorted(results.rglob(pattern))[0]
    kept = path.read_text()
    lines = [l.split("\t") for l in kept.splitlines()]
    at = lines[0].index(column)
    while lines[row][at] == "n/a":
        row += 1
    lines[row][at] = repr(float(lines[row][at]) * change)
    try:
        path.write_text("\n".join("\t".join(l) for l in lines) + "\n")
        problems = compare(results, study).problems
    finally:
        path.write_text(kept)
    assert len(problems) == 1 and expected in problems[0], problems


def test_a_missing_file_is_found(written):
    study, results = written
    path = next(results.rglob("*dee*_atlas-tern18_desc-pearson_matrix.tsv"))
    kept = path.read_text()
    path.unlink()
    try:
        assert len(compare(results, study).problems) == 1
    finally:
        path.write_text(kept)
