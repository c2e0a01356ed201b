"""The formulas of docs/methods.md, one function per stage, in numpy and scipy.

Written from the documentation alone, with other means than the program where there is a choice (a rotation library for
the RMS displacement, an SVD for least squares, scipy's filters), so that agreement says something. Rows are frames.
"""

import math

import numpy as np
import scipy.ndimage
import scipy.signal
import scipy.stats
from scipy.spatial.transform import Rotation
from sklearn.covariance import LedoitWolf

REASONS = ["settling", "unaligned", "moved", "signal_jump", "logged", "beside_motion", "short_stretch"]

# WHO Child Growth Standards 2007, head circumference-for-age, medians in cm, as docs/methods.md lists them.
WHO_MONTHS = [0, 1, 2, 3, 4, 5, 6, 9, 12, 18, 24, 36, 48, 60]
WHO_CM = {
    "male": [34.46, 37.28, 39.13, 40.51, 41.63, 42.56, 43.33, 45.00, 46.07, 47.37, 48.25, 49.46, 50.21, 50.74],
    "female": [33.88, 36.55, 38.25, 39.53, 40.58, 41.46, 42.20, 43.83, 44.90, 46.24, 47.18, 48.51, 49.33, 49.92],
}
ADULT_CM = {"male": 55.1, "female": 53.6}
ADULT_MONTHS = 216


def sphere_radius(age_months, sex):
    """50 mm times the child's median head circumference over the adult's; unknown sex: mean of both ratios' parts."""

    def circumference(which):
        return np.interp(age_months, WHO_MONTHS + [ADULT_MONTHS], WHO_CM[which] + [ADULT_CM[which]])

    if sex == "unknown":
        child = (circumference("male") + circumference("female")) / 2
        adult = (ADULT_CM["male"] + ADULT_CM["female"]) / 2
    else:
        child, adult = circumference(sex), ADULT_CM[sex]
    return 50.0 * child / adult


def fd_sum(translation_mm, rotation_rad, radius_mm):
    """Sum of absolute backward differences, mm [T]; NaN in frame 0 (Power et al. 2012)."""
    steps = np.abs(np.diff(translation_mm, axis=0)).sum(1) + radius_mm * np.abs(np.diff(rotation_rad, axis=0)).sum(1)
    return np.concatenate([[np.nan], steps])


def rigid(translation_mm, rotation_rad, order):
    """4x4 matrices [T,4,4]; `order` says which fixed axis turns first (scipy's lower-case, extrinsic convention)."""
    angles = np.asarray(rotation_rad)[:, ["xyz".index(a) for a in order]]
    matrices = np.tile(np.eye(4), (len(translation_mm), 1, 1))
    matrices[:, :3, :3] = Rotation.from_euler(order, angles).as_matrix()
    matrices[:, :3, 3] = translation_mm
    return matrices


def fd_rms(translation_mm, rotation_rad, radius_mm, order="xyz"):
    """RMS displacement over a sphere centred at 0, mm [T]; NaN in frame 0 (Jenkinson 1999, TR99MJ1)."""
    poses = rigid(translation_mm, rotation_rad, order)
    out = [np.nan]
    for before, now in zip(poses[:-1], poses[1:]):
        # now · before⁻¹ − 1, with the difference taken first so that small steps keep their digits.
        change = (now - before) @ np.linalg.inv(before)
        a, t = change[:3, :3], change[:3, 3]
        out.append(math.sqrt(radius_mm**2 / 5 * np.trace(a.T @ a) + t @ t))
    return np.array(out)


def dvars(masked):
    """DVARS in percent [T] of voxel series [T, voxels] that are finite throughout; NaN in frame 0."""
    steps = np.sqrt((np.diff(masked, axis=0) ** 2).mean(1))
    return np.concatenate([[np.nan], 100 * steps / np.median(masked.mean(0))])


