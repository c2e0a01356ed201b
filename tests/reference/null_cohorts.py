"""Cohorts in which motion does nothing, from image files to sentence: how often does `stack` say that it does?

    python tests/reference/null_cohorts.py --binary target/release/keepstill --cohorts 200 --between small

Movement only decides which frames are dropped: spikes of displacement lie at random, single and in bursts, and the
signal knows nothing of them. So children who move keep less, their matrices are noisier, and nothing else is true. Each
cohort is written as images and tables, goes through `run` and `stack`, and gives one line of JSON per kind of weights;
the last lines are a summary with binomial 95 % intervals (Clopper & Pearson 1934, Biometrika 26:404).

A campaign, not a test: `test_null_cohorts.py` runs a small fixed set of it. The same seed gives the same cohorts."""

import os

for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "RAYON_NUM_THREADS"):
    os.environ.setdefault(threads, "1")  # before numpy; cohorts are what runs side by side

import argparse
import dataclasses
import itertools
import json
import multiprocessing
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time

import numpy as np
import pandas
import scipy.signal
import scipy.stats

import cohorts
import images

GRID, CUBE = (8, 6, 4), 2  # 24 parcels of 8 voxels
PARCELS, VOXELS = 24, 8
TR = 2.0
LIMIT_MM, BEFORE, AFTER, SHORTEST = 0.2, 1, 2, 5  # the defaults of [censor]
BETWEEN = {"0": 0.0, "small": 0.1, "large": 0.2}
PLANTED_PARCELS = 7  # motion acts on the 21 edges between the first of them
AFFINE = np.array([[3.0, 0, 0, -10.5], [0, 3, 0, -7.5], [0, 0, 3, -4.5], [0, 0, 0, 1]])


@dataclasses.dataclass(frozen=True)
class Conditions:
    """What the cohorts are like; see `--help`."""

    children: int = 71
    frames: int = 210
    least_share: float = 0.15
    skew: float = 1.0
    correlation: float = 0.3
    between: float = 0.0
    red: float = 0.0
    noise: float = 0.5
    motion_terms: int = 24
    band: tuple = ()
    sessions: int = 1
    siblings: bool = False
    sites: int = 1
    site_noise: str = "frames"
    planted: float = 0.0
    permutations: int = 999
    formula: str = ""
    more: tuple = ()

    def related(self):
        """Whether rows belong together: those of a child, or siblings as blocks."""
        return self.sessions > 1 or "--blocks" in self.more

    def model(self):
        motion = "between(mean_fd_mm) + within(mean_fd_mm)" if self.related() else "mean_fd_mm"
        own = f"z ~ {motion} + age_months" + (" + site" if self.sites == 2 else "")
        return self.formula or own

    def tested(self):
        """The coefficient that is permuted: motion, and of rows that belong together that of the child or family."""
        return "between(mean_fd_mm)" if self.related() else "mean_fd_mm"


# Who moves, and when -------------------------------------------------------------------------------------------------


def kept(fd):
    """The frames that `[censor]` keeps, from displacement (that of the first frame is not known)."""
    moved = fd > LIMIT_MM
    moved[0] = False
    dropped = moved.copy()
    for lag in range(1, BEFORE + 1):
        dropped[:-lag] |= moved[lag:]
    for lag in range(1, AFTER + 1):
        dropped[lag:] |= moved[:-lag]
    edges = np.flatnonzero(np.diff(np.concatenate([[True], dropped, [True]]).astype(int)))
    for start, end in edges.reshape(-1, 2):
        if end - start < SHORTEST:
            dropped[start:end] = True
    return ~dropped


def displacement(rng, frames, share):
    """Displacement of each frame, mm, of a child of whom at least this share of frames is kept, and hardly more."""
    restless = rng.uniform(0.02, 0.05) + 0.04 * (1 - share)  # how much a child moves who lies still
    calm = np.minimum(rng.gamma(4, restless / 4, frames), 0.95 * LIMIT_MM)
    size = rng.uniform(0.2, 0.7)
    spikes = LIMIT_MM * 1.05 + rng.gamma(1.5, size / 1.5, frames)
    lengths = np.where(rng.random(frames) < 0.4, rng.geometric(1 / 8, frames), 1)  # single ones, and bursts
    starts = rng.permutation(frames)

    moving = np.zeros(frames, bool)
    missed = 0
    for start, length in zip(starts, lengths):
        before = moving[start:start + length].copy()
        moving[start:start + length] = True
        if kept(np.where(moving, spikes, calm)).mean() < share:
            moving[start:start + length] = before
            missed += 1
            if missed == 12:
                break
    return np.where(moving, spikes, calm)


