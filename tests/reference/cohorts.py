"""Cohorts that the end-to-end tests run: real BOLD with small label images and seeded motion, and the mixed ten
scans."""

import math
import pathlib
import shutil

import nibabel
import numpy as np

import images

NIBABEL = pathlib.Path(nibabel.__file__).parent / "tests" / "data"


def write_tsv(path, header, rows):
    text = lambda v: "n/a" if v is None else repr(float(v)) if isinstance(v, float) else str(v)
    lines = ["\t".join(header)] + ["\t".join(text(v) for v in row) for row in rows]
    path.write_text("\n".join(lines) + "\n")


def motion(rng, frames, startles, calm=0.03):
    """Six parameters [frames, 6], mm and rad: slow drift, small jitter, and some startles that settle back."""
    t = np.arange(frames)[:, None]
    out = np.hstack([
        rng.normal(0, calm, (frames, 3)) + np.sin(t / 40 + rng.uniform(0, 6, 3)) * 0.2,
        rng.normal(0, calm / 50, (frames, 3)) + np.sin(t / 50 + rng.uniform(0, 6, 3)) * 0.003,
    ])
    for at in rng.choice(frames, startles, replace=False):
        out[at:] += rng.normal(0, [0.4] * 3 + [0.006] * 3)
    return out


MOTION_HEADER = [
    "translation_x_mm", "translation_y_mm", "translation_z_mm", "rotation_x_rad", "rotation_y_rad", "rotation_z_rad",
]


def save(values, affine, path, dtype):
    image = nibabel.Nifti1Image(values.astype(dtype), affine)
    image.set_sform(affine, 1)
    nibabel.save(image, path)


def blocks(shape, mask, size, gap=()):
    """Labels 1… of cubes of `size` voxels inside a mask; labels in `gap` are left out of the numbering."""
    labels = np.zeros(shape, np.int16)
    number = 0
    for corner in np.ndindex(*[math.ceil(n / size[i]) for i, n in enumerate(shape)]):
        box = tuple(slice(c * size[i], (c + 1) * size[i]) for i, c in enumerate(corner))
        if mask[box].sum() < mask[box].size / 3:
            continue
        number += 1
        while number in gap:
            number += 1
        labels[box] = number
    return labels


def write_labels(path, labels):
    present = [int(v) for v in np.unique(labels) if v > 0]
    write_tsv(path, ["index", "name"], [(i, f"area{i:02d}") for i in present])


def real_cohort(folder, data, extra=""):
    """The real BOLD of the nibabel wheel (sub-tern) and of the nitime wheel (sub-gull, two runs)."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(21)
    shutil.copy(NIBABEL / "functional.nii", folder / "functional.nii")
    for name in ("fmri1.nii.gz", "fmri2.nii.gz"):
        shutil.copy(data / "nitime" / name, folder / name)
    rows = []
    for name, child, run in [
        ("functional.nii", "tern", None),
        ("fmri1.nii.gz", "gull", 1),
        ("fmri2.nii.gz", "gull", 2),
    ]:
        image = nibabel.load(folder / name)
        values = image.get_fdata()
        kind = name.split(".")[0]
        mean = values.mean(3)
        mask = mean > np.quantile(mean, 0.3)
        affine = image.affine
        save(mask, affine, folder / f"{kind}_mask.nii.gz", np.uint8)
        edge = mask & (mean > np.quantile(mean, 0.9))
        save(edge, affine, folder / f"{kind}_wm.nii.gz", np.uint8)
        save(mask & (mean < np.quantile(mean, 0.4)), affine, folder / f"{kind}_csf.nii", np.float32)
        write_tsv(folder / f"{kind}_headmotion.tsv", MOTION_HEADER, motion(rng, values.shape[3], 2, 0.012).tolist())
        rows.append(
            [child, run, name, f"{kind}_headmotion.tsv", f"{kind}_mask.nii.gz", f"{kind}_wm.nii.gz", f"{kind}_csf.nii"]
        )
    write_tsv(
        folder / "runs.tsv", ["participant_id", "run_id", "bold", "motion", "brain_mask", "white_matter", "csf"], rows
    )
    return folder


def real_study(folder, child, band, clean, measures=("pearson", "spearman", "partial", "covariance"), censor=""):
    """A study of one child of `real_cohort`; the scans of the two wheels have grids of their own, so an atlas each."""
    name = {"tern": "functional", "gull": "fmri1"}[child]
    image = nibabel.load(folder / next(p.name for p in folder.glob(f"{name}.nii*")))
    mask = nibabel.load(folder / f"{name}_mask.nii.gz").get_fdata() > 0
    size = (4, 5, 3) if child == "tern" else (3, 4, 5)
    labels = blocks(mask.shape, mask, size, gap=(2, 5))
    save(labels, image.affine, folder / f"{child}_atlas.nii.gz", np.int16)
    write_labels(folder / f"{child}_atlas.tsv", labels)
    lines = (folder / "runs.tsv").read_text().splitlines()
    mine = [lines[0]] + [l for l in lines[1:] if l.startswith(child)]
    if child == "tern":
        mine = ["\t".join(c for i, c in enumerate(l.split("\t")) if i != 1) for l in mine]
    (folder / f"{child}_runs.tsv").write_text("\n".join(mine) + "\n")
    study = folder / f"{child}.toml"
    study.write_text(f"""
