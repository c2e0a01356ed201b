"""A cohort of two invented sites in which something is wrong with a third of the children, and a list of what.

    python tests/reference/awkward.py FOLDER [SEED]

writes images, tables, `study.toml` and `planted.tsv` (child, code, what was done). `test_awkward.py` runs it and holds
what keepstill notices against the list: every fault by its code, and nothing about the other children."""

import pathlib
import shutil
import sys

import numpy as np

import cohorts
import images
from null_cohorts import AFFINE, CUBE, GRID, PARCELS, VOXELS, displacement, labels, poses

NORTH, SOUTH = 12, 10  # children
FRAMES = 200
TR = {"north": 2.0, "south": 0.8}
TRACE = 80.0  # what 1 mm of displacement adds to each voxel of a frame, SD; the signal has 10

STUDY = """
[study]
name = "Two sites, awkward"
[scans]
table = "runs.tsv"
[children]
table = "participants.tsv"
age_column = "age_months"
[clean]
motion_terms = 6
tissue_means = []
band_hz = []
[[parcels]]
name = "cubes"
image = "atlas.nii"
labels = "atlas.tsv"
[enough]
minutes = 0.2
[output]
series = "none"
"""


def voxels(rng, fd, frames):
    """[x, y, z, frames]: parcels that share a signal, noise, and the trace of movement."""
    shared = rng.standard_normal((frames, 1))
    signal = 0.6 * shared + 0.8 * rng.standard_normal((frames, PARCELS))
    both = 10 * (signal[:, :, None] + 0.5 * rng.standard_normal((frames, PARCELS, VOXELS)))
    both += TRACE * fd[:, None, None] * rng.standard_normal((frames, PARCELS, VOXELS))
    cubes = [n // CUBE for n in GRID]
    values = (1000 + both).reshape(frames, *cubes, CUBE, CUBE, CUBE).transpose(1, 4, 2, 5, 3, 6, 0)
    return values.reshape(*GRID, frames).astype(np.float32)


def table(path, parameters):
    with open(path, "w") as out:
        np.savetxt(out, parameters, "%.9f", "\t", header="\t".join(cohorts.MOTION_HEADER), comments="")


def write(folder, seed=1, faults=True):
    """Writes the cohort; returns {child: code}. Without `faults` every child is sound."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    images.write(folder / "atlas", labels(), form=".nii", sform=AFFINE)
    images.write(folder / "brain", np.ones(GRID, np.uint8), form=".nii", sform=AFFINE)
    cohorts.write_tsv(folder / "atlas.tsv", ["index", "name"], [(k + 1, f"cube{k + 1:02d}") for k in range(PARCELS)])
    names = [f"n{k:02d}" for k in range(NORTH)] + [f"s{k:02d}" for k in range(SOUTH)]
    rows, children, motion = [], [], {}
    for name in names:
        site = "north" if name[0] == "n" else "south"
        # n06 and n07 hardly lie still, so that a table of the other can be told from their own.
        share = 0.35 if name in ("n06", "n07") else rng.uniform(0.5, 0.95)
        fd = displacement(rng, FRAMES, share)
        motion[name] = poses(rng, fd)
        images.write(folder / name, voxels(rng, fd, FRAMES), form=".nii", sform=AFFINE, tr=TR[site])
        table(folder / f"{name}.tsv", motion[name])
        rows.append([f"sub-{name}", "run-1", f"{name}.nii", f"{name}.tsv", "brain.nii"])
        children.append([f"sub-{name}", round(float(rng.uniform(10, 60)), 1), site])
    planted = plant(folder, rng, motion, rows) if faults else []
    cohorts.write_tsv(folder / "runs.tsv", ["participant_id", "run_id", "bold", "motion", "brain_mask"], rows)
    cohorts.write_tsv(folder / "participants.tsv", ["participant_id", "age_months", "site"], children)
    cohorts.write_tsv(folder / "planted.tsv", ["participant_id", "code", "what"], planted)
    (folder / "study.toml").write_text(STUDY)
    return [(child, code) for child, code, _ in planted]


def plant(folder, rng, motion, rows):
    """What goes wrong between a scanner, two people and a disk."""
    planted = []

    def note(child, code, what):
        planted.append((f"sub-{child}", code, what))

    table(folder / "n01.tsv", motion["n01"] / 1000)
    note("n01", "small_motion", "motion table in metres, and rotations in thousands of radians")
    table(folder / "n02.tsv", motion["n02"] * np.array([1, 1, 1, 57.2957795, 57.2957795, 57.2957795]) * 20)
    note("n02", "large_motion", "rotations in degrees, all of it scaled by 20")

    shutil.copy(folder / "n03.nii", folder / "n03b.nii")
    shutil.copy(folder / "n03.tsv", folder / "n03b.tsv")
    rows.append(["sub-n03", "run-2", "n03b.nii", "n03b.tsv", "brain.nii"])
    note("n03", "same_image", "its run copied, byte for byte, under another name")

    raw = (folder / "n04.nii").read_bytes()
    values = np.frombuffer(raw[352:], "<f4").reshape(*GRID, FRAMES, order="F")
    images.write(folder / "s00", np.round(20 * (values - 500)).astype(np.int16), form=".nii", sform=AFFINE,
                 tr=TR["south"], slope=0.05, inter=500)
    table(folder / "s00.tsv", motion["n04"] + 0.001)
    note("n04", "same_image", "its image written again, in another type, as that of s00")
    note("s00", "same_image", "the image of n04, in another type")

    table(folder / "n06.tsv", motion["n07"])
    table(folder / "n07.tsv", motion["n06"])
    note("n06", "motion_unlike_image", "the motion table of n07")
    note("n07", "motion_unlike_image", "the motion table of n06")

    shutil.copy(folder / "n08.tsv", folder / "n09.tsv")
    note("n08", "same_motion", "its motion table copied to n09")
    note("n09", "same_motion", "the motion table of n08")

    off = AFFINE.copy()
    off[0, 3] += 12  # half of the grid
    image = (folder / "n10.nii").read_bytes()
    moved = np.frombuffer(image[352:], "<f4").reshape(*GRID, FRAMES, order="F")
    images.write(folder / "n10", moved, form=".nii", sform=off, tr=TR["north"])
    images.write(folder / "brain_n10", np.ones(GRID, np.uint8), form=".nii", sform=off)
    rows[10][4] = "brain_n10.nii"
    note("n10", "few_parcels", "its image 12 mm beside the atlas")

    image = (folder / "s01.nii").read_bytes()
    same = np.frombuffer(image[352:], "<f4").reshape(*GRID, FRAMES, order="F")
    images.write(folder / "s01", same, form=".nii", sform=AFFINE, tr=1.0)
    note("s01", "tr_differs", "TR 1 s in the header, where 0.8 s is true")

    image = (folder / "s02.nii").read_bytes()
    short = np.frombuffer(image[352:], "<f4").reshape(*GRID, FRAMES, order="F")[..., :70]
    images.write(folder / "s02", short, form=".nii", sform=AFFINE, tr=TR["south"])
    table(folder / "s02.tsv", motion["s02"][:70])
    note("s02", "short_run", "broken off after 56 s")
    return planted


if __name__ == "__main__":
    write(pathlib.Path(sys.argv[1]), *(int(seed) for seed in sys.argv[2:]))