def poses(rng, fd):
    """Six parameters, mm and rad, whose displacement (sum form, 50 mm) is `fd`."""
    steps = rng.dirichlet(np.ones(6), len(fd)) * fd[:, None] / np.array([1, 1, 1, 50, 50, 50])
    steps[0] = 0
    sign = np.cumprod(np.where(rng.random(steps.shape) < 0.7, -1, 1), axis=0)  # mostly back to where the head lay
    return np.cumsum(sign * steps, axis=0)


# What is true of the children ----------------------------------------------------------------------------------------


def true_correlations(rng, conditions, families, level):
    """A correlation matrix per child, with parts of its own if `between` is not 0, and motion's own effect if planted.

    Each child's matrix is that of a mixture: parcels weigh a common part of correlation matrix C against a part of the
    family's own matrix, drawn from Wishart's distribution about C. Weights differ, and so does what edges vary by."""
    common = np.full((PARCELS, PARCELS), conditions.correlation) + (1 - conditions.correlation) * np.eye(PARCELS)
    own = rng.uniform(0.2, 1.0, PARCELS)
    upper = np.triu_indices(PARCELS, 1)
    root = np.linalg.cholesky(common)
    rest = np.sqrt(np.outer(1 - own, 1 - own))
    mixed = np.sqrt(np.outer(own, own))
    out, of_family = [], {}
    for family, moves in zip(families, level):
        if family not in of_family:
            matrix = common
            if conditions.between > 0:
                draws = max(2, round((mixed[upper].mean() / conditions.between) ** 2))
                part = root @ rng.normal(size=(PARCELS, draws))
                matrix = part @ part.T
                scale = 1 / np.sqrt(np.diag(matrix))
                matrix = rest * common + mixed * matrix * np.outer(scale, scale)
            of_family[family] = matrix
        matrix = of_family[family].copy()
        if conditions.planted:
            block = np.ix_(range(PLANTED_PARCELS), range(PLANTED_PARCELS))
            matrix[block] += conditions.planted * moves * (1 - np.eye(PLANTED_PARCELS))
        least = np.linalg.eigvalsh(matrix)[0]
        if least < 1e-6:
            raise ValueError(f"with a planted effect of {conditions.planted} this is no correlation matrix: plant less")
        out.append(matrix)
    return out


