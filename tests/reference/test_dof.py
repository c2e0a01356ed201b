"""Degrees of freedom against what they stand for: how far correlations of independent series spread once they are
cleaned.

Series that have nothing to do with each other are cleaned by keepstill (24 motion terms, 2 more columns, the band and
the trend of the default settings). Fisher's z of their correlations has the variance 1/(dof − 2): for white series and
an intercept alone dof is K − 1, and the variance Fisher's 1/(K − 3). So 1/var(z) + 2 is the truth that dof must meet.

`python tests/reference/test_dof.py` prints the tables of docs/methods.md; KEEPSTILL_STAGES names the built example.
"""

import itertools
import json
import os
import subprocess
import sys

import numpy as np
import pytest
import scipy.linalg
import scipy.signal

import formulas as f
from conftest import plain
import degrees_of_freedom as twin
from degrees_of_freedom import autocorrelation, cleaning_maps, of_map, out_of

DEFAULTS = {"detrend_degree": 1, "band_hz": [0.01, 0.1], "fill": "linear"}
RUNS = [(300, 2.0), (750, 0.8)]
SHARES = [0.0, 0.3, 0.6]
COLOURS = ["white", "1/f", "steep"]


def spectrum(power, frames, tr_s):
    """Autocorrelations of a series with this power over frequency."""
    long = 16 * frames
    rho = np.fft.irfft(power(np.fft.rfftfreq(long, tr_s)), long)[:frames]
    return rho / rho[0]


def sigma_of(colour, frames, tr_s):
    """Σ: white; 1/f down to 0.005 Hz; forgetting in 5.5 s; one and two frames remembered; steep, 1/f² down to 0.02 Hz
    on a white floor of a fifth."""
    if colour == "white":
        return np.eye(frames)
    if colour == "1/f":
        return scipy.linalg.toeplitz(spectrum(lambda hz: 1 / np.maximum(hz, 0.005), frames, tr_s))
    if colour == "steep":
        steep = lambda hz: np.maximum(hz, 0.02) ** -2.0
        return scipy.linalg.toeplitz(spectrum(lambda hz: 0.8 * steep(hz) / steep(hz).mean() + 0.2, frames, tr_s))
    if colour == "5.5 s":
        return scipy.linalg.toeplitz(np.exp(-np.arange(frames) * tr_s / 5.5))
    return autocorrelation([1, 0.5] if colour == "AR(1)" else [1, 1.2 / 1.4, 1.2**2 / 1.4 - 0.4], frames)


def a_run(frames, tr_s, share, seed, gaps=2):
    """Kept frames, the dropped ones in so many stretches, and confounds of a head that drifts and whose position is
    noisy."""
    rng = np.random.default_rng(seed)
    kept = np.ones(frames, bool)
    length = int(round(frames * share / gaps))
    for gap in range(gaps):
        start = int((gap + 0.6 * (1 - share)) * frames / gaps)
        kept[start : start + length] = False
    pose = np.sqrt(tr_s) * np.cumsum(rng.normal(size=(frames, 6)), axis=0) + rng.normal(size=(frames, 6))
    two = scipy.signal.lfilter([1], [1, -0.8], rng.normal(size=(frames, 2)), axis=0)
    return kept, np.hstack([f.motion_terms(0.05 * pose[:, :3], 0.001 * pose[:, 3:], 24), two])


def independent(sigma, series, seed):
    return np.linalg.cholesky(sigma + 1e-9 * np.eye(len(sigma))) @ np.random.default_rng(seed).normal(
        size=(len(sigma), series)
    )


def from_spread(residuals):
    """1/var(z) + 2."""
    r = np.corrcoef(np.array(residuals), rowvar=False)
    return 1 / np.mean(np.arctanh(r[np.triu_indices(len(r), 1)]) ** 2) + 2


def exactly(confounds, kept, tr_s, sigma):
    """dof by the whole matrix M."""
    before, q = cleaning_maps(confounds, kept, tr_s, *DEFAULTS.values(), sigma)
    return of_map(out_of(q) @ before, sigma[np.ix_(kept, kept)])


def both(stages, frames, tr_s, share, colour, series=250, seed=3):
    """dof as keepstill has it, and from the spread; with dof_white of the same run."""
    kept, confounds = a_run(frames, tr_s, share, seed)
    data = independent(sigma_of(colour, frames, tr_s), series, seed + 1)
    got = stages("clean", data=data, confounds=confounds, kept=kept, tr_s=tr_s, **DEFAULTS)
    return got["dof"], from_spread(got["residuals"]), got["dof_white"]


@pytest.mark.parametrize("frames, tr_s", RUNS)
@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("colour", ["white", "1/f"])
def test_the_spread_of_z_is_what_dof_says(stages, frames, tr_s, share, colour):
    dof, true, white = both(stages, frames, tr_s, share, colour)
    assert dof == pytest.approx(true, rel=0.1)
    if colour == "white":
        assert dof == pytest.approx(white, rel=0.05)


@pytest.mark.parametrize("colour", ["AR(1)", "AR(2)", "steep"])
def test_other_spectra(stages, colour):
    for frames, tr_s in RUNS:
        dof, true, _ = both(stages, frames, tr_s, 0.3, colour)
        assert dof == pytest.approx(true, rel=0.1), f"{frames} frames"