[study]
name = "Tern Bay real scans"
results = "results-{child}"
[scans]
table = "{child}_runs.tsv"
[motion]
sphere_radius = 46.5
[censor]
fd_mm = 0.6
before = 0
after = 1
shortest_stretch = 2
{censor}
[clean]
{clean}
band_hz = {list(band)}
[[parcels]]
name = "small"
image = "{child}_atlas.nii.gz"
labels = "{child}_atlas.tsv"
[connectivity]
measures = {list(measures)}
[enough]
minutes = 0.2
""".replace("'", '"'))
    return study, folder / f"results-{child}"


# The mixed cohort -----------------------------------------------------------------------------------------------------

SHAPE = (16, 18, 12)


def brain(shape):
    at = np.indices(shape) - (np.array(shape)[:, None, None, None] - 1) / 2
    return ((at / (np.array(shape)[:, None, None, None] * 0.45)) ** 2).sum(0) < 1


def turned(degrees, zooms, left_handed):
    """An oblique affine about the image's middle."""
    from scipy.spatial.transform import Rotation

    matrix = Rotation.from_euler("xyz", degrees, degrees=True).as_matrix() @ np.diag(zooms)
    if left_handed:
        matrix[:, 0] *= -1
    out = np.eye(4)
    out[:3, :3] = matrix
    out[:3, 3] = -matrix @ ((np.array(SHAPE) - 1) / 2) + [1.5, -2.5, 3.1]
    return out


def bold(rng, frames, affine):
    """Smooth shared signals over a bright head, with a dead voxel column, [x,y,z,frames], about 1000 ± 20."""
    inside = brain(SHAPE)
    at = np.indices(SHAPE).reshape(3, -1)
    centres = rng.uniform(2, 14, (6, 3))
    weights = np.exp(-((at.T[:, None] - centres) ** 2).sum(2) / 30)
    signals = np.cumsum(rng.normal(size=(6, frames)), axis=1)
    signals -= signals.mean(1, keepdims=True)
    values = 1000 + 15 * (weights @ (signals / signals.std(1, keepdims=True))) + rng.normal(0, 8, (at.shape[1], frames))
    values += np.linspace(0, 30, frames)
    values[~inside.ravel()] = rng.uniform(0, 40, (int((~inside).sum()), frames))
    values = values.reshape(*SHAPE, frames)
    values[5, 6, 5:7] = 0  # constant: not alive
    return values


