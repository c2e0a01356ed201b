"""Every number of a results folder against the numpy pipeline.

`compare(results, study)` returns the disagreements in words, and how many values of each kind were compared, so that a
test can also hold that something was.
"""

import collections
import json
import math
import pathlib

import numpy as np

import numpy_pipeline

# Written numbers read back as f32: half a unit in the last place is 6e-8.
WRITTEN = 3e-7
# Parcel means may be summed in another order and precision than here; of the series' own spread.
SERIES = 2e-5
R = 1e-6


PREFIX = {"participant_id": "sub", "session_id": "ses", "run_id": "run"}


def numbers(rows, column):
    return np.array([math.nan if r[column] is None else float(r[column]) for r in rows])


class Comparison:
    def __init__(self):
        self.problems = []
        self.compared = collections.Counter()

    def values(self, kind, where, got, expected, tolerance, size=None):
        """Arrays equal to `tolerance` times `size` (default: the largest expected value), n/a at the same places."""
        got, expected = np.asarray(got, float), np.asarray(expected, float)
        if got.shape != expected.shape:
            self.problems.append(f"{where} {kind}: shape {got.shape}, expected {expected.shape}")
            return
        self.compared[kind] += got.size
        gaps = np.isnan(got) != np.isnan(expected)
        if gaps.any():
            at = tuple(int(i) for i in np.argwhere(gaps)[0])
            self.problems.append(f"{where} {kind}: {gaps.sum()} n/a differ, first at {at}: {got[at]} {expected[at]}")
        both = ~np.isnan(got) & ~np.isnan(expected)
        if not both.any():
            return
        size = np.abs(expected[both]).max() if size is None else size
        error = np.where(both, np.abs(got - expected), 0)
        if error.max() > tolerance * max(size, 1e-12):
            at = tuple(int(i) for i in np.unravel_index(error.argmax(), error.shape))
            self.problems.append(
                f"{where} {kind}: off by {error.max():.3g} of {size:.3g} at {at}: {got[at]!r}, "
                f"expected {expected[at]!r}"
            )

    def equal(self, kind, where, got, expected):
        self.compared[kind] += 1
        if got != expected:
            self.problems.append(f"{where} {kind}: {got!r}, expected {expected!r}")

    def report(self, where, got, expected):
        """Each number or word of a report block, looked up by its documented name."""
        for name, value in expected.items():
            kind = f"report {name}"
            if name not in got:
                self.problems.append(f"{where} {kind}: missing")
            elif name.endswith("_id"):
                # The documentation leaves open whether labels carry their `sub-`, `ses-`, `run-`.
                found = got[name]
                self.equal(kind, where, found if found is None else found.removeprefix(f"{PREFIX[name]}-"), value)
            elif isinstance(value, (str, type(None))):
                self.equal(kind, where, got[name], value)
            else:
                found = got[name]
                # Lag 1 is a number near 1 or less of a series that is compared to SERIES.
                tolerance = SERIES if name == "lag1_autocorrelation" else 1e-6
                self.values(kind, where, math.nan if found is None else found, value, tolerance)


def only(folder, pattern, comparison):
    found = sorted(folder.glob(pattern))
    if len(found) != 1:
        comparison.problems.append(f"{folder}: {len(found)} files match {pattern}: {[p.name for p in found]}")
        return None
    return found[0]


def stem(scan):
    """(folder below results, S, tail) of a scan's files; R is S, an optional task, and the tail."""
    subject = f"sub-{scan.participant}"
    session = f"_ses-{scan.session}" if scan.session else ""
    folder = pathlib.Path(subject) / f"ses-{scan.session}" / "func" if scan.session else pathlib.Path(subject) / "func"
    return folder, subject + session, f"_run-{scan.run}" if scan.run else ""


