"""Why a site needs five children, and why sites are fitted with the children's weights: simulations.

    python tests/reference/site_simulation.py [cohorts]

Prints two tables. docs/methods.md ("Sites") has the figures, with the seed that is set here."""

import sys

import numpy as np

from site_effects import adjust, fit

EDGES = 60


def changed(rng, n, cohorts):
    """Two sites of n children without any effect: how far values move, in SDs between children."""
    moved = []
    for _ in range(cohorts):
        site = np.repeat([0, 1], n)
        y = rng.normal(size=(2 * n, EDGES))
        none = np.zeros((2 * n, 0))
        moved.append(np.sqrt(np.mean((adjust(y, site, none, fit(y, site, none, least=2)) - y) ** 2)))
    return np.mean(moved)


def largest(y, x, w):
    """Largest |t| of x beside a constant, over the edges; weights w per child."""
    root = np.sqrt(w / w.mean())[:, None]
    design = np.stack([np.ones_like(x), x], axis=1) * root
    inverse = np.linalg.inv(design.T @ design)
    b = inverse @ design.T @ (y * root)
    s2 = np.sum((y * root - design @ b) ** 2, axis=0) / (len(x) - 2)
    return np.max(np.abs(b[1]) / np.sqrt(inverse[1, 1] * s2))


def familywise(y, x, w, rng, permutations=99):
    """p of the largest |t| when whitened residuals about the weighted mean are exchanged (Freedman & Lane)."""
    root = np.sqrt(w / w.mean())[:, None]
    mean = (w @ y) / w.sum()
    white = (y - mean) * root
    own = largest(y, x, w)
    count = 1
    for _ in range(permutations):
        count += largest(mean + white[rng.permutation(len(x))] / root, x, w) >= own * (1 - 1e-12)
    return count / (permutations + 1)


def cohort(rng, noise, unlike):
    """Two sites of 30: the second kept less of its data, and its scanner is `noise` times as noisy. x has no effect; it
    varies three times as much at the second site if `unlike`."""
    site = np.repeat([0, 1], 30)
    dof = np.concatenate([rng.uniform(40, 80, 30), rng.uniform(8, 40, 30)])
    s = 1 / (dof - 2)
    x = rng.normal(size=60) * np.where(site == 1, 1.5 if unlike else 1, 0.5 if unlike else 1)
    y = rng.normal(size=(60, EDGES)) * np.sqrt(0.01 + s)[:, None] * np.where(site == 1, noise, 1)[:, None]
    return site, s, x, y + rng.normal(0, 0.1, EDGES) * (site == 1)[:, None]


def rates(noise, unlike, cohorts):
    """Share of cohorts with a family-wise finding (p < 0.05) in each way."""
    rng = np.random.default_rng(11)
    hits = np.zeros(5)
    for _ in range(cohorts):
        site, s, x, y = cohort(rng, noise, unlike)
        w = 1 / (0.01 + s)
        w /= w.mean()
        by_child = np.repeat(w[:, None], EDGES, axis=1)
        kept, none, alike = x[:, None], np.zeros((60, 0)), np.ones(60)
        ways = [
            (y, w),
            (adjust(y, site, none, fit(y, site, none)), alike),
            (adjust(y, site, none, fit(y, site, none)), w),
            (adjust(y, site, none, fit(y, site, none, by_child)), w),
            (adjust(y, site, kept, fit(y, site, kept, by_child)), w),
        ]
        hits += [familywise(values, x, weights, rng) < 0.05 for values, weights in ways]
    return hits / cohorts


if __name__ == "__main__":
    cohorts = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    rng = np.random.default_rng(3)
    print("children per site, no effect: root mean square change of a value, in SDs")
    for n in (2, 3, 4, 5, 8, 10, 20, 40):
        print(f"{n:4d} {changed(rng, n, max(20, cohorts // 10)):.3f}")
    print("some family-wise p < 0.05 of x, in this order: as measured, weights in the test | adjusted without weights,")
    print(
        "none in the test | the same, weights in the test | adjusted with weights, weights in the test "
        "| the same, x kept"
    )
    for unlike in (False, True):
        for noise in (1.0, 1.5, 2.0):
            shares = (f"{100 * rate:5.1f} %" for rate in rates(noise, unlike, cohorts))
            print("x unlike" if unlike else "x alike", noise, *shares)
