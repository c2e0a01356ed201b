"""Each double-precision stage of the library against numpy, scipy and scikit-learn, to 1e-9 of the result's size."""

import numpy as np
import pytest
import scipy.stats

import formulas as f
from degrees_of_freedom import degrees_of_freedom


def array(rows):
    return np.array(rows, dtype=float)


def close(got, expected, tolerance=1e-9):
    """Equal to `tolerance` relative to the largest expected value; NaN (null) at the same places."""
    got, expected = array(got), array(expected)
    assert got.shape == expected.shape
    assert np.array_equal(np.isnan(got), np.isnan(expected))
    size = np.nanmax(np.abs(expected), initial=0.0)
    assert np.nanmax(np.abs(got - expected), initial=0.0) <= tolerance * max(size, 1e-300)


def motion(rng, frames):
    trans = np.cumsum(rng.normal(0, 0.05, (frames, 3)), axis=0)
    rot = np.cumsum(rng.normal(0, 0.001, (frames, 3)), axis=0)
    return trans, rot


def flags(rng, frames, share):
    kept = rng.random(frames) >= share
    kept[rng.choice(frames, 4, replace=False)] = True
    return kept


@pytest.mark.parametrize("order", ["xyz", "xzy", "yxz", "yzx", "zxy", "zyx"])
@pytest.mark.parametrize("radius", [30.0, 50.0, 63.7])
def test_displacement(stages, order, radius):
    rng = np.random.default_rng(11)
    trans, rot = motion(rng, 40)
    rot[20] += [0.4, -0.3, 0.5]  # a large turn, where the order shows
    got = stages("displacement", translation_mm=trans, rotation_rad=rot, radius_mm=radius, order=order)
    close(got["sum"], f.fd_sum(trans, rot, radius))
    close(got["rms"], f.fd_rms(trans, rot, radius, order))


def test_displacement_at_rest_and_of_one_frame(stages):
    got = stages(
        "displacement", translation_mm=[[1, 2, 3]] * 3, rotation_rad=[[0.1, 0.2, 0.3]] * 3, radius_mm=50, order="xyz"
    )
    assert got["sum"] == [None, 0, 0]
    assert got["rms"][0] is None and max(got["rms"][1:]) < 1e-9
    got = stages("displacement", translation_mm=[[1, 2, 3]], rotation_rad=[[0.1, 0.2, 0.3]], radius_mm=50, order="xyz")
    assert got == {"sum": [None], "rms": [None]}


@pytest.mark.parametrize("terms", [0, 6, 12, 24])
def test_motion_terms(stages, terms):
    trans, rot = motion(np.random.default_rng(12), 15)
    got = stages("motion_terms", translation_mm=trans, rotation_rad=rot, terms=terms)["data"]
    expected = f.motion_terms(trans, rot, terms)
    # The order of columns is not documented, the set of columns is.
    assert array(got).reshape(15, -1).shape == expected.shape
    key = lambda a: sorted(map(tuple, np.round(array(a).reshape(15, -1).T, 15)))
    close(key(got), key(expected)) if terms else None


@pytest.mark.parametrize("kind", ["linear", "spectral"])
@pytest.mark.parametrize("frames, share, tr_s", [(8, 0.3, 2.0), (50, 0.2, 2.0), (151, 0.5, 0.8), (120, 0.35, 3.1)])
def test_fill(stages, kind, frames, share, tr_s):
    rng = np.random.default_rng(frames)
    data = np.cumsum(rng.normal(size=(frames, 3)), axis=0) + [0, 100, -5]
    kept = flags(rng, frames, share)
    kept[0] = kept[-1] = False  # nothing beyond the first and last kept frame to lean on
    got = stages("fill", data=data, kept=kept, tr_s=tr_s, fill=kind)["data"]
    expected = f.fill_linear(data, kept) if kind == "linear" else f.fill_spectral(data, kept, tr_s)
    close(got, expected)


