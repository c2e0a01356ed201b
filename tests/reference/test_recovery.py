"""How near the matrices come to the known truth of `keepstill synth`, with censoring and without.

The margins are measured ones (noted beside each) with room for other seeds; the cohort is seeded, so they do not flicker.
"""

import numpy as np
import pytest

import numpy_pipeline

CHILDREN = 8
SEED = 31


def matrix(path):
    lines = [l.split("\t") for l in path.read_text().splitlines()]
    return lines[0][1:], np.array([[np.nan if v == "n/a" else float(v) for v in l[1:]] for l in lines[1:]])


def errors(results, truth):
    """RMS error of Fisher z over edges, one a child."""
    names, true = truth
    out = []
    for path in sorted(results.glob("sub-*/**/*_measure-pearson_matrix.tsv")):
        found, r = matrix(path)
        assert found == names
        rows, columns = np.triu_indices(len(r), 1)
        edges = np.isfinite(r[rows, columns])
        assert edges.mean() > 0.5
        z = lambda m: np.arctanh(np.clip(m[rows, columns][edges], -0.9999, 0.9999))
        out.append(np.sqrt(np.mean((z(r) - z(true)) ** 2)))
    return np.array(out)


@pytest.fixture(scope="module")
def measured(keepstill, tmp_path_factory):
    """{frames: (errors with censoring, errors without)}"""
    out = {}
    for frames in (150, 300, 600):
        folder = tmp_path_factory.mktemp("recovery") / f"frames{frames}"
        keepstill("synth", folder, "--children", CHILDREN, "--frames", frames, "--seed", SEED)
        pair = []
        for study in ("study", "study-uncensored"):
            path = folder / f"{study}.toml"
            keepstill("run", path)
            results = folder / numpy_pipeline.load_study(path)["study"]["results"]
            pair.append(errors(results, matrix(folder / "truth" / "true_correlation.tsv")))
        out[frames] = pair
        print(frames, [p.round(3).tolist() for p in pair])
    return out
