"""What every outside reference needs: the two programs under test, and the fetched data. Nothing is skipped: a program
or file that is missing fails the tests that need it."""

import json
import math
import os
import pathlib
import subprocess
import sys

import pytest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))

DATA = pathlib.Path(__file__).resolve().parent.parent / ".data"


def program(variable):
    path = os.environ.get(variable)
    if not path or not os.access(path, os.X_OK):
        pytest.fail(f"{variable} must name a built program (tests/run sets it); found {path!r}")
    return path


def plain(value):
    """Arrays to lists and NaN to None, for JSON."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, float) and math.isnan(value):
        return None
    return value


@pytest.fixture(scope="session")
def stages():
    """Call a stage of the library by name: stages("bandpass", data=..., ...) → dict."""
    path = program("KEEPSTILL_STAGES")

    def call(name, **inputs):
        done = subprocess.run(
            [path, name], input=json.dumps(plain(inputs)), capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, f"stages {name}: {done.stderr}"
        return json.loads(done.stdout)

    return call


@pytest.fixture(scope="session")
def read_voxels(tmp_path_factory):
    """Read an image through the library: (voxels [x,y,z,frames] f64, description), or the error text."""
    path = program("KEEPSTILL_STAGES")
    out = tmp_path_factory.mktemp("voxels") / "out.f64"

    def call(image):
        import numpy as np

        done = subprocess.run([path, "voxels", str(image), str(out)], capture_output=True, text=True, timeout=120)
        if done.returncode != 0:
            assert done.returncode == 1, f"{image}: exit {done.returncode}: {done.stderr}"
            return done.stderr
        described = json.loads(done.stdout)
        values = np.fromfile(out, "<f8")
        return values.reshape(*described["shape"][:3], described["frames"], order="F"), described

    return call


@pytest.fixture(scope="session")
def keepstill():
    """Run the program: keepstill("run", study, code=0) → finished process, after checking the exit code."""
    path = program("KEEPSTILL")

    def call(*arguments, code=0, **options):
        done = subprocess.run(
            [path, *map(str, arguments)], capture_output=True, text=True, timeout=options.pop("timeout", 600), **options
        )
        said = f"keepstill {' '.join(map(str, arguments))}: exit {done.returncode}\n{done.stdout}\n{done.stderr}"
        assert done.returncode == code, said
        return done

    call.path = path
    return call


@pytest.fixture(scope="session")
def data():
    assert DATA.is_dir(), "tests/run fetches tests/.data"
    return DATA