@pytest.mark.parametrize("frames", [4, 12, 49, 50, 51, 52, 300])
@pytest.mark.parametrize(
    "band, tr_s", [((0.01, 0.1), 2.0), ((0.008, 0.09), 0.8), ((0.02, 0.15), 3.0), ((0.01, 0.2), 1.35)]
)
def test_bandpass(stages, frames, band, tr_s):
    rng = np.random.default_rng(frames)
    data = np.cumsum(rng.normal(size=(frames, 4)), axis=0)
    close(stages("bandpass", data=data, tr_s=tr_s, band_hz=band)["data"], f.bandpass(data, tr_s, *band))


@pytest.mark.parametrize("degree", [0, 1, 2, 5])
def test_detrend(stages, degree):
    rng = np.random.default_rng(degree)
    data = rng.normal(size=(60, 3)) + 1e4 + np.linspace(0, 50, 60)[:, None] ** 2
    kept = flags(rng, 60, 0.4)
    close(stages("detrend", data=data, kept=kept, degree=degree)["data"], f.detrend(data, kept, degree))


@pytest.mark.parametrize("intercept", [True, False])
@pytest.mark.parametrize("rows, columns", [(12, 3), (80, 20), (30, 30), (20, 40)])
def test_regress(stages, intercept, rows, columns):
    rng = np.random.default_rng(rows)
    design = rng.normal(size=(rows, columns)) * 10.0 ** rng.integers(-6, 6, columns)
    data = rng.normal(size=(rows, 3)) + 5
    got = stages("regress", data=data, design=design, intercept=intercept)
    full = np.hstack([np.ones((rows, 1)), design]) if intercept else design
    residuals, coefficients, rank = f.regress(data, full)
    assert got["rank"] == rank
    assert np.abs(array(got["residuals"]) - residuals).max() < 1e-9 * np.abs(data).max()
    if rank == full.shape[1]:
        # Scaled by the columns' sizes, so that each coefficient counts by what it does to the fit.
        norms = np.linalg.norm(full, axis=0)[:, None]
        close(array(got["coefficients"]) * norms, coefficients * norms)


def test_regress_with_columns_that_depend_on_one_another(stages):
    rng = np.random.default_rng(13)
    design = rng.normal(size=(40, 5))
    design = np.column_stack([design, design @ [1, 2, 3, 4, 5], design[:, 0] * 1e6, np.zeros(40), np.full(40, 3.0)])
    data = rng.normal(size=(40, 4))
    got = stages("regress", data=data, design=design, intercept=True)
    residuals, _, rank = f.regress(data, np.hstack([np.ones((40, 1)), design]))
    assert got["rank"] == rank == 6
    close(got["residuals"], residuals)


@pytest.mark.parametrize("kind", ["linear", "spectral"])
@pytest.mark.parametrize("band", [[], [0.01, 0.1]])
@pytest.mark.parametrize("degree, confounds", [(0, 0), (1, 6), (2, 24)])
def test_clean(stages, kind, band, degree, confounds):
    rng = np.random.default_rng(14)
    frames = 160
    noise = np.cumsum(rng.normal(size=(frames, confounds)), axis=0)
    data = rng.normal(size=(frames, 5)) + noise @ rng.normal(size=(confounds, 5)) + 1000
    kept = flags(rng, frames, 0.3)
    got = stages(
        "clean", data=data, confounds=noise, kept=kept, tr_s=2.0, detrend_degree=degree, band_hz=band, fill=kind
    )
    residuals, rank = f.clean(data, noise, kept, 2.0, degree, band, kind)
    assert got["rank"] == rank
    dof = degrees_of_freedom(data, noise, kept, 2.0, degree, band, kind)
    assert [got[name] for name in ("dof", "dof_white", "dof_before_regression")] == pytest.approx(dof, rel=1e-7)
    # The filter's long start and the regression amplify rounding of data that stand at 1000.
    assert np.abs(array(got["residuals"]) - residuals).max() < 1e-9 * np.abs(data).max()


@pytest.mark.parametrize("measure", ["pearson", "spearman", "partial", "covariance"])
@pytest.mark.parametrize("frames, parcels", [(10, 3), (120, 12), (30, 45)])
def test_connectivity(stages, measure, frames, parcels):
    rng = np.random.default_rng(frames)
    data = rng.normal(size=(frames, parcels)) @ rng.normal(size=(parcels, parcels)) + 7
    if measure == "spearman":
        data = np.round(data)  # ties
    got = stages("connectivity", data=data, measure=measure)
    matrix, shrinkage = f.connectivity(data, measure)
    close(got["matrix"], matrix)
    if measure == "spearman":
        close(got["matrix"], scipy.stats.spearmanr(data).statistic)
    if measure == "partial":
        assert got["shrinkage"] == pytest.approx(shrinkage, rel=1e-9)
    else:
        assert got["shrinkage"] is None


