"""The whole of `keepstill run` a second time, from a study file to every number it writes, in numpy.

Slow and obvious on purpose: whole images in memory, dense loops over parcels, formulas from `formulas.py`. It reads the
study file, tables and images by itself (tomllib, nibabel) and shares nothing with the program but the documentation.
"""

import math

import nibabel
import numpy as np

import formulas as f
from degrees_of_freedom import degrees_of_freedom
from study_files import MONTHS, load_study, read_columns, read_tsv, scans_of, tr_of

# `unaligned` needs poses estimated from images, which no study here asks for.
DROPPED = [reason for reason in f.REASONS if reason != "unaligned"]


def affine_of(image):
    """Voxel to world: sform if its code is above 0, else qform, else pixdim (nifti1.h, methods 3, 2, 1)."""
    h = image.header
    if h["sform_code"] > 0:
        return h.get_sform()
    if h["qform_code"] > 0:
        return h.get_qform()
    return np.diag([*np.abs(h["pixdim"][1:4]), 1.0])


def voxels_of(image):
    """Scaled values in double precision, as stored where the slope is 0 or not finite."""
    return np.asarray(image.dataobj, dtype=np.float64)


def grid_positions(shape, scan_affine, other_affine):
    """Where each scan voxel's centre falls in the other image's voxels, [3, voxels] in C order of the scan's grid."""
    at = np.indices(shape).reshape(3, -1)
    at = np.vstack([at, np.ones(at.shape[1])])
    return (np.linalg.inv(other_affine) @ scan_affine @ at)[:3]


def nearest(values, affine, shape, scan_affine):
    """A 3-D image on the scan's grid by nearest voxel, 0 outside; flat in C order."""
    at = grid_positions(shape, scan_affine, affine)
    # Positions on voxel centres, the usual case of one grid, are rid of their rounding.
    at = np.where(np.abs(at - np.round(at)) < 1e-9, np.round(at), at)
    at = (np.sign(at) * np.floor(np.abs(at) + 0.5)).astype(int)
    inside = ((at >= 0) & (at < np.array(values.shape)[:, None])).all(0)
    out = np.zeros(at.shape[1], values.dtype)
    out[inside] = values[tuple(at[:, inside])]
    return out


def trilinear(values, affine, shape, scan_affine):
    """A 3-D image on the scan's grid, corner by corner, corners outside counting 0."""
    at = grid_positions(shape, scan_affine, affine)
    at = np.where(np.abs(at - np.round(at)) < 1e-9, np.round(at), at)
    base = np.floor(at).astype(int)
    part = at - base
    out = np.zeros(at.shape[1])
    for corner in np.ndindex(2, 2, 2):
        c = np.array(corner)[:, None]
        weight = np.where(c == 1, part, 1 - part).prod(0)
        v = base + c
        inside = ((v >= 0) & (v < np.array(values.shape)[:, None])).all(0)
        out[inside] += weight[inside] * values[tuple(v[:, inside])]
    return out


def mask_on_grid(path, shape, scan_affine):
    image = nibabel.load(path)
    values = voxels_of(image)
    values = values.reshape(values.shape[:3])
    return nearest(values, affine_of(image), shape, scan_affine) > 0


def atlas_on_grid(study, parcels, shape, scan_affine):
    """Index, name and weight [parcels, voxels] of each parcel."""
    image = nibabel.load(study["folder"] / parcels["image"])
    values = voxels_of(image)
    table = read_tsv(study["folder"] / parcels["labels"]) if parcels["labels"] else None
    if values.ndim == 3 or values.shape[3:] == (1,):
        values = values.reshape(values.shape[:3])
        indices = [int(r["index"]) for r in table] if table else sorted(int(v) for v in np.unique(values) if v != 0)
        placed = nearest(values, affine_of(image), shape, scan_affine)
        weights = np.array([placed == i for i in indices], float)
    else:
        indices = [int(r["index"]) for r in table] if table else list(range(1, values.shape[3] + 1))
        weights = np.array([
            trilinear(values[..., i - 1], affine_of(image), shape, scan_affine) for i in indices
        ])
    names = [r["name"] for r in table] if table else None
    return indices, names, weights


