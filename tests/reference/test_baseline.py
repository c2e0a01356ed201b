"""The benchmark's yardstick does the job it is timed for: its numbers are those of the numpy pipeline."""

import pathlib
import subprocess
import sys

import numpy as np
import pytest

import cohorts
import numpy_pipeline

BASELINE = pathlib.Path(__file__).resolve().parents[2] / "benches" / "baseline.py"


@pytest.mark.parametrize("form", [[], ["--plain"]])
def test_baseline_agrees_with_the_numpy_pipeline(tmp_path, data, form):
    folder = cohorts.real_cohort(tmp_path / "data", data)
    study, _ = cohorts.real_study(
        folder, "gull", [0.02, 0.2], 'motion_terms = 6\ntissue_means = ["csf"]\nglobal_signal = true', ["pearson"],
        "dvars_percent = 6.0",
    )
    out = tmp_path / "out"
    subprocess.run([sys.executable, BASELINE, study, out, "--processes", "2", *form], check=True, capture_output=True)
    _, runs, joined = numpy_pipeline.process_study(study)
    matrix = np.genfromtxt(out / "sub-gull_matrix.tsv", skip_header=1)
    (expected,) = [j["atlases"]["small"]["matrices"]["pearson"] for j in joined.values()]
    assert np.array_equal(np.isnan(matrix), np.isnan(expected))
    assert np.nanmax(np.abs(matrix - expected)) < 1e-4  # it works in single precision
    for run in runs:
        frames = numpy_pipeline.read_tsv(out / f"sub-gull_run-{run['scan'].run}_frames.tsv")
        assert [r["kept"] for r in frames] == [str(int(k)) for k in run["kept"]]
        for name, expected in (("fd_rms_mm", run["fd"]["rms"]), ("dvars_percent", run["dvars"])):
            got = np.array([float(r[name]) for r in frames])
            assert np.allclose(got[1:], expected[1:], rtol=1e-4)