def mixed_cohort(folder):
    """Ten scans: six children, file forms and headers of many kinds, everything seeded; returns the study file."""
    folder.mkdir(parents=True)
    (folder / "tables").mkdir()
    (folder / "scans").mkdir()
    rng = np.random.default_rng(22)
    affine = turned((8, -5, 12), (3.0, 3.2, 3.5), left_handed=True)
    plain = turned((0, 0, 0), (3.0, 3.0, 3.5), left_handed=False)
    # A qform alone, its third axis turned over, about the image's middle.
    b, c, d = 0.05, 0.02, -0.1
    a = math.sqrt(1 - b * b - c * c - d * d)
    axes = nibabel.quaternions.quat2mat([a, b, c, d]) @ np.diag([3.0, 3.1, -3.4])
    qform = (b, c, d, *(-axes @ ((np.array(SHAPE) - 1) / 2)))
    # child, session, run, frames, form, dtype, byte order, header fields, stored = value / slope − inter
    S, MS = images.SECONDS, images.MILLISECONDS
    kinds = [
        ("anna", "a", 1, 120, ".nii.gz", "int16", "<", dict(tr=2.0, sform=affine, slope=1.0)),
        ("anna", "a", 2, 90, ".nii", "int16", ">", dict(tr=2000.0, units=MS | 2, sform=affine, slope=0.0)),
        ("anna", "b", 1, 100, ".hdr", "float32", "<", dict(tr=2.0, sform=affine)),
        ("bo", "a", 1, 110, ".hdr.gz", "int32", ">", dict(tr=2.0, sform=plain, slope=0.01, inter=500.0)),
        ("bo", "a", 2, 110, ".nii.gz", "float64", "<", dict(tr=2.0, sform=plain, slope=float("nan"))),
        ("cy", "a", 1, 130, ".nii", "uint16", "<", dict(tr=2.0, qform=qform, pixdim=(-1, 3.0, 3.1, 3.4), version=2)),
        ("dee", "a", 1, 125, ".nii.gz", "int16", ">", dict(tr=2.0, sform=affine, slope=0.05, offset=1024)),
        ("dee", "a", 2, 95, ".nii.gz", "uint16", "<", dict(tr=2e6, units=24 | 2, sform=affine, extensions=[b"note"])),
        ("eli", "a", 1, 105, ".nii", "int64", "<", dict(tr=0.0, units=0, sform=plain)),  # TR from the scan table
        ("fay", "a", 1, 140, ".nii.gz", "int16", "<", dict(tr=2.0, sform=affine, slope=-0.5, inter=2000.0)),
    ]
    rows = []
    for child, session, run, frames, form, dtype, order, fields in kinds:
        values = bold(rng, frames, affine)
        slope, inter = fields.get("slope", 1.0), fields.get("inter", 0.0)
        if not (math.isfinite(slope) and slope != 0):
            slope, inter = 1.0, 0.0
        stored = (values - inter) / slope
        stored = stored if dtype.startswith("float") else np.round(stored)
        name = f"{child}_{session}_{run}"
        if child == "bo" and run == 2:
            stored[4, 4, 4, 7] = np.nan  # a voxel that is not finite in one frame
        if len(fields.get("extensions", ())) or "offset" in fields:
            shape = stored.shape
        else:
            shape = stored.shape + ((1,) if child == "cy" else ())
        path = images.write(folder / "scans" / name, stored.reshape(shape).astype(dtype), order, form, **fields)
        image = nibabel.load(path)
        own = image.header.get_sform() if image.header["sform_code"] > 0 else image.header.get_qform()
        inside = brain(SHAPE)
        save(inside, own, folder / "scans" / f"{name}_brain.nii.gz", np.uint8)
        grid = np.indices(SHAPE)
        save(
            inside & (abs(grid[0] - 8) < 3) & (abs(grid[1] - 9) < 3), own, folder / "scans" / f"{name}_wm.nii",
            np.float32,
        )
        save(inside & (abs(grid[2] - 2) < 2), own, folder / "scans" / f"{name}_csf.nii.gz", np.int16)

        six = motion(rng, frames, 4)
        # Columns in another order, degrees; commas for one, blanks and no header are tried in their own test.
        table = np.degrees(six)
        table[:, :3] = six[:, :3]
        header = ["spare", "about_x", "about_y", "about_z", "up", "right", "front"]
        listed = [[0.0, *row[[3, 4, 5]], row[2], row[0], row[1]] for row in table]
        write_tsv(folder / "tables" / f"{name}_headmotion.tsv", header, [[float(v) for v in r] for r in listed])
        extra = [[None if i == 0 else float(v[0]), float(v[1])] for i, v in enumerate(rng.normal(size=(frames, 2)))]
        write_tsv(folder / "tables" / f"{name}_confounds.tsv", ["slope_of_belt", "pulse"], extra)
        log = None
        if child in ("anna", "cy"):
            log = f"{name}_watch.tsv"
            write_tsv(folder / "tables" / log, ["onset", "duration", "trial_type"],
                      [(31.0, 5.5, "eyes_open"), (80.0, 2.0, "stirring"), (120.5, 3.0, "door")])
        tr = 2.0 if child == "eli" else None
        up = lambda f: f"../scans/{f}"
        rows.append(
            [
                f"sub-{child}" if run == 1 else child, f"ses-{session}" if run == 1 else session, run, tr,
                up(path.name), f"{name}_headmotion.tsv", f"{name}_confounds.tsv", up(f"{name}_brain.nii.gz"),
                up(f"{name}_wm.nii"), up(f"{name}_csf.nii.gz"), log,
            ]
        )
    rng.shuffle(rows)
    write_tsv(folder / "tables" / "runs.tsv",
              ["participant_id", "session_id", "run_id", "tr_s", "bold", "motion", "confounds", "brain_mask",
               "white_matter", "csf", "watch_log"], rows)
    ages = {"anna": 3.5, "bo": 14, "cy": 27, "dee": 61, "eli": 130, "fay": 9}
    sexes = {"anna": "F", "bo": "male", "cy": "n/a", "dee": "f", "eli": "M", "fay": "other"}
    write_tsv(folder / "children.tsv", ["participant_id", "sex", "age_m", "site"],
              [(f"sub-{c}", sexes[c], ages[c], f"bay{i % 2}") for i, c in enumerate(sorted(ages, reverse=True))])

    # An atlas on a grid of its own, labels with gaps; one label outside the head, one in no voxel of the image.
    grid = (29, 30, 25)
    own = np.diag([2.3, 2.3, 2.3, 1.0])
    own[:3, 3] = -2.3 * (np.array(grid) - 1) / 2 + [0.37, -0.21, 0.11]
    at = np.indices(grid).reshape(3, -1)
    world = (own @ np.vstack([at, np.ones(at.shape[1])]))[:3]
    labels = np.zeros(at.shape[1], np.int16)
    centres = np.array([[x, y, z] for x in (-13, 0, 13) for y in (-16, 0, 16) for z in (-8, 8)])
    numbers = [3, 4, 7, 8, 9, 12, 20, 21, 22, 23, 31, 32, 40, 41, 50, 60, 61, 99]
    distance = np.linalg.norm(world.T[:, None] - centres, axis=2)
    near = distance.argmin(1)
    labels = np.where(distance.min(1) < 7.5, np.array(numbers)[near], 0).astype(np.int16).reshape(grid)
    labels[0:3, 0:3, 0:3] = 150  # out of the head
    save(labels, own, folder / "atlas.nii.gz", np.int16)
    write_tsv(folder / "atlas.tsv", ["index", "name", "network"],
              [(n, f"area{n:03d}", "left" if i % 2 else "right") for i, n in enumerate(numbers + [150, 200])])

    # Weights, 4-D, on a third grid.
    grid = (14, 15, 13)
    own = turned((-4, 6, 3), (4.1, 4.2, 4.3), left_handed=False)
    own[:3, 3] = -own[:3, :3] @ ((np.array(grid) - 1) / 2)
    at = np.indices(grid).reshape(3, -1)
    world = (own @ np.vstack([at, np.ones(at.shape[1])]))[:3]
    spots = np.array([[-12, -10, 0], [12, -10, 0], [-12, 10, 0], [12, 10, 0], [0, 0, 10], [0, 0, -10], [0, 14, 4]])
    weights = np.exp(-((world.T[:, None] - spots) ** 2).sum(2) / 80)
    weights[weights < 0.1] = 0
    save(weights.reshape(*grid, len(spots)), own, folder / "weights.nii.gz", np.float32)
    write_tsv(folder / "weights.tsv", ["index", "name"], [(i + 1, f"spot{i + 1}") for i in range(len(spots))])
    return folder