def sphere_radius(study, scan):
    setting = study["motion"]["sphere_radius"]
    if setting != "by-age":
        return float(setting)
    children = study["children"]
    rows = read_tsv(study["folder"] / children["table"])
    (row,) = [r for r in rows if r["participant_id"].removeprefix("sub-") == scan.participant]
    age = float(row[children["age_column"]]) * MONTHS[children["age_unit"]]
    sex = (row.get(children["sex_column"]) or "")[:1].lower()
    return f.sphere_radius(age, {"m": "male", "f": "female"}.get(sex, "unknown"))


def process_scan(study, scan):
    """Everything about one run: a dict with `frames` (columns), `kept`, `reasons`, `atlases` and `report`."""
    image = nibabel.load(scan.path("bold"))
    values = voxels_of(image)
    shape = values.shape[:3]
    series = values.reshape(int(np.prod(shape)), -1).T  # [frames, voxels], voxels in C order
    frames = len(series)
    scan_affine = affine_of(image)
    tr_s = tr_of(scan, image)

    motion, censor, clean = study["motion"], study["censor"], study["clean"]
    six = read_columns(scan.path("motion"), motion["columns"])
    assert len(six) == frames
    trans = six[:, :3] * {"mm": 1.0, "m": 1000.0}[motion["translation_unit"]]
    rot = six[:, 3:] * {"rad": 1.0, "deg": math.pi / 180}[motion["rotation_unit"]]
    radius = sphere_radius(study, scan)
    fd = {
        "sum": f.fd_sum(trans, rot, radius),
        "rms": f.fd_rms(trans, rot, radius, motion["rotation_order"]),
    }

    finite = np.isfinite(series).all(0)
    alive = finite & (series != series[:1]).any(0)
    brain = mask_on_grid(scan.path("brain_mask"), shape, scan_affine)
    dvars = f.dvars(series[:, brain & finite])
    live_brain = series[:, brain & alive]
    global_signal = live_brain.mean(1)

    logged = np.zeros(frames, bool)
    if censor["watch_log"] and scan.path("watch_log"):
        types = censor["watch_log_types"]
        rows = [r for r in read_tsv(scan.path("watch_log")) if not types or r["trial_type"] in types]
        logged = f.logged_frames([(float(r["onset"]), float(r["duration"])) for r in rows], frames, tr_s)
    measure = fd[motion["displacement"]]
    settling = censor["settling"]
    kept, reasons = f.censor(
        measure, dvars, logged, censor["fd_mm"], censor["dvars_percent"], censor["before"], censor["after"],
        censor["shortest_stretch"], settling,
    )

    # Confounds over all frames, then settling frames cut from everything.
    confounds = [f.motion_terms(trans, rot, clean["motion_terms"])]
    tissues = {}
    for tissue in ("white_matter", "csf"):
        if scan.path(tissue):
            tissues[tissue] = series[:, mask_on_grid(scan.path(tissue), shape, scan_affine) & brain & alive]
    for tissue in clean["tissue_means"]:
        confounds.append(tissues[tissue].mean(1)[:, None])
    if clean["global_signal"]:
        confounds.append(global_signal[:, None])
    if clean["confound_columns"]:
        confounds.append(read_columns(scan.path("confounds"), clean["confound_columns"]))
    confounds = np.hstack(confounds)[settling:]
    kept_after = kept[settling:]
    if clean["tissue_components"] and kept_after.any():
        for tissue in clean["tissue_means"] or ("white_matter", "csf"):
            confounds = np.hstack([confounds, f.tissue_components(
                tissues[tissue][settling:], kept_after, clean["detrend_degree"], clean["tissue_components"]
            )])

    world = (scan_affine @ np.vstack([np.indices(shape).reshape(3, -1), np.ones(series.shape[1])]))[:3]
    atlases = {}
    cleaning = (confounds, kept_after, tr_s, clean["detrend_degree"], clean["band_hz"], clean["fill"])
    for parcels in study["parcels"]:
        indices, names, weights = atlas_on_grid(study, parcels, shape, scan_affine)
        total = weights.sum(1)
        live = weights * (brain & alive)
        with np.errstate(invalid="ignore", divide="ignore"):
            coverage = np.where(total > 0, live.sum(1) / total, 0.0)
            centroid = (weights @ world.T) / total[:, None]
            means = np.array([
                (series[:, w > 0] @ w[w > 0]) / w.sum() if w.any() else np.full(frames, np.nan) for w in live
            ]).T
        used = (coverage >= parcels["least_coverage"]) & (live.sum(1) > 0)
        atlas = {
            "indices": indices, "names": names, "coverage": coverage, "used": used, "centroid": centroid,
            "voxels": (weights > 0).sum(1), "voxels_alive": (live > 0).sum(1), "raw": means, "residuals": None,
        }
        atlases[parcels["name"]] = atlas
    every_parcel = np.hstack([a["raw"][settling:][:, a["used"]] for a in atlases.values()])
    dof, dof_white, _ = degrees_of_freedom(every_parcel, *cleaning)
    if dof > 2:
        for atlas in atlases.values():
            residuals, _ = f.clean(atlas["raw"][settling:][:, atlas["used"]], *cleaning)
            atlas["residuals"] = np.full((int(kept.sum()), len(atlas["used"])), np.nan)
            atlas["residuals"][:, atlas["used"]] = residuals

    judged = slice(max(1, settling), None)
    stretches = [len(s) for s in "".join("k" if k else " " for k in kept).split()]
    has_fd = kept & np.isfinite(measure)
    report = {
        "participant_id": scan.participant, "session_id": scan.session, "run_id": scan.run,
        "tr_s": tr_s, "frames": frames, "frames_kept": int(kept.sum()), "minutes": frames * tr_s / 60,
        "minutes_kept": kept.sum() * tr_s / 60, "kept_share": kept.mean(), "mean_fd_mm": measure[judged].mean(),
        "mean_fd_kept_mm": measure[has_fd].mean() if has_fd.any() else None, "max_fd_mm": measure[judged].max(),
        "median_dvars_percent": np.median(dvars[judged]), "sphere_radius_mm": radius,
        "longest_stretch_s": max(stretches, default=0) * tr_s, "dof": dof, "dof_white": dof_white,
        "parcels_used": int(sum(a["used"].sum() for a in atlases.values())),
        "parcels": sum(len(a["used"]) for a in atlases.values()),
        "tsnr_median": np.median(live_brain.mean(0) / live_brain.std(0)),
    }
    for reason in DROPPED:
        report[f"dropped_{reason}"] = sum(r[:1] == [reason] for r in reasons)
    residuals = [a["residuals"][:, a["used"]] for a in atlases.values() if a["residuals"] is not None]
    if residuals:
        report["lag1_autocorrelation"] = np.median(np.concatenate([lag1_of_kept(r, kept) for r in residuals]))
    report["verdict"] = verdict(study, report, [a["used"] for a in atlases.values()], bool(residuals))
    return {
        "scan": scan, "tr_s": tr_s, "trans": trans, "rot": rot, "fd": fd, "dvars": dvars,
        "global_signal": global_signal, "kept": kept, "reasons": reasons, "atlases": atlases, "report": report,
        "confounds": confounds, "series": series, "brain": brain, "alive": alive, "measure": measure,
    }