def motion_terms(trans, rot, terms):
    """0, 6, 12 or 24 columns: parameters, backward differences, squares of those twelve."""
    six = np.hstack([trans, rot])
    if terms == 0:
        return six[:, :0]
    twelve = np.hstack([six, np.vstack([np.zeros((1, 6)), np.diff(six, axis=0)])])
    return np.hstack([twelve, twelve**2])[:, :terms]


def censor(fd, dvars_percent, logged, fd_mm, dvars_limit, before, after, shortest_stretch, settling):
    """Kept flag and reasons of each frame. NaN in fd or dvars_percent never drops a frame."""
    frames = len(fd)
    fd, dvars_percent = np.asarray(fd, float), np.asarray(dvars_percent, float)
    reasons = [[] for _ in range(frames)]
    with np.errstate(invalid="ignore"):
        moved = (fd > fd_mm) if fd_mm > 0 else np.zeros(frames, bool)
        jumped = (dvars_percent > dvars_limit) if dvars_limit > 0 else np.zeros(frames, bool)
    for i in range(frames):
        if i < settling:
            reasons[i].append("settling")
        if moved[i]:
            reasons[i].append("moved")
        if jumped[i]:
            reasons[i].append("signal_jump")
        if logged[i]:
            reasons[i].append("logged")
        if not (moved[i] or jumped[i]):
            # A frame is beside motion if a bad frame lies at most `before` ahead of it or `after` behind it.
            near = range(max(0, i - after), min(frames, i + before + 1))
            if any(moved[j] or jumped[j] for j in near):
                reasons[i].append("beside_motion")
    i = 0
    while i < frames:
        j = i
        while j < frames and not reasons[j]:
            j += 1
        if 0 < j - i < shortest_stretch:
            for k in range(i, j):
                reasons[k].append("short_stretch")
        i = max(j, i + 1)
    return np.array([not r for r in reasons]), reasons


def logged_frames(intervals, frames, tr_s):
    """Frames [i·TR, (i+1)·TR) that overlap an interval (onset, duration)."""
    out = np.zeros(frames, bool)
    for onset, duration in intervals:
        for i in range(frames):
            out[i] |= onset < (i + 1) * tr_s and onset + duration > i * tr_s
    return out


def legendre(frames, degree):
    x = np.linspace(-1, 1, frames) if frames > 1 else np.zeros(frames)
    return np.polynomial.legendre.legvander(x, degree)


def detrend(data, kept, degree):
    """Legendre polynomials to `degree`, fitted on kept frames, removed from all."""
    basis = legendre(len(data), degree)
    fit = np.linalg.lstsq(basis[kept], data[kept], rcond=None)[0]
    return data - basis @ fit


def fill_linear(data, kept):
    at = np.arange(len(data))
    return np.column_stack([np.where(kept, x, np.interp(at, at[kept], x[kept])) for x in data.T])


def waves_of(data, kept, tr_s):
    """At each frequency j/(8T), j ≥ 1, below Nyquist a least-squares sine and cosine of the kept frames (Lomb 1976,
    Scargle 1982); their sum at all frames."""
    frames = len(data)
    t = np.arange(frames) * tr_s
    series = np.zeros_like(data, dtype=float)
    for j in range(1, 4 * frames):
        phase = 2 * np.pi * t * j / (8 * frames * tr_s)
        wave = np.column_stack([np.sin(phase), np.cos(phase)])
        series += wave @ np.linalg.lstsq(wave[kept], data[kept], rcond=1e-10)[0]
    return series


def fill_spectral(data, kept, tr_s):
    """The waves, rescaled to the kept frames' SD, stand in dropped frames."""
    mean = data[kept].mean(0)
    series = waves_of(data - mean, kept, tr_s)
    spread = series[kept].std(0)
    scale = np.divide(data[kept].std(0), spread, out=np.zeros_like(spread), where=spread > 0)
    out = mean + series * scale
    out[kept] = data[kept]
    return out


def bandpass(data, tr_s, low_hz, high_hz):
    sections = scipy.signal.butter(2, [low_hz, high_hz], "bandpass", fs=1 / tr_s, output="sos")
    padding = min(len(data) - 1, math.ceil(1 / (low_hz * tr_s)))
    return scipy.signal.sosfiltfilt(sections, data, axis=0, padtype="odd", padlen=padding)


