"""The references against themselves: hand-worked cases, so that a slip here cannot pass for agreement."""

import math

import numpy as np
import pytest
import scipy.stats

import formulas as f


def test_fd_of_a_known_step():
    trans = [[0, 0, 0], [0.1, -0.2, 0.3], [0.1, -0.2, 0.3]]
    rot = [[0, 0, 0], [0, 0, 0], [0.01, 0, -0.02]]
    assert f.fd_sum(trans, rot, 50.0)[1:] == pytest.approx([0.6, 1.5])
    rms = f.fd_rms(trans, rot, 50.0)
    # A pure translation moves every point alike; a turn of θ about an axis gives tr(AᵀA) = 4(1 − cos θ).
    assert rms[1] == pytest.approx(math.sqrt(0.01 + 0.04 + 0.09))
    assert np.isnan(rms[0])


def test_rms_of_a_pure_turn():
    rms = f.fd_rms([[0, 0, 0], [0, 0, 0]], [[0, 0, 0], [0, 0.02, 0]], 40.0)
    assert rms[1] == pytest.approx(math.sqrt(40.0**2 / 5 * 4 * (1 - math.cos(0.02))), rel=1e-9)


def test_order_names_the_axis_that_turns_first():
    # x by 90° then z by 90° takes e_y to e_z and leaves it there.
    pose = f.rigid(np.zeros((1, 3)), [[math.pi / 2, 0, math.pi / 2]], "xyz")[0]
    assert pose[:3, :3] @ [0, 1, 0] == pytest.approx([0, 0, 1], abs=1e-12)


def test_censor_small_case():
    fd = [np.nan, 0.1, 0.1, 0.5, 0.1, 0.1, 0.1, 0.1, 0.1, 0.2]
    kept, reasons = f.censor(fd, [np.nan] * 10, [False] * 10, 0.2, 0, 1, 2, 3, 0)
    assert reasons[3] == ["moved"]
    assert [i for i, r in enumerate(reasons) if r == ["beside_motion"]] == [2, 4, 5]
    assert reasons[0] == reasons[1] == ["short_stretch"]
    assert list(kept) == [False] * 6 + [True] * 4


def test_logged_interval_touching_a_frame_edge_does_not_overlap():
    assert list(f.logged_frames([(2.0, 2.0)], 4, 2.0)) == [False, True, False, False]
    assert list(f.logged_frames([(1.9, 0.2)], 4, 2.0)) == [True, True, False, False]


def test_spectral_fill_against_a_fit_of_one_frequency_at_a_time():
    # The same sum by Lomb's form: shifted by τ, sine and cosine are orthogonal over the kept frames, and each
    # coefficient is a plain projection.
    rng = np.random.default_rng(4)
    t = np.arange(60) * 2.0
    x = 3 + np.sin(2 * np.pi * 5 / 120 * t) + 0.1 * rng.normal(size=60)
    kept = np.ones(60, bool)
    kept[[10, 11, 12, 30, 45, 59]] = False
    centred = x[kept] - x[kept].mean()
    total = np.zeros(60)
    for w in 2 * np.pi * np.arange(1, 240) / (8 * 120.0):
        tau = math.atan2(np.sin(2 * w * t[kept]).sum(), np.cos(2 * w * t[kept]).sum()) / (2 * w)
        for wave in (np.cos(w * (t - tau)), np.sin(w * (t - tau))):
            total += wave * (wave[kept] @ centred) / (wave[kept] @ wave[kept])
    expected = x[kept].mean() + total * centred.std() / total[kept].std()
    filled = f.fill_spectral(x[:, None], kept, 2.0)[:, 0]
    assert filled[~kept] == pytest.approx(expected[~kept], rel=1e-9)
    assert np.array_equal(filled[kept], x[kept])


def test_regress_is_orthogonal_and_finds_rank():
    rng = np.random.default_rng(1)
    design = rng.normal(size=(30, 4))
    design = np.column_stack([design, design[:, 0] - 2 * design[:, 3]])
    data = rng.normal(size=(30, 3))
    residuals, _, rank = f.regress(data, design)
    assert rank == 4
    assert np.abs(design.T @ residuals).max() < 1e-12


def test_spearman_is_scipys():
    rng = np.random.default_rng(2)
    x = np.round(rng.normal(size=(40, 4)), 1)
    assert f.connectivity(x, "spearman")[0] == pytest.approx(scipy.stats.spearmanr(x).statistic, abs=1e-12)


def test_cleaning_removes_what_the_confound_explains():
    rng = np.random.default_rng(3)
    confound = rng.normal(size=(200, 1))
    data = confound @ [[1.0, -2.0]]
    kept = rng.random(200) > 0.2
    for fill in ("linear", "spectral"):
        residuals, rank = f.clean(data, confound, kept, 2.0, 1, [0.01, 0.1], fill)
        # Linear filling and filtering commute with scaling, so nothing is left; so does spectral filling's rescaling.
        assert np.abs(residuals).max() < 1e-9
        assert rank == 2


def test_sphere_radius_at_the_ends():
    assert f.sphere_radius(0, "male") == pytest.approx(50 * 34.46 / 55.1)
    assert f.sphere_radius(216, "female") == pytest.approx(50)
    assert f.sphere_radius(400, "unknown") == pytest.approx(50)
    assert f.sphere_radius(30, "male") == pytest.approx(50 * (48.25 + 49.46) / 2 / 55.1)
