"""Measures what docs/methods.md says of reliability and standard errors: no test, a table.

    python tests/reference/measure_reliability.py KEEPSTILL FOLDER [children]

Invented children (`keepstill synth`) share one true correlation matrix. So the correlation of two children's whole
matrices is the reliability of one, and the SD of z over children what a standard error is to be; of children who lie
still, since those who move keep unlike amounts. Median over pairs and children, root mean squares over edges and
children."""

import glob
import os
import subprocess
import sys

import numpy as np
import pandas

# Motion, frames per run, runs. The last three leave hardly any degrees of freedom.
COHORTS = [(0, 300, 1), (0, 150, 1), (0, 150, 2), (1, 300, 1), (0, 110, 1), (0, 100, 1), (0, 90, 1)]
BLOCKS = [30, 60, 90, 120, 180]
DRAWS = 100


def cohort(keepstill, folder, children, motion, frames, runs, seed):
    """Makes, runs and forgets the images of a cohort; its results folder."""
    if not os.path.isdir(f"{folder}/results"):
        make = [
            folder, "--children", children, "--frames", frames, "--runs", runs, "--tr", 2, "--motion", motion, "--seed",
            seed,
        ]
        for command in (["synth", *make], ["run", f"{folder}/study.toml"]):
            subprocess.run([keepstill, *map(str, command), "-q"], check=True, stdout=subprocess.DEVNULL)
        for image in glob.glob(f"{folder}/sub-*/**/*.nii*", recursive=True):
            os.remove(image)
    return f"{folder}/results"


def stack(keepstill, results, *options):
    """Children who have every parcel."""
    command = [keepstill, "stack", results, "--all", "--fisher-z", "--missing", "drop-child", *options]
    subprocess.run([str(word) for word in command], check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    start = glob.glob(f"{results}/stack/*_desc-pearsonZ_edges.npy")[0]
    return np.load(start).astype(float), start.replace("Z_edges", "_standard_errors")


def main(keepstill, folder, children=40):
    for motion, frames, runs in COHORTS:
        for seed in [11, 12, 13]:
            place = f"{folder}/motion{motion}_frames{frames}_runs{runs}_seed{seed}"
            results = cohort(keepstill, place, children, motion, frames, runs, seed)
            z, _ = stack(keepstill, results, "--reliability")
            each = pandas.read_csv(f"{results}/stack/reliability.tsv", sep="\t", na_values="n/a")
            found = each.median(numeric_only=True)
            between = np.median(np.corrcoef(z)[np.triu_indices(len(z), 1)])
            print(
                f"motion {motion}, {runs} × {frames} frames, seed {seed}, {len(z)} children, "
                f"{found['minutes']:.1f} min, q {found['dof_taken_per_left']:.1f}: true {between:.3f}, "
                f"{each['reliability_corrected'].isna().sum()} without",
                flush=True,
            )
            print("  " + ", ".join(f"{column} {found[column]:.3f}" for column in found.index if column.startswith("r")))
            true = np.sqrt(z.var(axis=0, ddof=1).mean())
            for block in BLOCKS if motion == 0 else []:
                _, path = stack(keepstill, results, "--standard-errors", "--resamples", DRAWS, "--block-seconds", block)
                ratio = np.load(path).astype(float) / true
                print(f"  blocks of {block} s: rms standard error / true SD {np.sqrt(np.mean(ratio**2)):.3f}, "
                      f"of one edge of one child off by {np.sqrt(np.mean((ratio - 1) ** 2)):.2f}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], *map(int, sys.argv[3:]))