def mixed_study(folder, name="study", **changes):
    """A study file over the mixed cohort; `changes` replace whole lines `key = value` of the text below."""
    text = f"""
[study]
name = "Tern Bay mixed cohort"
results = "results-{name}"
[scans]
table = "tables/runs.tsv"
[children]
table = "children.tsv"
age_column = "age_m"
sex_column = "sex"
[motion]
columns = ["right", "front", "up", "about_x", "about_y", "about_z"]
rotation_unit = "deg"
rotation_order = "zxy"
displacement = "sum"
sphere_radius = "by-age"
[censor]
fd_mm = 0.4
dvars_percent = 0
before = 1
after = 2
shortest_stretch = 5
settling = 0
watch_log = true
watch_log_types = ["eyes_open", "stirring"]
[clean]
motion_terms = 24
tissue_means = ["white_matter", "csf"]
global_signal = false
tissue_components = 0
confound_columns = []
detrend_degree = 1
band_hz = [0.01, 0.1]
fill = "linear"
[[parcels]]
name = "tern18"
image = "atlas.nii.gz"
labels = "atlas.tsv"
least_coverage = 0.5
[[parcels]]
name = "spots"
image = "weights.nii.gz"
labels = "weights.tsv"
least_coverage = 0.7
[connectivity]
measures = ["pearson", "spearman", "partial", "covariance"]
join = "runs"
[enough]
minutes = 3.0
dof = 20
coverage = 0.8
"""
    lines = text.splitlines()
    for key, value in changes.items():
        at = [i for i, l in enumerate(lines) if l.startswith(f"{key} =")]
        assert len(at) == 1, key
        lines[at[0]] = f"{key} = {value}"
    path = folder / f"{name}.toml"
    path.write_text("\n".join(lines) + "\n")
    return path, folder / f"results-{name}"


