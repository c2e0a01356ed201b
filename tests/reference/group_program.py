"""Calling examples/group_check, which stands beside the program of `KEEPSTILL_STAGES`; large arrays go through .npy.
R, and what several references of permutations share."""

import csv
import io
import json
import pathlib
import shutil
import subprocess

import numpy as np
import pytest

from conftest import plain, program

# A table of more cells goes through a file.
LARGE = 20_000


def caller(folder):
    """What calls a function of the library's group statistics: call("edge_tests", design=..., data=...) → dict."""
    path = pathlib.Path(program("KEEPSTILL_STAGES")).with_name("group_check")

    def call(name, code=0, **inputs):
        for key, value in inputs.items():
            if isinstance(value, np.ndarray) and value.ndim == 2 and value.size > LARGE:
                file = folder / f"{key}.npy"
                np.save(file, np.ascontiguousarray(value))
                inputs[key] = str(file)
        done = subprocess.run(
            [path, name], input=json.dumps(plain(inputs)), capture_output=True, text=True, timeout=600
        )
        assert done.returncode == code, f"group_check {name}: {done.stdout}{done.stderr}"
        return json.loads(done.stdout) if code == 0 else done.stderr

    return call


@pytest.fixture(scope="session")
def group(tmp_path_factory):
    """The same, for tests."""
    return caller(tmp_path_factory.mktemp("group"))


def array(values):
    """null is NaN."""
    return np.array(values, dtype=float)


def close(got, expected, rtol=1e-9, atol=1e-12):
    np.testing.assert_allclose(array(got), array(expected), rtol=rtol, atol=atol, equal_nan=True)


def r(script, folder):
    """Run R; each line that it prints is a row of comma-separated cells."""
    assert shutil.which("Rscript"), "tests/run installs r-base-core"
    file = folder / "script.R"
    file.write_text(script)
    done = subprocess.run(
        ["Rscript", "--vanilla", str(file)], capture_output=True, text=True, timeout=120, cwd=folder,
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"},
    )
    assert done.returncode == 0, done.stderr
    return list(csv.reader(io.StringIO(done.stdout)))


def permuted_column(x, tested, z, orders):
    """What is left of the tested column is permuted, and the model with it in the column's place is fitted anew: t of
    the data, and of each order."""
    others = np.delete(x, tested, axis=1)
    left = x[:, tested] - others @ np.linalg.lstsq(others, x[:, tested], rcond=None)[0]

    def t(column):
        own = np.column_stack([others, column])
        beta = np.linalg.lstsq(own, z, rcond=None)[0]
        sigma = np.sqrt(((z - own @ beta) ** 2).sum(axis=0) / (len(own) - own.shape[1]))
        return beta[-1] / (sigma * np.sqrt(np.linalg.inv(own.T @ own)[-1, -1]))

    # Place i gets the residual of child order[i]; under the edges, child order[i] gets the column's value of place i.
    return t(left), np.array([t(left[np.argsort(order)]) for order in orders])