def compare_run(c, results, run, study):
    folder, s, tail = stem(run["scan"])
    where = s + tail
    task = "_task-*" if list((results / folder).glob(f"{s}_task-*{tail}_frames.tsv")) else ""
    path = only(results / folder, f"{s}{task}{tail}_frames.tsv", c)
    if path is None:
        return
    rows = numpy_pipeline.read_tsv(path)
    frames = len(run["kept"])
    c.equal("frames", where, len(rows), frames)
    if len(rows) != frames:
        return
    c.values("frame", where, numbers(rows, "frame"), np.arange(frames), 0)
    c.values("time_s", where, numbers(rows, "time_s"), np.arange(frames) * run["tr_s"], WRITTEN)
    for i, axis in enumerate("xyz"):
        c.values(f"translation_{axis}_mm", where, numbers(rows, f"translation_{axis}_mm"), run["trans"][:, i], WRITTEN)
        c.values(f"rotation_{axis}_rad", where, numbers(rows, f"rotation_{axis}_rad"), run["rot"][:, i], WRITTEN)
    for form in ("sum", "rms"):
        c.values(f"fd_{form}_mm", where, numbers(rows, f"fd_{form}_mm"), run["fd"][form], WRITTEN)
    c.values("dvars_percent", where, numbers(rows, "dvars_percent"), run["dvars"], 1e-6)
    c.values("global_signal", where, numbers(rows, "global_signal"), run["global_signal"], 1e-6)
    c.equal("kept", where, [r["kept"] for r in rows], [str(int(k)) for k in run["kept"]])
    c.equal("reasons", where, [r["reasons"] for r in rows], [";".join(r) or None for r in run["reasons"]])

    for name, atlas in run["atlases"].items():
        path = only(results / folder, f"{s}{task}{tail}_atlas-{name}_parcels.tsv", c)
        if path is not None:
            rows = numpy_pipeline.read_tsv(path)
            at = f"{where} {name}"
            c.equal("coverage index", at, [int(r["index"]) for r in rows], atlas["indices"])
            if atlas["names"]:
                c.equal("coverage name", at, [r["name"] for r in rows], atlas["names"])
            if len(rows) == len(atlas["indices"]):
                c.values("voxels", at, numbers(rows, "voxels"), atlas["voxels"], 0)
                c.values("coverage", at, numbers(rows, "coverage"), atlas["coverage"], 1e-6, 1)
                c.equal("used", at, [r["used"] for r in rows], [str(int(u)) for u in atlas["used"]])
                for i, axis in enumerate("xyz"):
                    c.values(f"{axis}_mm", at, numbers(rows, f"{axis}_mm"), atlas["centroid"][:, i], 1e-5, 100)
        compare_series(c, results / folder, f"{s}{task}{tail}_atlas-{name}_series.tsv", where, run, atlas)


def compare_series(c, folder, pattern, where, run, atlas):
    if atlas["residuals"] is None:
        c.equal("no series", where, [p.name for p in folder.glob(pattern)], [])
        return
    path = only(folder, pattern, c)
    if path is None:
        return
    lines = [l.split("\t") for l in path.read_text().splitlines()]
    if atlas["names"]:
        c.equal("parcel names", where, lines[0], atlas["names"])
    got = np.array([[math.nan if v == "n/a" else float(v) for v in l] for l in lines[1:]])
    expected = np.full((len(run["kept"]), len(atlas["indices"])), np.nan)
    expected[run["kept"]] = atlas["residuals"]
    spread = np.nanstd(expected[:, atlas["used"]]) if atlas["used"].any() else 1
    c.values("series", where, got, expected, SERIES, spread)


def compare_matrices(c, results, key, joined, study):
    scan = joined["runs"][0]["scan"]
    folder, s, tail = stem(scan)
    how = study["connectivity"]["join"]
    if how == "sessions":
        s, tail = f"sub-{scan.participant}", ""
    elif how == "runs":
        tail = ""
    for name, atlas in joined["atlases"].items():
        for measure, expected in atlas["matrices"].items():
            ending = f"{tail}_atlas-{name}_desc-{measure}_matrix.tsv"
            pattern = f"sub-{scan.participant}/**/{s}{'*' if how == 'none' else ''}{ending}"
            path = only(results, pattern, c)
            if path is None:
                continue
            lines = [l.split("\t") for l in path.read_text().splitlines()]
            names = joined["runs"][0]["atlases"][name]["names"]
            if names:
                c.equal("matrix names", s, (lines[0][1:], [l[0] for l in lines[1:]]), (names, names))
            got = np.array([[math.nan if v == "n/a" else float(v) for v in l[1:]] for l in lines[1:]])
            # A covariance has a unit, and so no size that is its own.
            c.values(measure, f"{s} {name}", got, expected, R, None if measure == "covariance" else 1)


def compare(results, study_path):
    results = pathlib.Path(results)
    study, runs, joined = numpy_pipeline.process_study(study_path)
    c = Comparison()
    for run in runs:
        compare_run(c, results, run, study)
    for key, one in joined.items():
        compare_matrices(c, results, key, one, study)
        scan = one["runs"][0]["scan"]
        folder, s, tail = stem(scan)
        how = study["connectivity"]["join"]
        if how == "sessions":
            s = f"sub-{scan.participant}"
        pattern = f"sub-{scan.participant}/**/{s}{f'*{tail}' if how == 'none' else ''}_report.json"
        path = only(results, pattern, c)
        if path is None:
            continue
        report = json.loads(path.read_text())
        c.equal("report runs", s, len(report["runs"]), len(one["runs"]))
        for got, run in zip(report["runs"], one["runs"]):
            c.report(s + stem(run["scan"])[2], got, run["report"])
        c.report(f"{s} joined", report["joined"], one["report"])
        row = [
            r for r in numpy_pipeline.read_tsv(results / "cohort.tsv")
            if r["participant_id"].removeprefix("sub-") == scan.participant
            and (how == "sessions" or (r.get("session_id") or "").removeprefix("ses-") == (scan.session or ""))
            and (how != "none" or (r.get("run_id") or "").removeprefix("run-") == (scan.run or ""))
        ]
        c.equal("cohort rows", s, len(row), 1)
        for name, value in one["report"].items() if len(row) == 1 else ():
            if isinstance(value, str):
                c.equal(f"cohort {name}", s, row[0].get(name), value)
            else:
                found = row[0].get(name)
                c.values(f"cohort {name}", s, math.nan if found is None else float(found), value, 1e-6)
    return c
