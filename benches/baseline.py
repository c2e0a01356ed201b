"""What a careful lab script does for the job of `keepstill run`, with nibabel, numpy and scipy: the yardstick.

    baseline.py STUDY OUT [--processes N] [--plain]

It is written to be fast within those tools: one read of each image, float32, only brain voxels scaled and kept, parcel
and tissue means by one sparse product, DVARS one frame at a time without a second copy, everything vectorised, one
process per core with one BLAS thread each. It does what the study file asks for with 3-D labels on the scan's own grid:
frames table, DVARS, global and tissue means, tSNR, censoring, cleaning (linear fill), Pearson matrix of the joined
runs, TSV files. What `keepstill run` does beyond that (reports, hashes, resumable writing, checks of headers and
checksums) it leaves out.

With --plain it reads images the way that nibabel's own documentation begins with,
`get_fdata()`: doubles of the whole image.

Prints seconds per scan and the peak memory of the largest process as JSON.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import argparse
import json
import math
import multiprocessing
import pathlib
import resource
import sys
import time

import nibabel
import numpy as np
import scipy.signal
import scipy.sparse

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "tests" / "reference"))
import study_files as tables


def fd_both(six, radius):
    steps = np.abs(np.diff(six, axis=0))
    fd_sum = np.append(np.nan, steps[:, :3].sum(1) + radius * steps[:, 3:].sum(1))
    c, s = np.cos(six[:, 3:]).T, np.sin(six[:, 3:]).T
    r = np.empty((len(six), 3, 3))
    r[:, 0] = np.stack([c[2] * c[1], c[2] * s[1] * s[0] - s[2] * c[0], c[2] * s[1] * c[0] + s[2] * s[0]], 1)
    r[:, 1] = np.stack([s[2] * c[1], s[2] * s[1] * s[0] + c[2] * c[0], s[2] * s[1] * c[0] - c[2] * s[0]], 1)
    r[:, 2] = np.stack([-s[1], c[1] * s[0], c[1] * c[0]], 1)
    turn = r[1:] @ r[:-1].transpose(0, 2, 1)
    shift = six[1:, :3] - np.einsum("tij,tj->ti", turn, six[:-1, :3])
    a = turn - np.eye(3)
    fd_rms = np.append(np.nan, np.sqrt(radius**2 / 5 * (a**2).sum((1, 2)) + (shift**2).sum(1)))
    return fd_sum, fd_rms


def censor(fd, dvars, logged, settings):
    """Kept flag and first reason of each frame."""
    n = len(fd)
    reason = np.full(n, "n/a", dtype="U13")
    bad = np.zeros(n, bool)
    for name, values, limit in (("moved", fd, settings["fd_mm"]), ("signal_jump", dvars, settings["dvars_percent"])):
        if limit > 0:
            hit = np.nan_to_num(values) > limit
            reason[hit & (reason == "n/a")] = name
            bad |= hit
    reason[logged & (reason == "n/a")] = "logged"
    reach = np.zeros(n, bool)
    for at in np.flatnonzero(bad):
        reach[max(0, at - settings["before"]) : at + settings["after"] + 1] = True
    reason[reach & (reason == "n/a")] = "beside_motion"
    reason[: settings["settling"]] = "settling"
    kept = reason == "n/a"
    edges = np.flatnonzero(np.diff(np.concatenate([[0], kept.astype(np.int8), [0]])))
    for start, end in edges.reshape(-1, 2):
        if end - start < settings["shortest_stretch"]:
            reason[start:end] = "short_stretch"
    return reason == "n/a", reason


def clean(data, confounds, kept, tr_s, settings):
    both = np.hstack([data, confounds])
    n = len(both)
    basis = np.polynomial.legendre.legvander(np.linspace(-1, 1, n), settings["detrend_degree"])
    both = both - basis @ np.linalg.lstsq(basis[kept], both[kept], rcond=None)[0]
    band = settings["band_hz"]
    if band:
        at, known = np.flatnonzero(~kept), np.flatnonzero(kept)
        after = np.clip(np.searchsorted(known, at), 1, len(known) - 1)
        left, right = known[after - 1], known[after]
        part = np.clip((at - left) / (right - left), 0, 1)[:, None]
        both[at] = both[left] * (1 - part) + both[right] * part
        sections = scipy.signal.butter(2, band, "bandpass", fs=1 / tr_s, output="sos")
        padding = min(n - 1, math.ceil(1 / (band[0] * tr_s)))
        both = scipy.signal.sosfiltfilt(sections, both, axis=0, padlen=padding)
    y = both[kept, : data.shape[1]]
    design = np.hstack([np.ones((len(y), 1)), both[kept, data.shape[1] :]])
    norms = np.linalg.norm(design, axis=0)
    norms[norms == 0] = 1
    design /= norms
    fit, _, rank, _ = np.linalg.lstsq(design, y, rcond=1e-10)
    # Frames less columns: keepstill's degrees of freedom go by the series' autocorrelation, which is not worked out
    # here.
    return y - design @ fit, len(y) - rank - settings["detrend_degree"]


def one_scan(job):
    study, scan, out, plain = job
    image = nibabel.load(scan.path("bold"))
    tr_s = tables.tr_of(scan, image)
    if plain:
        volumes, slope, inter = image.get_fdata(), 1, 0
    else:
        # As stored: nibabel's own scaling would make doubles of the whole image, two thirds of it air.
        volumes = image.dataobj.get_unscaled()
        slope, inter = image.dataobj.slope, image.dataobj.inter
    frames = volumes.shape[3]
    flat = volumes.reshape(-1, frames, order="F").T  # [frames, voxels], a frame contiguous
    read = lambda path: np.asanyarray(nibabel.load(path).dataobj).ravel(order="F")
    inside = np.flatnonzero(read(scan.path("brain_mask")) > 0)
    brain = flat[:, inside]
    if not plain:
        brain = brain.astype(np.float32)
    if (slope, inter) != (1, 0):
        brain *= np.float32(slope)
        brain += np.float32(inter)
    del volumes, flat, image

    mean, sd = brain.mean(0, dtype=np.float64), brain.std(0)
    finite = np.isfinite(mean)
    alive = finite & (sd > 0)
    dvars = np.full(frames, np.nan)
    for i in range(1, frames):
        step = brain[i] - brain[i - 1]
        if not finite.all():
            step = step[finite]
        dvars[i] = math.sqrt(np.dot(step, step) / len(step))
    dvars *= 100 / np.median(mean[finite])
    tsnr = float(np.median(mean[alive] / sd[alive]))

    (parcels,) = study["parcels"]
    labels = read(study["folder"] / parcels["image"])
    rows = tables.read_tsv(study["folder"] / parcels["labels"])
    indices = np.array([int(r["index"]) for r in rows])
    names = [r["name"] for r in rows]
    lookup = np.full(max(labels.max(), indices.max()) + 1, -1)
    lookup[indices] = np.arange(len(indices))
    lookup[0] = -1
    mine = lookup[labels[inside]]
    tissues = [t for t in ("white_matter", "csf") if t in study["clean"]["tissue_means"]]
    groups = [np.flatnonzero((mine >= 0) & alive), *(
        np.flatnonzero((read(scan.path(t))[inside] > 0) & alive) for t in tissues), np.flatnonzero(alive)]
    voxel = np.concatenate(groups)
    n = len(names)
    row = np.concatenate([mine[groups[0]], *(np.full(len(g), n + i) for i, g in enumerate(groups[1:]))])
    members = scipy.sparse.csr_matrix((np.ones(len(row), np.float32), (row, voxel)), (n + len(groups) - 1, len(inside)))
    counts = np.asarray(members.sum(1)).ravel()
    if not finite.all():
        brain[:, ~finite] = 0
    # The product is taken over blocks of frames, so that the transposed copy stays small.
    sums = np.vstack([(members @ np.ascontiguousarray(brain[i : i + 64].T)).T for i in range(0, frames, 64)])
    with np.errstate(invalid="ignore", divide="ignore"):
        means = sums.astype(np.float64) / counts
    total = np.bincount(np.maximum(lookup[labels], -1) + 1, minlength=n + 1)[1 : n + 1]
    coverage = counts[:n] / np.maximum(total, 1)
    used = coverage >= parcels["least_coverage"]

    motion, settings = study["motion"], study["clean"]
    six = tables.read_columns(scan.path("motion"), motion["columns"])
    six[:, :3] *= {"mm": 1, "m": 1000}[motion["translation_unit"]]
    six[:, 3:] *= {"rad": 1, "deg": math.pi / 180}[motion["rotation_unit"]]
    fd_sum, fd_rms = fd_both(six, float(motion["sphere_radius"]))
    fd = fd_sum if motion["displacement"] == "sum" else fd_rms
    logged = np.zeros(frames, bool)
    if study["censor"]["watch_log"] and scan.path("watch_log"):
        start = np.arange(frames) * tr_s
        types = study["censor"]["watch_log_types"]
        for event in tables.read_tsv(scan.path("watch_log")):
            if not types or event["trial_type"] in types:
                onset, duration = float(event["onset"]), float(event["duration"])
                logged |= (onset < start + tr_s) & (onset + duration > start)
    kept, reason = censor(fd, dvars, logged, study["censor"])

    terms = [six, np.vstack([np.zeros(6), np.diff(six, axis=0)])]
    terms = np.hstack(terms + [t**2 for t in terms])[:, : settings["motion_terms"]]
    confounds = np.hstack([terms, means[:, n : n + len(tissues)]])
    if settings["global_signal"]:
        confounds = np.hstack([confounds, means[:, -1:]])
    settling = study["censor"]["settling"]
    residuals, left = clean(means[settling:, :n][:, used], confounds[settling:], kept[settling:], tr_s, settings)

    stem = "_".join(f"{k}-{v}" for k, v in (("sub", scan.participant), ("ses", scan.session), ("run", scan.run)) if v)
    with open(out / f"{stem}_frames.tsv", "w") as file:
        file.write(
            "frame\ttime_s\ttranslation_x_mm\ttranslation_y_mm\ttranslation_z_mm\trotation_x_rad\t"
            "rotation_y_rad\trotation_z_rad\t"
            "fd_sum_mm\tfd_rms_mm\tdvars_percent\tglobal_signal\tkept\treasons\n"
        )
        listed = np.column_stack([six, fd_sum, fd_rms, dvars, means[:, -1]]).tolist()
        for i, values in enumerate(listed):
            file.write(
                f"{i}\t{i * tr_s:g}\t" + "\t".join(f"{v:.9g}" for v in values) + f"\t{int(kept[i])}\t{reason[i]}\n"
            )
    series = np.full((frames, n), np.nan)
    series[np.ix_(kept, used)] = residuals
    np.savetxt(out / f"{stem}_series.tsv", series, "%.9g", "\t", header="\t".join(names), comments="")
    np.savetxt(out / f"{stem}_parcels.tsv", np.column_stack([indices, total, coverage, used]), "%.9g", "\t")
    whole = residuals if left > 2 else None
    figures = {"mean_fd_mm": float(np.nanmean(fd)), "kept": int(kept.sum()), "tsnr": tsnr}
    return scan.participant, scan.session, used, whole, names, figures


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study", type=pathlib.Path)
    parser.add_argument("out", type=pathlib.Path)
    parser.add_argument("--processes", type=int, default=len(os.sched_getaffinity(0)))
    parser.add_argument("--plain", action="store_true", help="read images with get_fdata()")
    options = parser.parse_args()
    start = time.perf_counter()
    study = tables.load_study(options.study)
    assert study["connectivity"]["measures"] == ["pearson"] and study["connectivity"]["join"] == "runs"
    options.out.mkdir(parents=True, exist_ok=True)
    scans = tables.scans_of(study)
    jobs = [(study, scan, options.out, options.plain) for scan in scans]
    with multiprocessing.Pool(options.processes) as pool:
        results = pool.map(one_scan, jobs, chunksize=1)
        pool.close()
        pool.join()
    joined = {}
    for participant, session, used, residuals, names, _ in results:
        if residuals is not None:
            joined.setdefault((participant, session), []).append((used, residuals, names))
    for (participant, session), runs in joined.items():
        used = np.logical_and.reduce([u for u, _, _ in runs])
        parts = [r[:, used[u]] for u, r, _ in runs]
        stacked = np.vstack([(p - p.mean(0)) / p.std(0) for p in parts])
        matrix = np.full((len(used), len(used)), np.nan)
        matrix[np.ix_(used, used)] = np.corrcoef(stacked, rowvar=False)
        stem = f"sub-{participant}" + (f"_ses-{session}" if session else "")
        np.savetxt(options.out / f"{stem}_matrix.tsv", matrix, "%.9g", "\t", header="\t".join(runs[0][2]), comments="")
    with open(options.out / "cohort.json", "w") as file:
        json.dump([(p, s, report) for p, s, _, _, _, report in results], file)
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    took = time.perf_counter() - start
    print(json.dumps({"seconds": round(took, 2), "seconds_a_scan": round(took / len(scans), 3),
                      "peak_mib_a_process": round(peak / 1024)}))


if __name__ == "__main__":
    main()
