"""The text files of a study, read once more in Python: study file, scan table or BIDS dataset, motion and confound
tables.

Apart from numpy_pipeline.py so that the benchmark's script can read them without loading scipy and scikit-learn.
"""

import dataclasses
import json
import math
import pathlib
import re
import tomllib

import numpy as np

DEFAULTS = {
    "children": {"table": None, "age_column": None, "age_unit": "months", "sex_column": None},
    "motion": {
        "columns": [
            "translation_x_mm", "translation_y_mm", "translation_z_mm", "rotation_x_rad", "rotation_y_rad",
            "rotation_z_rad",
        ],
        "translation_unit": "mm",
        "rotation_unit": "rad",
        "rotation_order": "xyz",
        "displacement": "sum",
        "sphere_radius": 50.0,
    },
    "censor": {
        "fd_mm": 0.2, "dvars_percent": 0, "before": 1, "after": 2, "shortest_stretch": 5, "settling": 0,
        "watch_log": True, "watch_log_types": [],
    },
    "clean": {
        "motion_terms": 24, "tissue_means": ["white_matter", "csf"], "global_signal": False, "tissue_components": 0,
        "confound_columns": [], "detrend_degree": 1, "band_hz": [0.01, 0.1], "fill": "linear",
    },
    "connectivity": {"measures": ["pearson"], "join": "runs"},
    "enough": {"minutes": 5.0, "dof": 0, "coverage": 0.0},
    "output": {"series": "tsv", "matrices": "tsv", "pages": True},
}
DAYS_A_MONTH = 365.25 / 12
MONTHS = {"months": 1, "years": 12, "days": 1 / DAYS_A_MONTH, "weeks": 7 / DAYS_A_MONTH}


def load_study(path):
    path = pathlib.Path(path)
    study = tomllib.loads(path.read_text())
    for section, defaults in DEFAULTS.items():
        study[section] = {**defaults, **study.get(section, {})}
    for parcels in study["parcels"]:
        parcels.setdefault("least_coverage", 0.5)
        parcels.setdefault("labels", None)
    study["folder"] = path.parent
    return study


def read_tsv(path):
    """Rows of a tab-separated table with a header, `n/a` and empty cells as None."""
    lines = [l for l in pathlib.Path(path).read_text().splitlines() if l.strip()]
    names = lines[0].split("\t")
    cells = [[None if c.strip() in ("n/a", "") else c.strip() for c in l.split("\t")] for l in lines[1:]]
    return [dict(zip(names, row)) for row in cells]


def read_columns(path, columns):
    """Named (or 1-based) columns of a motion or confound table, [frames, columns]; a missing first value counts as
    0."""
    lines = [l for l in pathlib.Path(path).read_text().splitlines() if l.strip() and not l.lstrip().startswith("#")]
    if "\t" in lines[0]:
        split = lambda l: [c.strip() for c in l.split("\t")]
    elif "," in lines[0]:
        split = lambda l: [c.strip() for c in l.split(",")]
    else:
        split = str.split
    number = re.compile(r"^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$|^n/a$|^nan$|^$", re.IGNORECASE)
    first = split(lines[0])
    header = None if all(number.match(c) for c in first) else first
    rows = [split(l) for l in lines[1 if header else 0 :]]
    at = [c - 1 if isinstance(c, int) else header.index(c) for c in columns]
    value = lambda c: math.nan if c.lower() in ("n/a", "nan", "") else float(c)
    out = np.array([[value(row[i]) for i in at] for row in rows]).reshape(len(rows), len(at))
    out[0, np.isnan(out[0])] = 0
    assert np.isfinite(out).all(), path
    return out


@dataclasses.dataclass
class Scan:
    participant: str
    session: str | None
    run: str | None
    row: dict
    folder: pathlib.Path

    def path(self, column):
        value = self.row.get(column)
        return None if value is None else self.folder / value

    @property
    def key(self):
        return (self.participant, self.session or "", self.run or "")


def bids_scans(study):
    """Scans of a BIDS dataset whose entities match `where`, other files by patterns, TR by sidecar inheritance."""
    root = study["folder"] / study["scans"]["bids"]
    scans = []
    for path in sorted(root.rglob("*_bold.nii*")):
        stem = path.name.split(".")[0].removesuffix("_bold")
        entities = dict(part.split("-", 1) for part in stem.split("_"))
        if any(entities.get(k) != str(v) for k, v in study["scans"].get("where", {}).items()):
            continue
        row = {"bold": path}
        parts = {"participant": "sub", "session": "ses", "task": "task", "run": "run"}
        for column in ("motion", "confounds", "brain_mask", "white_matter", "csf", "watch_log"):
            pattern = study["scans"].get(column)
            if pattern is None:
                continue
            for placeholder, label in parts.items():
                if label in entities:
                    pattern = pattern.replace("{" + placeholder + "}", entities[label])
                else:
                    # The part falls away with its label and the sign before it.
                    pattern = re.sub(r"[/_]?" + label + r"-\{" + placeholder + r"\}", "", pattern)
            found = study["folder"] / pattern.replace("{stem}", stem)
            row[column] = found if found.exists() else None
        # The nearest sidecar whose entities are all among the scan's goes before those above it (BIDS 1, inheritance).
        for folder in [path.parent, *path.parent.parents]:
            for sidecar in sorted(folder.glob("*bold.json"), key=lambda p: -p.name.count("_")):
                own = sidecar.stem.removesuffix("bold").strip("_")
                fits = all(stem_part in stem.split("_") for stem_part in own.split("_") if stem_part)
                value = json.loads(sidecar.read_text()).get("RepetitionTime") if fits else None
                if value is not None and "tr_s" not in row:
                    row["tr_s"] = value
            if folder == root:
                break
        scans.append(Scan(entities["sub"], entities.get("ses"), entities.get("run"), row, study["folder"]))
    return sorted(scans, key=lambda s: s.key)


def scans_of(study):
    if "bids" in study["scans"]:
        return bids_scans(study)
    table = study["folder"] / study["scans"]["table"]
    bare = lambda value, label: None if value is None else value.removeprefix(label)
    scans = [
        Scan(bare(r["participant_id"], "sub-"), bare(r.get("session_id"), "ses-"), bare(r.get("run_id"), "run-"), r,
             table.parent)
        for r in read_tsv(table)
    ]
    return sorted(scans, key=lambda s: s.key)


def tr_of(scan, image):
    if scan.row.get("tr_s") is not None:
        return float(scan.row["tr_s"])
    h = image.header
    unit = {8: 1.0, 16: 1e-3, 24: 1e-6, 0: 1.0}[int(h["xyzt_units"]) & 0x38]
    # The header holds single precision; 1.35 is meant, not 1.35000002.
    return float(str(np.float32(h["pixdim"][4]))) * unit
