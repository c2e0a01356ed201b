"""Location and scale of sites, shrunk by empirical Bayes: Johnson, Li & Rabinovic 2007, Biostatistics 8:118 (from
memory), written edge by edge as the formulas stand, with loops where the library has sums of products."""

import numpy as np


def least_squares(design, y, weights):
    root = np.sqrt(weights)
    return np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]


def fit(y, site, kept, weights=None, published=False, least=5):
    """y: children × edges with NaN where a child lacks an edge; site: a number from 0 for each child; kept: children ×
    covariates; weights: children × edges. `published`: the paper's denominators, the numbers of children.

    Returns mean, sd, slopes, location and scale, each with one row per edge; NaN where an edge is not fitted."""
    children, edges = y.shape
    sites = site.max() + 1
    kept = kept - kept.mean(axis=0)
    weights = np.ones_like(y) if weights is None else weights
    dummies = (site[:, None] == np.arange(sites)).astype(float)
    mean, sd = np.full(edges, np.nan), np.full(edges, np.nan)
    slopes = np.full((edges, kept.shape[1]), np.nan)
    hat, variance, n, total, squares = (np.full((edges, sites), np.nan) for _ in range(5))
    for edge in range(edges):
        there = ~np.isnan(y[:, edge])
        if min(np.sum(there & (site == s)) for s in range(sites)) < least:
            continue
        design = np.hstack([dummies, kept])[there]
        values, w, where = y[there, edge], weights[there, edge], site[there]
        b = least_squares(design, values, w)
        of_site = np.array([w[where == s].sum() for s in range(sites)])
        mean[edge] = of_site @ b[:sites] / of_site.sum()
        slopes[edge] = b[sites:]
        residuals = values - design @ b
        left = len(values) if published else len(values) - design.shape[1]
        sd[edge] = np.sqrt(np.sum(w * residuals**2) / left)
        z = (values - mean[edge] - design[:, sites:] @ slopes[edge]) / sd[edge]
        root = np.sqrt(w)[:, None]
        q = np.linalg.qr(design * root)[0]
        free = 1 - np.sum(q**2, axis=1)
        for s in range(sites):
            own = where == s
            hat[edge, s] = np.sum(w[own] * z[own]) / w[own].sum()
            squares[edge, s] = np.sum(w[own] * (z[own] - hat[edge, s]) ** 2)
            variance[edge, s] = squares[edge, s] / (own.sum() - 1 if published else free[own].sum())
            n[edge, s], total[edge, s] = own.sum(), w[own].sum()
    location, scale = np.full((edges, sites), np.nan), np.full((edges, sites), np.nan)
    for s in range(sites):
        known = ~np.isnan(hat[:, s])
        middle, between = hat[known, s].mean(), hat[known, s].var(ddof=1)
        v, s2 = variance[known, s].mean(), variance[known, s].var(ddof=1)
        shape, theta = (v**2 + 2 * s2) / s2, (v**3 + v * s2) / s2
        for edge in np.flatnonzero(known):
            gamma, delta = hat[edge, s], variance[edge, s]
            for _ in range(1000):
                before = gamma, delta
                gamma = (total[edge, s] * between * hat[edge, s] + delta * middle) / (total[edge, s] * between + delta)
                around = squares[edge, s] + total[edge, s] * (gamma - hat[edge, s]) ** 2
                delta = (theta + around / 2) / (n[edge, s] / 2 + shape - 1)
                if max(abs(gamma - before[0]), abs(delta - before[1])) < 1e-12:
                    break
            location[edge, s], scale[edge, s] = sd[edge] * gamma, np.sqrt(delta)
    return {"mean": mean, "sd": sd, "kept": slopes, "location": location, "scale": scale}


def adjust(y, site, kept, found):
    explained = found["mean"] + (kept - kept.mean(axis=0)) @ found["kept"].T
    return explained + (y - explained - found["location"].T[site]) / found["scale"].T[site]