def regress(data, design):
    """Residuals, coefficients (minimum norm of the scaled problem where the rank is short) and rank, by SVD."""
    if design.shape[1] == 0:
        return data.copy(), np.zeros((0, data.shape[1])), 0
    norms = np.linalg.norm(design, axis=0)
    norms[norms == 0] = 1
    u, s, vt = np.linalg.svd(design / norms, full_matrices=False)
    rank = int((s > 1e-10 * s[0]).sum()) if s[0] > 0 else 0
    u, s, vt = u[:, :rank], s[:rank], vt[:rank]
    weights = u.T @ data
    residuals = data - u @ weights
    residuals -= u @ (u.T @ residuals)
    return residuals, (vt.T @ (weights / s[:, None])) / norms[:, None], rank


def clean(data, confounds, kept, tr_s, degree, band_hz, fill):
    """Steps 2 to 4 of cleaning: residuals over kept frames, rank. Step 5 is in degrees_of_freedom.py."""
    both = detrend(np.hstack([data, confounds]), kept, degree)
    if len(band_hz):
        both = fill_linear(both, kept) if fill == "linear" else fill_spectral(both, kept, tr_s)
        both = bandpass(both, tr_s, *band_hz)
    parcels = data.shape[1]
    design = np.hstack([np.ones((len(data), 1)), both[:, parcels:]])[kept]
    residuals, _, rank = regress(both[kept, :parcels], design)
    return residuals, rank


def tissue_components(voxels, kept, degree, number):
    """Leading left singular vectors [T, number] over kept frames; 0 in dropped ones (Behzadi et al. 2007)."""
    part = detrend(voxels, kept, degree)[kept]
    sd = part.std(0)
    # A voxel that is flat over the kept frames has rounding noise left, which must not be blown up to unit variance.
    live = sd > 1e-10 * np.abs(voxels).max(0)
    part = part[:, live] / sd[live]
    u = np.linalg.svd(part, full_matrices=False)[0]
    out = np.zeros((len(voxels), number))
    out[kept] = u[:, :number]
    return out


def zscore(data):
    return (data - data.mean(0)) / data.std(0)


def mean_signal(raw):
    """What a percentage is of: the mean of kept frames before cleaning, NaN below 5 of their SDs."""
    mean = raw.mean(0)
    return np.where((mean > 0) & (mean >= 5 * raw.std(0)), mean, np.nan)


def percent(residuals, signal):
    """Residuals in percent of the mean signal of each parcel."""
    return 100 * (residuals - residuals.mean(0)) / signal


def joined(runs, measure):
    """Runs, each (residuals, mean signal), as the measure wants them joined."""
    return np.vstack([percent(r, signal) if measure == "covariance" else zscore(r) for r, signal in runs])


def correlation(data):
    r = np.corrcoef(data, rowvar=False)
    np.fill_diagonal(r, 1.0)
    return r


def connectivity(data, measure):
    """Matrix and shrinkage (None but for partial)."""
    if measure == "pearson":
        return correlation(data), None
    if measure == "spearman":
        return correlation(np.apply_along_axis(scipy.stats.rankdata, 0, data)), None
    if measure == "covariance":
        return np.cov(data, rowvar=False, bias=True), None
    if measure == "partial":
        fit = LedoitWolf().fit(data)
        precision = np.linalg.inv(fit.covariance_)
        d = np.sqrt(np.diag(precision))
        out = -precision / np.outer(d, d)
        np.fill_diagonal(out, 1.0)
        return out, float(fit.shrinkage_)
    raise ValueError(measure)


def fisher_z(r):
    limit = 1 - 1e-7
    return np.arctanh(np.clip(r, -limit, limit))


def lag1(x):
    """NIST StRD definition of the lag-1 autocorrelation coefficient."""
    d = np.asarray(x, float) - np.mean(x)
    return (d[:-1] @ d[1:]) / (d @ d)