def voxels(rng, conditions, matrix, frames, noise, red):
    """[x, y, z, frames]: each parcel's signal and noise of each voxel, of lag-1 autocorrelation `red`."""
    signal = rng.standard_normal((frames + 50, PARCELS)) @ np.linalg.cholesky(matrix).T
    own = noise * rng.standard_normal((frames + 50, PARCELS, VOXELS))
    both = signal[:, :, None] + own
    if red:
        both = scipy.signal.lfilter([np.sqrt(1 - red * red)], [1, -red], both, axis=0)
    both = 1000 + 10 * both[50:]
    cubes = [n // CUBE for n in GRID]
    values = both.reshape(frames, *cubes, CUBE, CUBE, CUBE).transpose(1, 4, 2, 5, 3, 6, 0)
    return values.reshape(*GRID, frames).astype(np.float32)


def labels():
    cubes = [n // CUBE for n in GRID]
    numbers = np.arange(1, PARCELS + 1).reshape(cubes)
    return numbers.repeat(CUBE, 0).repeat(CUBE, 1).repeat(CUBE, 2).astype(np.int16)


# A cohort on disk ----------------------------------------------------------------------------------------------------

STUDY = """
[study]
name = "Cohort without an effect"
[scans]
table = "runs.tsv"
[children]
table = "participants.tsv"
age_column = "age_months"
sex_column = "sex"
[clean]
motion_terms = {terms}
tissue_means = []
band_hz = {band}
[[parcels]]
name = "cubes"
image = "atlas.nii"
labels = "atlas.tsv"
[enough]
minutes = 0.1
[notice]
# Movement leaves no trace in these images, so that FD and DVARS do not rise together.
least_fd_dvars_r = -1
[output]
series = "none"
matrices = "npy"
pages = false
"""


def write_cohort(folder, conditions, rng):
    """Writes images, tables and study file; returns what is true of the cohort."""
    n = conditions.children
    family = np.arange(n) // 2 if conditions.siblings else np.arange(n)
    site = rng.permutation(np.arange(n) % 2) if conditions.sites == 2 else np.zeros(n, int)
    # One child per step of the range, so that every cohort has those who keep least and most. The second site moves
    # more.
    step = ((rng.permutation(n) + rng.random(n)) / n) ** conditions.skew
    if conditions.siblings:
        step = step[2 * family] if n % 2 == 0 else step[np.minimum(2 * family, n - 1)]
    if conditions.sites == 2:
        step = np.where(site == 1, 0.65 * step, 0.35 + 0.65 * step)
    steps = np.clip(step[:, None] + rng.normal(0, 0.1, (n, conditions.sessions)) * (conditions.sessions > 1), 0, 1)
    if conditions.siblings:
        steps = np.clip(steps + rng.normal(0, 0.05, steps.shape), 0, 1)
    length = np.where((site == 1) & (conditions.site_noise == "frames"), conditions.frames * 2 // 3, conditions.frames)
    # Shorter recordings keep as many frames at least, so that degrees of freedom are left.
    least = conditions.least_share * conditions.frames / length[:, None]
    shares = least + (1 - least) * steps
    noise = np.where((site == 1) & (conditions.site_noise == "level"), 4 * conditions.noise, conditions.noise)
    red = np.where((site == 1) & (conditions.site_noise == "red"), min(0.9, conditions.red + 0.5), conditions.red)
    fd = [[displacement(rng, length[child], share) for share in shares[child]] for child in range(n)]
    level = np.array([np.mean([run[1:].mean() for run in runs]) for runs in fd])
    level = (level - level.mean()) / level.std()
    matrices = true_correlations(rng, conditions, family, np.clip(level, -2, 2))

    images.write(folder / "atlas", labels(), form=".nii", sform=AFFINE)
    images.write(folder / "brain", np.ones(GRID, np.uint8), form=".nii", sform=AFFINE)
    cohorts.write_tsv(folder / "atlas.tsv", ["index", "name"], [(k + 1, f"cube{k + 1:02d}") for k in range(PARCELS)])
    rows = []
    for child, session in itertools.product(range(n), range(conditions.sessions)):
        name = f"c{child:03d}s{session}"
        values = voxels(rng, conditions, matrices[child], length[child], noise[child], red[child])
        images.write(folder / name, values, form=".nii", sform=AFFINE, tr=TR)
        with open(folder / f"{name}.tsv", "w") as out:
            np.savetxt(out, poses(rng, fd[child][session]), "%.6f", "\t",
                       header="\t".join(cohorts.MOTION_HEADER), comments="")
        session = [f"ses-{session + 1}"] if conditions.sessions > 1 else []
        rows.append([f"sub-{child:03d}", *session, f"{name}.nii", f"{name}.tsv", "brain.nii"])
    session = ["session_id"] if conditions.sessions > 1 else []
    cohorts.write_tsv(folder / "runs.tsv", ["participant_id", *session, "bold", "motion", "brain_mask"], rows)
    # The younger move a little more; age does nothing to the signal either.
    age = np.clip(36 + 14 * (steps.mean(1) - 0.5 + rng.normal(0, 0.9, n)), 4, 90).round(1)
    sex = rng.choice(["F", "M"], n)
    cohorts.write_tsv(folder / "participants.tsv", ["participant_id", "age_months", "sex", "family", "site"],
                      [(f"sub-{k:03d}", float(age[k]), sex[k], f"f{family[k]:03d}", "AB"[site[k]]) for k in range(n)])
    (folder / "study.toml").write_text(STUDY.format(terms=conditions.motion_terms, band=list(conditions.band)))
    upper = np.triu_indices(PARCELS, 1)
    z = np.arctanh(np.array([matrix[upper] for matrix in matrices])) if conditions.between else np.zeros((2, 1))
    return {"rows": len(rows), "true_between_variance": float(z.var(axis=0, ddof=1).mean())}


# What is said of it --------------------------------------------------------------------------------------------------


def call(binary, *words):
    done = subprocess.run([binary, *map(str, words)], capture_output=True, text=True)
    if done.returncode != 0:
        said = f"{done.stdout}\n{done.stderr}".strip()
        raise RuntimeError(f"keepstill {' '.join(map(str, words))}: exit {done.returncode}\n{said}")
    return done


def stack(binary, folder, conditions, weights):
    """One stack of the cohort, in numbers."""
    options = ["--weights", weights, "--test", conditions.model(), "--of", conditions.tested()]
    call(binary, "stack", folder / "results", *options, "--permutations", conditions.permutations, *conditions.more)
    place = folder / "results" / "stack"
    quality = json.loads((place / "quality.json").read_text())
    test = json.loads((place / "test.json").read_text())
    children = pandas.read_csv(place / "children.tsv", sep="\t")
    edges = pandas.read_csv(place / "atlas-cubes_desc-pearson_test.tsv", sep="\t", na_values="n/a")
    name = next(c["in_names"] for c in test["coefficients"] if c["name"] == conditions.tested())
    p, q, familywise = (edges[f"{name}_{kind}"] for kind in ("p", "q", "p_familywise"))
    planted = (edges["name_1"] <= f"cube{PLANTED_PARCELS:02d}") & (edges["name_2"] <= f"cube{PLANTED_PARCELS:02d}")
    answer = quality["answer"]
    told = re.search(r"([0-9.]+),? corrected for", answer)
    found = {
        "weights": weights,
        "rows_in_stack": len(children),
        "children_in_test": test["children"],
        "kept_share": [float(children["kept_share"].quantile(at)) for at in (0, 0.5, 1)],
        "dof": [float(children["dof"].quantile(at)) for at in (0, 0.5, 1)],
        "fd_with_kept_share": float(children["mean_fd_mm"].corr(children["kept_share"])),
        "sentence": answer.split(":")[0].split(".")[0],
"sentence_p": float(told.group(1)) if told else None,
        "test_share_p": float((p < 0.05).mean()),
        "test_edges_q": int((q < 0.05).sum()),
        "test_edges_familywise": int((familywise < 0.05).sum()),
        "test_least_p_familywise": float(familywise.min()),
        "test_weights": test["arrays"][0].get("weights"),
    }
    for row in quality["rows"]:
        key = "qcfc_adjusted" if row["adjusted_for"] else "qcfc"
        found |= {f"{key}_share_p": row["share_p"], f"{key}_share_q": row["share_q"],
                  f"{key}_shuffled_p": [row["shuffled"]["p"][k] for k in ("median_abs_r", "share_p", "share_q")]}
    if conditions.planted:
        found["planted_edges"] = int(planted.sum())
        found["planted_found"] = int((familywise[planted] < 0.05).sum())
        found["planted_found_q"] = int((q[planted] < 0.05).sum())
        found["elsewhere_found"] = int((familywise[~planted] < 0.05).sum())
        # Equal weights find much because their p are too small. These two do not depend on p: the chance that a planted
        # edge has a larger t than another, and how far estimates lie from the truth where that is 0.
        t, estimate = edges[f"{name}_t"], edges[f"{name}_estimate"]
        u = scipy.stats.mannwhitneyu(t[planted], t[~planted]).statistic
        found["planted_stands_out"] = float(u / (planted.sum() * (~planted).sum()))
        found["elsewhere_error"] = float(np.sqrt((estimate[~planted] ** 2).mean()))
    return found


def cohort(task):
    """Makes, runs and stacks one cohort; a line per kind of weights."""
    binary, conditions, weights, seed, number, place = task
    started = time.monotonic()
    folder = pathlib.Path(tempfile.mkdtemp(prefix="null-cohort-", dir=place))
    try:
        true = write_cohort(folder, conditions, np.random.default_rng([seed, number]))
        written = time.monotonic() - started
        call(binary, "run", folder / "study.toml", "--jobs", 1, "-q")
        ran = time.monotonic() - started - written
        lines = [{"cohort": number, **true, **stack(binary, folder, conditions, own)} for own in weights]
    finally:
        shutil.rmtree(folder)
    for line in lines:
        # A cohort that loses those with least data would show nothing.
        if line["rows_in_stack"] != true["rows"] and not conditions.more:
            raise RuntimeError(f"cohort {number}: {line['rows_in_stack']} of {true['rows']} rows are in the stack")
        line["seconds"] = [round(t, 2) for t in (written, ran, time.monotonic() - started)]
    return lines


def campaign(binary, conditions, weights, cohorts_wanted, seed=1, jobs=1, first=0, place=None):
    """The lines of all cohorts, as they are ready."""
    tasks = [(str(binary), conditions, tuple(weights), seed, first + k, place) for k in range(cohorts_wanted)]
    if jobs == 1:
        for task in tasks:
            yield from cohort(task)
        return
    with multiprocessing.Pool(jobs) as pool:
        for lines in pool.imap_unordered(cohort, tasks):
            yield from lines


# Summary -------------------------------------------------------------------------------------------------------------


def interval(count, of):
    """Clopper & Pearson's 95 % interval of a share."""
    low = scipy.stats.beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = scipy.stats.beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return float(low), float(high)


EVENTS = {
    "Motion is in the result": lambda line: line["sentence"].startswith("Motion is in the result"),
    "Perhaps": lambda line: line["sentence"].startswith("Perhaps"),
    "some family-wise p < 0.05": lambda line: line["test_edges_familywise"] > 0,
    "some q < 0.05": lambda line: line["test_edges_q"] > 0,
}


def counts(lines):
    return {name: sum(map(happened, lines)) for name, happened in EVENTS.items()}


def summary(lines, conditions):
    out = {"cohorts": len(lines), "weights": lines[0]["weights"]}
    for name, count in counts(lines).items():
        low, high = interval(count, len(lines))
        out[name] = {"count": count, "share": count / len(lines), "interval": [round(low, 4), round(high, 4)]}
    mean = lambda key: round(float(np.mean([line[key] for line in lines])), 4)
    out["mean share of edges with p < 0.05"] = {
        key: mean(f"{key}_share_p") for key in ("qcfc", "qcfc_adjusted", "test") if f"{key}_share_p" in lines[0]
    }
    out["true between variance"] = mean("true_between_variance")
    if lines[0]["weights"] == "variance":
        of = lambda key: round(float(np.mean([line["test_weights"][key] for line in lines])), 4)
        out["estimated"] = {"between variance": of("between_variance"), "factor": of("factor")}
    out["dof"] = [round(float(np.mean([line["dof"][k] for line in lines])), 1) for k in range(3)]
    if conditions.planted:
        for key in ("planted_found", "planted_found_q", "elsewhere_found", "planted_stands_out", "elsewhere_error"):
            out[f"mean {key}"] = mean(key)
        out["planted_edges"] = lines[0]["planted_edges"]
    return out


def main(arguments):
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    option = parser.add_argument
    option("--binary", required=True, help="keepstill")
    option("--cohorts", type=int, default=200)
    option("--first", type=int, default=0, help="number of the first cohort; cohort k is the same in every campaign")
    option("--seed", type=int, default=1)
    option("--jobs", type=int, default=1, help="cohorts at once")
    option("--weights", nargs="+", default=["variance"], choices=["variance", "equal"],
           help="passed on to stack; with both, each cohort is stacked twice")
    option("--folder", help="where cohorts are written while they are worked on")
    option("--children", type=int, default=71)
    option("--frames", type=int, default=210,
           help="by default 7 minutes, so that the child who keeps least is left with some 5 degrees of freedom")
    option("--least-share", type=float, default=0.15, help="share of frames that the child who keeps least keeps")
    option("--skew", type=float, default=1.0,
           help="1: as many keep much as little; above: few keep much, and differ the more from the others in weight")
    option("--between", default="0",
           help="SD of z between children, on average over edges: 0, small (0.1), large (0.2), or a number")
    option("--red", type=float, default=0.0, help="lag-1 autocorrelation of the series")
    option("--noise", type=float, default=0.5, help="SD of voxel noise, that of the signal being 1")
    option("--motion-terms", type=int, default=24)
    option("--band", type=float, nargs=2, default=(), metavar="HZ", help="pass band; default: no filter")
    option("--sessions", type=int, default=1, choices=[1, 2])
    option("--siblings", action="store_true", help="pairs share their true correlations and nearly their motion")
    option("--sites", type=int, default=1, choices=[1, 2], help="2: the second moves more; the formula has site in it")
    option("--site-noise", default="frames", choices=["frames", "red", "level"],
           help="why the second site is noisier: fewer frames; redder series; noisier voxels, which lowers its "
                "correlations, so that motion, which goes with site, is truly related to edges")
    option("--planted", type=float, nargs="?", const=0.08, default=0.0,
           help="true effect of one SD of mean FD on the correlations of 21 edges")
    option("--permutations", type=int, default=999)
    option("--formula", default="", help="in place of z ~ mean_fd_mm + age_months")
    option("--stack", nargs=argparse.REMAINDER, default=[], help="all that follows is passed on to stack")
    asked = parser.parse_args(arguments)
    conditions = Conditions(
        children=asked.children, frames=asked.frames, least_share=asked.least_share,
        skew=asked.skew,
        between=BETWEEN[asked.between] if asked.between in BETWEEN else float(asked.between), red=asked.red,
        noise=asked.noise, motion_terms=asked.motion_terms, band=tuple(asked.band), sessions=asked.sessions,
        siblings=asked.siblings, sites=asked.sites, site_noise=asked.site_noise, planted=asked.planted,
        permutations=asked.permutations, formula=asked.formula, more=tuple(asked.stack),
    )
    all_lines = []
    own = (asked.seed, asked.jobs, asked.first, asked.folder)
    for line in campaign(asked.binary, conditions, asked.weights, asked.cohorts, *own):
        print(json.dumps(line), flush=True)
        all_lines.append(line)
    for weights in asked.weights:
        own = [line for line in all_lines if line["weights"] == weights]
        print(json.dumps({"summary": summary(own, conditions)}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
