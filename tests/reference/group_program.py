"""Calling examples/group_check, which stands beside the program of `KEEPSTILL_STAGES`; large arrays go through .npy."""

import json
import pathlib
import subprocess

import numpy as np
import pytest

from conftest import plain, program

# A table of more cells goes through a file.
LARGE = 20_000


@pytest.fixture(scope="session")
def group(tmp_path_factory):
    """Call a function of the library's group statistics: group("edge_tests", design=..., data=...) → dict."""
    path = pathlib.Path(program("KEEPSTILL_STAGES")).with_name("group_check")
    folder = tmp_path_factory.mktemp("group")

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


def array(values):
    """null is NaN."""
    return np.array(values, dtype=float)


def close(got, expected, rtol=1e-9, atol=1e-12):
    np.testing.assert_allclose(array(got), array(expected), rtol=rtol, atol=atol, equal_nan=True)