def bids_study(mixed, folder):
    """Five scans of the mixed cohort as a BIDS dataset with derived files beside it, and a scan of another task."""
    dataset, derived = folder / "dataset", folder / "derived"
    taken = [
        ("bo", "a", 1, "sub-bo/ses-a/func/sub-bo_ses-a_task-rest_run-1", 2.0),
        ("bo", "a", 2, "sub-bo/ses-a/func/sub-bo_ses-a_task-rest_run-2", 2.0),
        ("anna", "b", 1, "sub-anna/ses-b/func/sub-anna_ses-b_task-rest", 2.0),
        ("fay", "a", 1, "sub-fay/func/sub-fay_task-rest", 0.0),  # TR from the sidecar at the top
        ("eli", "a", 1, "sub-eli/func/sub-eli_task-rest", 0.0),  # TR from its own sidecar
        ("cy", "a", 1, "sub-cy/func/sub-cy_task-film", 2.0),
    ]
    tables = mixed / "tables"
    for child, session, run, to, tr in taken:
        (path,) = [p for p in (mixed / "scans").glob(f"{child}_{session}_{run}.*") if ".img" not in p.name]
        image = nibabel.load(path)
        header = image.header.copy()
        header["pixdim"][4] = tr
        target = dataset / f"{to}_bold.nii.gz"
        target.parent.mkdir(parents=True, exist_ok=True)
        # Stored numbers and scaling as they were: nibabel would choose a slope of its own.
        stored = np.asarray(image.dataobj.get_unscaled())
        form = dict(slope=float(image.dataobj.slope), inter=float(image.dataobj.inter), tr=tr, sform=image.affine)
        images.write(dataset / f"{to}_bold", stored.reshape(stored.shape[:4]).astype(stored.dtype.newbyteorder("=")),
                     form=".nii.gz", **form)
        beside = derived / pathlib.Path(to).parent.parent
        beside.mkdir(parents=True, exist_ok=True)
        stem = pathlib.Path(to).name
        for kind, name in [("brain", "brain.nii.gz"), ("wm", "wm.nii"), ("csf", "csf.nii.gz")]:
            shutil.copy(mixed / "scans" / f"{child}_{session}_{run}_{name}", beside / f"{stem}_{name}")
        shutil.copy(tables / f"{child}_{session}_{run}_headmotion.tsv", beside / f"{stem}_headmotion.tsv")
        if child == "anna":
            shutil.copy(tables / f"{child}_{session}_{run}_watch.tsv", beside / f"{stem}_watch.tsv")
    (dataset / "dataset_description.json").write_text('{"Name": "Tern Bay", "BIDSVersion": "1.11.0"}')
    (dataset / "task-rest_bold.json").write_text('{"TaskName": "rest", "RepetitionTime": 2.0}')
    (dataset / "sub-eli/func/sub-eli_task-rest_bold.json").write_text('{"RepetitionTime": 2.5}')
    write_tsv(
        dataset / "participants.tsv",
        ["participant_id", "age_m", "sex"],
        [("sub-bo", 14, "m"), ("sub-anna", 3.5, "f"), ("sub-fay", 9, None), ("sub-eli", 130, "m"), ("sub-cy", 27, "f")],
    )
    study, results = mixed_study(mixed, "bids-mode", motion_terms="6", watch_log_types="[]", settling="2")
    text = study.read_text().replace('table = "tables/runs.tsv"', """bids = "dataset"
where = { task = "rest" }
motion = "derived/sub-{participant}/ses-{session}/sub-{participant}_ses-{session}_task-{task}_run-{run}_headmotion.tsv"
brain_mask = "derived/sub-{participant}/ses-{session}/{stem}_brain.nii.gz"
white_matter = "derived/sub-{participant}/ses-{session}/{stem}_wm.nii"
csf = "derived/sub-{participant}/ses-{session}/{stem}_csf.nii.gz"
watch_log = "derived/sub-{participant}/ses-{session}/{stem}_watch.tsv\"""")
    text = text.replace('table = "children.tsv"', 'table = "dataset/participants.tsv"')
    for name in ("atlas.nii.gz", "atlas.tsv", "weights.nii.gz", "weights.tsv"):
        shutil.copy(mixed / name, folder / name)
    study.unlink()
    study = folder / study.name
    study.write_text(text)
    return study, folder / results.name