# Breathing: breaths a minute by age (Fleming et al. 2011, from memory), up to and without the age in months.
BREATHS = [
    (0, 3, 34, 57), (3, 6, 33, 55), (6, 9, 31, 52), (9, 12, 30, 50), (12, 18, 28, 46), (18, 24, 25, 40),
    (24, 36, 22, 34), (36, 48, 21, 29), (48, 72, 20, 27), (72, 96, 18, 24), (96, 144, 16, 22), (144, 180, 15, 21),
    (180, 216, 13, 19), (216, math.inf, 12, 18),
]


def notch(data, low_hz, high_hz, tr_s):
    """scipy's notch over a band, and its own padding, along the first axis."""
    centre = (low_hz + high_hz) / 2
    b, a = scipy.signal.iirnotch(centre, centre / (high_hz - low_hz), fs=1 / tr_s)
    return scipy.signal.filtfilt(b, a, data, axis=0)


def low_pass(data, cutoff_hz, tr_s):
    b, a = scipy.signal.butter(2, cutoff_hz, fs=1 / tr_s)
    return scipy.signal.filtfilt(b, a, data, axis=0)


def settling(mean):
    """Leading frames more than 3 robust SD above the median of the frames after the first ten (or later half)."""
    mean = np.asarray(mean, dtype=float)
    most = min(10, len(mean) // 2)
    rest = mean[most:]
    sd = scipy.stats.median_abs_deviation(rest) * 1.4826
    limit = np.median(rest) + max(3 * sd, 1e-6 * abs(np.median(rest)))
    steady = np.flatnonzero(~(mean[:most] > limit))
    return int(steady[0]) if len(steady) else most


def brain_mask(mean, threshold):
    """Largest part of the voxels above the threshold, by faces, with its holes filled."""
    faces = scipy.ndimage.generate_binary_structure(3, 1)
    parts, count = scipy.ndimage.label(mean > threshold, faces)
    sizes = np.bincount(parts.ravel())
    largest = 1 + np.argmax(sizes[1:])
    return scipy.ndimage.binary_fill_holes(parts == largest, faces)


def mask_radius(mask, affine):
    """Mean distance, mm, from the centroid to the voxels that an erosion by faces takes away; and the centroid."""
    faces = scipy.ndimage.generate_binary_structure(3, 1)
    surface = mask & ~scipy.ndimage.binary_erosion(mask, faces, border_value=0)
    world = lambda where: np.argwhere(where) @ affine[:, :3].T + affine[:, 3]
    centroid = world(mask).mean(axis=0)
    return np.linalg.norm(world(surface) - centroid, axis=1).mean(), centroid, int(surface.sum())


def independent(x):
    """Columns that do not depend on those before them, and whether each column lies outside the span of all others."""
    norms = np.linalg.norm(x, axis=0)
    x = x / np.where(norms > 0, norms, 1)
    rank = lambda columns: np.linalg.matrix_rank(x[:, columns], tol=1e-7) if columns else 0
    kept = []
    for j in range(x.shape[1]):
        kept += [j] if rank(kept + [j]) > rank(kept) else []
    columns = list(range(x.shape[1]))
    return kept, np.array([rank(columns) > rank([k for k in columns if k != j]) for j in columns])


def among(order, there):
    """An order of those who are there: the place of one gets whom the order puts there or, if that one is missing, whom
    it puts in the missing one's place, and so on."""
    place = np.cumsum(there) - 1
    new = []
    for child in np.flatnonzero(there):
        child = order[child]
        while not there[child]:
            child = order[child]
        new.append(place[child])
    return np.array(new)


def as_rare(t, own, whole):
    """|t| with `whole` degrees of freedom that is about as rare as t with `own`: (dof - 1/2) ln(1 + t^2/dof) is nearly
    the square of a normal number."""
    return np.sqrt(whole * np.expm1((own - 0.5) / (whole - 0.5) * np.log1p(t**2 / own)))