def test_covariance_in_percent(stages):
    """Two runs of unlike gain; parcel 3 has no mean in the second, parcel 4 less than 5 SDs in the first."""
    rng = np.random.default_rng(7)
    runs, mixing = [], rng.normal(size=(6, 6))
    for frames, gain in [(90, 1.0), (60, 0.004)]:
        wave = rng.normal(size=(frames, 6)) @ mixing
        signal = gain * (np.array([900, 300, 50, 700, 1000, 20]) + wave)
        kept = flags(rng, frames, 0.2)
        if not runs:
            signal[:, 4] += 4.9 * signal[kept][:, 4].std() - signal[kept][:, 4].mean()
        else:
            signal[:, 3] -= signal[:, 3].mean()
        residuals = signal[kept] - signal[kept].mean(0)
        runs.append(dict(signal=signal, kept=kept, residuals=residuals))
    got = array(stages("covariance", runs=runs)["matrix"])
    percent = np.vstack([100 * r["residuals"] / r["signal"][r["kept"]].mean(0) for r in runs])
    expected = np.cov(percent, rowvar=False, bias=True)
    expected[[3, 4]] = expected[:, [3, 4]] = np.nan
    close(got, expected)
    assert np.isfinite(got).sum() == 16
    # So do the other tests.
    parts = [(r["residuals"], f.mean_signal(r["signal"][r["kept"]])) for r in runs]
    known = [0, 1, 2, 5]
    close(got[np.ix_(known, known)], f.connectivity(f.joined(parts, "covariance")[:, known], "covariance")[0])
    louder = [dict(r, signal=r["signal"] * g, residuals=r["residuals"] * g) for r, g in zip(runs, (3e5, 1.0))]
    close(array(stages("covariance", runs=louder)["matrix"]), expected)


def test_censor_over_many_small_cases(stages):
    rng = np.random.default_rng(15)
    for case in range(60):
        frames = int(rng.integers(1, 40))
        fd = np.concatenate([[np.nan], rng.choice([0.05, 0.2, 0.21, 0.9], frames - 1, p=[0.6, 0.2, 0.1, 0.1])])
        dv = np.concatenate([[np.nan], rng.choice([0.5, 1.5, 3.0], frames - 1, p=[0.7, 0.2, 0.1])])
        logged = rng.random(frames) < 0.1
        settings = dict(
            before=int(rng.integers(0, 3)), after=int(rng.integers(0, 4)), shortest_stretch=int(rng.integers(0, 7)),
            settling=int(rng.integers(0, 5)),
        )
        fd_mm = float(rng.choice([0, 0.2, 0.5]))
        dvars_percent = float(rng.choice([0, 1.5, 2.0]))
        got = stages(
            "censor", fd=fd, dvars=dv, logged=logged, fd_mm=fd_mm, dvars_percent=dvars_percent, **settings
        )
        kept, reasons = f.censor(fd, dv, logged, fd_mm, dvars_percent, **settings)
        assert got["reasons"] == reasons, f"case {case}: {settings}, fd {fd}, dvars {dv}, logged {logged}"
        assert got["kept"] == kept.tolist()


@pytest.mark.parametrize("sex", ["male", "female", "unknown"])
def test_sphere_radius(stages, sex):
    for age in [0, 0.5, 1, 5, 6, 7.5, 17, 24, 30, 47.9, 60, 61, 100, 215.5, 216, 400]:
        assert stages("sphere_radius", age_months=age, sex=sex)["radius_mm"] == pytest.approx(
            f.sphere_radius(age, sex), rel=1e-12
        )


def test_fisher_z_against_numpy(stages):
    r = [-1, -0.9999999, -0.5, 0, 1e-12, 0.3, 0.99, 0.99999995, 1]
    close(stages("fisher_z", r=r)["z"], f.fisher_z(r))