# Measured when the old formula (frames × 2 × width of the band × TR − rank) was found wrong; the sizes of the runs, the
# confounds and the shares dropped are known, which frames were dropped is not (72 was 68 to 72). White series, and
# series that forget in 5.5 s.
KNOWN = [
    (300, 2.0, 0.0, 79, 62), (300, 2.0, 0.3, 53, 40.5), (300, 2.0, 0.67, 15, 14), (750, 0.8, 0.0, 72, 55),
    (750, 0.8, 0.6, 26, 20),
]


@pytest.mark.parametrize("frames, tr_s, share, white, red", KNOWN)
def test_known_runs(stages, frames, tr_s, share, white, red):
    sigma, found = sigma_of("5.5 s", frames, tr_s), []
    for seed in range(3):
        kept, confounds = a_run(frames, tr_s, share, seed, gaps=3 if frames == 300 else 8)
        data = independent(sigma, 60, seed)
        got = stages("clean", data=data, confounds=confounds, kept=kept, tr_s=tr_s, **DEFAULTS)
        found.append((got["dof_white"], got["dof"]))
    assert np.mean(found, axis=0) == pytest.approx([white, red], rel=0.1)


@pytest.mark.parametrize("share", [0.0, 0.6])
def test_few_parcels_that_are_alike(stages, share):
    """A dozen parcels of five sources tell Σ less well; still within a tenth, as a median over runs."""
    frames, tr_s = RUNS[0]
    sigma, ratios = sigma_of("1/f", frames, tr_s), []
    for seed in range(7):
        kept, confounds = a_run(frames, tr_s, share, seed)
        data = independent(sigma, 5, seed) @ np.random.default_rng(seed).normal(size=(5, 12))
        got = stages("clean", data=data, confounds=confounds, kept=kept, tr_s=tr_s, **DEFAULTS)
        ratios.append(got["dof"] / exactly(confounds, kept, tr_s, sigma))
    assert 0.9 < np.median(ratios) < 1.1, ratios


def traces(stages, frames, tr_s, share, seed):
    """dof_white by combs over what the whole matrix says."""
    kept, confounds = a_run(frames, tr_s, share, seed)
    data = np.random.default_rng(seed).normal(size=(frames, 2))
    got = stages("clean", data=data, confounds=confounds, kept=kept, tr_s=tr_s, **DEFAULTS)
    return got["dof_white"] / exactly(confounds, kept, tr_s, np.eye(frames))


@pytest.mark.parametrize("frames, tr_s, share", [(200, 2.0, 0.4), (300, 2.0, 0.0), (750, 0.8, 0.3), (1200, 0.5, 0.0)])
def test_combs_have_the_traces_of_the_whole_matrix(stages, frames, tr_s, share):
    error = np.mean([abs(traces(stages, frames, tr_s, share, seed) - 1) for seed in range(3)])
    assert error < (1e-9 if frames * (1 - share) <= 128 else 0.03)


def main():
    path = os.environ["KEEPSTILL_STAGES"]

    def stages(name, **inputs):
        done = subprocess.run([path, name], input=json.dumps(plain(inputs)), capture_output=True, text=True, check=True)
        return json.loads(done.stdout)

    print("dof over 1/var(z) + 2")
    for (frames, tr_s), share in itertools.product(RUNS, SHARES):
        cells = []
        for colour in COLOURS:
            found = [both(stages, frames, tr_s, share, colour, seed=seed) for seed in (3, 13, 23)]
            dof, true, white = np.array(found).T
            cells.append(
                f"{colour} {dof.mean():.1f}/{true.mean():.1f} = {(dof / true).mean():.2f} "
                f"({min(dof / true):.2f}-{max(dof / true):.2f}), white {white.mean():.1f}"
            )
        print(f"TR {tr_s} s, {share:.0%} dropped:", "; ".join(cells), flush=True)
    print("dof with an autoregression that spans 4, 8, 16, 24 s over dof with the true Σ")
    for (frames, tr_s), share, colour in itertools.product(RUNS, (0.0, 0.6), ("white", "AR(2)", "1/f", "steep")):
        sigma, cells = sigma_of(colour, frames, tr_s), []
        for span in (4, 8, 16, 24):
            twin.SPAN_S, found = span, []
            for seed in range(2):
                kept, confounds = a_run(frames, tr_s, share, seed)
                data = independent(sigma, 20, seed) @ np.random.default_rng(seed).normal(size=(20, 100))
                own = twin.own_autocorrelation(data, confounds, kept, tr_s, 1)
                found.append(exactly(confounds, kept, tr_s, own) / exactly(confounds, kept, tr_s, sigma))
            cells.append(f"{np.mean(found):.2f}")
        twin.SPAN_S = 16
        print(f"TR {tr_s} s, {share:.0%} dropped, {colour}:", *cells, flush=True)
    print("combs over the whole matrix")
    all_found = []
    for frames, tr_s in [(160, 2.0), (300, 2.0), (750, 0.8), (1200, 0.5), (1800, 0.4)]:
        for share in (0.0, 0.3, 0.6):
            found = [traces(stages, frames, tr_s, share, seed) for seed in range(3)]
            print(
                f"{frames} frames, TR {tr_s} s, {share:.0%} dropped: {min(found):.4f} to {max(found):.4f}", flush=True
            )
            all_found += found if frames * (1 - share) > 128 else []
    error = np.array(all_found) - 1
    root, largest = np.sqrt(np.mean(error**2)), np.abs(error).max()
    print(f"{len(error)} runs: root mean square error {root:.4f}, largest {largest:.4f}")


if __name__ == "__main__":
    sys.exit(main())
