"""The degrees of freedom of docs/methods.md, with whole matrices: the map of cleaning entry by entry, traces by
numpy."""

import numpy as np
import scipy.linalg

import formulas as f

COMBS, SPAN_S, MOST_LAGS, MOST_PARCELS = 128, 16.0, 40, 128


def basis(design):
    """Orthonormal, by an SVD of the columns scaled to unit norm."""
    norms = np.linalg.norm(design, axis=0)
    u, s, _ = np.linalg.svd(design[:, norms > 0] / norms[norms > 0], full_matrices=False)
    return u[:, s > 1e-10 * s.max(initial=1e-300)]


def out_of(q):
    return np.eye(len(q)) - q @ q.T


def levinson(autocovariances):
    """Coefficients of the highest order that the autocovariances can be of."""
    phi, left = np.zeros(0), 1.0
    if not autocovariances[0] > 0:
        return phi
    rho = np.asarray(autocovariances) / autocovariances[0]
    for order in range(1, len(rho)):
        reflection = (rho[order] - phi @ rho[order - 1 : 0 : -1]) / left
        if not abs(reflection) < 1:
            break
        phi, left = np.append(phi - reflection * phi[::-1], reflection), left * (1 - reflection**2)
    return phi


def autocorrelation(autocovariances, frames):
    """Σ over all frames, of the autoregression that these autocovariances give."""
    phi = levinson(autocovariances)
    rho = [1.0, *(np.asarray(autocovariances[1 : len(phi) + 1]) / autocovariances[0])] if len(phi) else [1.0]
    while len(rho) < frames:
        rho.append(phi @ rho[: -len(phi) - 1 : -1] if len(phi) else 0.0)
    return scipy.linalg.toeplitz(rho[:frames])


