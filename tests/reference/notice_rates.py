"""Cohorts in which nothing is wrong: how many children does keepstill ask somebody to look at?

    python tests/reference/notice_rates.py --binary target/release/keepstill --cohorts 50

Cohorts come from `keepstill synth` (several seeds, amounts of motion, repetition times, lengths, and heads that move
through the voxels or not) and from `awkward.py` without its faults. One line of JSON per cohort; the last line is the
rate over all children, with a binomial 95 % interval (Clopper & Pearson 1934, Biometrika 26:404).

A campaign, not a test: `test_awkward.py` runs a small fixed set."""

import argparse
import collections
import csv
import json
import pathlib
import subprocess
import tempfile

import scipy.stats

import awkward

MOTION = (0.3, 1.0, 2.0)
TR = (0.8, 2.0)
FRAMES = (150, 250)
CHILDREN = 12


def synth(binary, folder, number):
    """A cohort of synth; returns its study file. Every sixth has heads that move, measured from the images."""
    moves = number % 6 == 5
    options = ["--children", CHILDREN, "--seed", number + 1, "--motion", MOTION[number % 3],
               "--tr", TR[number // 3 % 2], "--frames", FRAMES[number // 6 % 2]]
    options += ["--move-images"] if moves else []
    done = subprocess.run([binary, "synth", folder, *map(str, options)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return folder / "study.toml"


def noticed(binary, study, results):
    done = subprocess.run([binary, "run", study, "-q"], capture_output=True, text=True)
    assert done.returncode in (0, 3), done.stderr
    with open(results / "cohort.tsv") as table:
        rows = list(csv.DictReader(table, delimiter="\t"))
    codes = collections.Counter(code for row in rows if row["noticed"] != "n/a" for code in row["noticed"].split(";"))
    look = {"small_motion", "large_motion", "doubtful_unit", "unlike_site", "motion_unlike_image", "same_image",
            "same_motion", "few_parcels", "tr_differs", "tr_short"}
    asked = sum(bool(look & set(row["noticed"].split(";"))) for row in rows)
    return {"children": len(rows), "failed": sum(row["verdict"] == "failed" for row in rows), "asked_to_look": asked,
            "codes": dict(codes)}


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", required=True, type=pathlib.Path)
    parser.add_argument("--cohorts", type=int, default=50)
    asked = parser.parse_args()
    binary = asked.binary.resolve()
    children = looks = 0
    for number in range(asked.cohorts):
        with tempfile.TemporaryDirectory() as place:
            folder = pathlib.Path(place) / "cohort"
            if number % 5 == 4:
                awkward.write(folder, 1000 + number, faults=False)
                study, kind = folder / "study.toml", "awkward"
            else:
                study, kind = synth(binary, folder, number), "synth"
            found = noticed(binary, study, folder / "results")
        children += found["children"]
        looks += found["asked_to_look"]
        print(json.dumps({"cohort": number, "kind": kind, **found}), flush=True)
    interval = scipy.stats.binomtest(looks, children).proportion_ci(method="exact")
    print(json.dumps({"children": children, "asked_to_look": looks, "share": looks / children,
                      "interval": [round(interval.low, 4), round(interval.high, 4)]}))


if __name__ == "__main__":
    main()