def join_key(study, scan):
    how = study["connectivity"]["join"]
    if how == "sessions":
        return (scan.participant, None, None)
    return (scan.participant, scan.session, scan.run if how == "none" else None)


def process_study(path):
    """Every run, in order, and every joined result: {key: {"runs", "atlases": {name: {"used", "matrices"}}}}."""
    study = load_study(path)
    runs = [process_scan(study, scan) for scan in scans_of(study)]
    joined = {}
    for run in runs:
        joined.setdefault(join_key(study, run["scan"]), []).append(run)
    out = {}
    for key, members in joined.items():
        whole = [r for r in members if all(a["residuals"] is not None for a in r["atlases"].values())]
        atlases = {}
        for name in members[0]["atlases"]:
            if not whole:
                continue
            used = np.logical_and.reduce([r["atlases"][name]["used"] for r in whole])
            own = [r["atlases"][name] for r in whole]
            signals = [f.mean_signal(a["raw"][r["kept"]][:, used]) for r, a in zip(whole, own)]
            parts = [(a["residuals"][:, used], signal) for a, signal in zip(own, signals)]
            stacked = f.joined(parts, "pearson")
            matrices, shrinkage = {}, None
            for measure in study["connectivity"]["measures"]:
                small, shrunk = f.connectivity(f.joined(parts, measure), measure)
                matrix = np.full((len(used), len(used)), np.nan)
                matrix[np.ix_(used, used)] = small
                matrices[measure] = matrix
                shrinkage = shrunk if shrunk is not None else shrinkage
            atlases[name] = {"used": used, "matrices": matrices, "shrinkage": shrinkage, "stacked": stacked}
        out[key] = {"runs": members, "whole": whole, "atlases": atlases, "report": joined_report(study, whole, atlases)}
    return study, runs, out