def own_autocorrelation(data, confounds, kept, tr_s, degree):
    """Σ over all frames of a run with these parcels, frames × parcels of all atlases."""
    rows, frames = np.flatnonzero(kept), len(kept)
    q = basis(np.hstack([f.legendre(frames, degree), confounds])[kept])
    r = out_of(q)
    data = data[:, (data != data[0]).any(axis=0)]
    data = data[:, :: max(1, -(-data.shape[1] // MOST_PARCELS))]
    left = r @ data[kept]
    left = left[:, np.linalg.norm(left, axis=0) > 1e-10 * np.linalg.norm(data[kept], axis=0)]
    apart = np.abs(rows[:, None] - rows)
    most = min(max(1, int(min(np.floor(SPAN_S / tr_s + 0.5), MOST_LAGS))), max(0, len(rows) - q.shape[1]) // 4)
    pairs = []
    for lag in range(most + 1):
        n = len(rows) if lag == 0 else (apart == lag).sum() // 2
        if n == 0 or 8 * n < len(rows):
            break
        pairs.append(n)
    if len(pairs) < 2 or left.shape[1] == 0:
        return np.eye(frames)
    at_lag = [(apart == lag) / (1 if lag == 0 else 2) for lag in range(len(pairs))]
    together = (left / (left**2).sum(0)) @ left.T / left.shape[1]
    found = np.array([(at * together).sum() for at in at_lag])
    autocovariances = found / pairs
    for _ in range(30):
        sigma = autocovariances[0] * autocorrelation(autocovariances, frames)[np.ix_(rows, rows)]
        expected = r @ sigma @ r
        step = (found - [(at * expected).sum() for at in at_lag]) / pairs
        autocovariances = autocovariances + step
        if not np.abs(step).max() > 1e-3 * abs(autocovariances[0]):
            break
    return autocorrelation(autocovariances, frames)


def signs(count):
    """A bit of SplitMix64 for each number from 0."""
    out = []
    for number in range(count):
        z = (number + 1) * 0x9E3779B97F4A7C15 % 2**64
        z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9 % 2**64
        z = (z ^ z >> 27) * 0x94D049BB133111EB % 2**64
        out.append(-1.0 if (z ^ z >> 31) & 1 else 1.0)
    return np.array(out)


def combs(frames, tr_s, band_hz):
    """Every second one if the band leaves 200 independent frames."""
    out = np.zeros((frames, min(COMBS, frames)))
    out[np.arange(frames), np.arange(frames) % COMBS] = signs(frames)
    width = 2 * (band_hz[1] - band_hz[0]) * tr_s if len(band_hz) else 1.0
    return out[:, :: 2 if width * frames >= 200 else 1]


def cleaning_maps(confounds, kept, tr_s, degree, band_hz, fill, sigma):
    """A without the regression, kept × kept frames, and the regression's basis. The spectral fill's one factor is the
    one to expect of Σ."""
    frames, n = len(kept), int(kept.sum())
    trend = out_of(basis(f.legendre(frames, degree)[kept]))
    before = trend
    filtered = f.detrend(confounds, kept, degree)
    if len(band_hz):
        whole = np.zeros((frames, n))
        whole[kept] = np.eye(n)
        if fill == "linear":
            whole = f.fill_linear(whole, kept)
            filtered = f.fill_linear(filtered, kept) if filtered.size else filtered
        else:
            fitted = f.waves_of(whole, kept, tr_s)
            series = trend @ (np.linalg.cholesky(sigma) @ combs(frames, tr_s, band_hz))[kept]
            factor = np.sqrt((series**2).sum() / ((fitted[kept] @ series) ** 2).sum()) if not kept.all() else 1.0
            whole[~kept] = factor * fitted[~kept]
            filtered = f.fill_spectral(filtered, kept, tr_s)
        before = f.bandpass(whole, tr_s, *band_hz)[kept] @ trend
        filtered = f.bandpass(filtered, tr_s, *band_hz)
    return before, basis(np.hstack([np.ones((n, 1)), filtered[kept]]))


def dof_of(t1, t2, t3):
    """ν·(1 + 4·tr(M³)/(tr(M)·tr(M²)) − 4/ν), ν = tr(M)²/tr(M²)."""
    nu = t1**2 / t2
    return nu * (1 + 4 * t3 / (t1 * t2) - 4 / nu)


def of_map(a, sigma):
    """Of M = AΣAᵀ, exactly."""
    m = a @ sigma @ a.T
    return dof_of(np.trace(m), (m**2).sum(), (m * (m @ m)).sum())


def by_combs(before, q, sigma, tr_s, band_hz):
    """Before and after the regression on q; of a long run by combs."""
    n = before @ sigma @ before.T
    m = out_of(q) @ n @ out_of(q)
    if q.shape[1] >= len(n) or np.trace(m) <= 1e-10 * np.trace(n):
        return of_map(before, sigma) if n.any() else 0.0, 0.0
    if len(n) <= COMBS or 2 * q.shape[1] >= len(n):
        return of_map(before, sigma), of_map(out_of(q) @ before, sigma)
    z = combs(len(n), tr_s, band_hz)
    third = z[:, ::2]
    times, third_times = len(n) / (z**2).sum(), len(n) / (third**2).sum()

    def of(a):
        az, of_third = a @ z, a @ third
        t3 = third_times * (of_third * (a @ of_third)).sum()
        return dof_of(times * (z * az).sum(), times * (az**2).sum(), t3)

    return of(n), of(m)


def degrees_of_freedom(data, confounds, kept, tr_s, degree, band_hz, fill):
    """dof, dof_white and dof_before_regression of a run."""
    n = int(kept.sum())
    if n == 0:
        return 0.0, 0.0, 0.0
    out = []
    own = own_autocorrelation(data, confounds, kept, tr_s, degree)
    for sigma in (own, np.eye(len(kept))):
        before, q = cleaning_maps(confounds, kept, tr_s, degree, band_hz, fill, sigma)
        out.append(by_combs(before, q, sigma[np.ix_(kept, kept)], tr_s, band_hz))
    (before, own_dof), (_, white) = out
    return own_dof, white, before