def lag1_of_kept(residuals, kept):
    """Lag-1 autocorrelation of each column, NIST's sums, over pairs of frames that follow one another."""
    at = np.flatnonzero(kept)
    follows = np.diff(at) == 1
    d = residuals - residuals.mean(0)
    whole = (len(at) - 1) / follows.sum()  # gaps take pairs out of the upper sum only
    return whole * (d[:-1] * d[1:])[follows].sum(0) / (d**2).sum(0)


def verdict(study, report, used, gives_series=True):
    """The first thing that is missing, in the documented order; `used` holds the flags of each atlas."""
    enough = study["enough"]
    if not gives_series:
        return "too_few_dof"
    if report["minutes_kept"] < enough["minutes"]:
        return "too_short"
    if report["dof"] < enough["dof"]:
        return "too_few_dof"
    # Of each atlas by itself: a good coverage of one does not make up for another's.
    if any(not u.any() or u.mean() < enough["coverage"] for u in used):
        return "poor_coverage"
    return "enough"


def joined_report(study, whole, atlases):
    """The joined block's numbers that follow from those of its runs."""
    if not whole:
        return {"verdict": "too_few_dof"}
    total = lambda name: sum(r["report"][name] for r in whole)
    judged = max(1, study["censor"]["settling"])
    fd = np.concatenate([r["measure"][judged:] for r in whole])
    fd_kept = np.concatenate([r["measure"][r["kept"] & np.isfinite(r["measure"])] for r in whole])
    report = {name: total(name) for name in ("frames", "frames_kept", "minutes", "minutes_kept", "dof", "dof_white")}
    report |= {f"dropped_{reason}": total(f"dropped_{reason}") for reason in DROPPED}
    report |= {
        "kept_share": total("frames_kept") / total("frames"), "mean_fd_mm": fd.mean(),
        "mean_fd_kept_mm": fd_kept.mean(), "max_fd_mm": fd.max(),
        "longest_stretch_s": max(r["report"]["longest_stretch_s"] for r in whole),
        "parcels_used": int(sum(a["used"].sum() for a in atlases.values())),
        "parcels": sum(len(a["used"]) for a in atlases.values()),
    }
    report["verdict"] = verdict(study, report, [a["used"] for a in atlases.values()])
    return report
