"""Effects of sites against direct numpy (site_effects.py), and how far the published denominators are from ours."""

import numpy as np
import pytest

from group_program import array, close, group  # noqa: F401
from site_effects import adjust, fit


def cohort(seed, children, sites, kept, edges=40):
    rng = np.random.default_rng(seed)
    site = rng.permutation(np.arange(children) % sites)
    x = rng.normal(size=(children, kept)) * 10.0 ** np.arange(kept) + site[:, None]
    shift, scale = rng.normal(0, 0.15, (sites, edges)), rng.uniform(0.6, 1.6, (sites, 1))
    y = 0.4 + shift[site] + rng.normal(0, 0.2, (children, edges)) * scale[site]
    y += (x / 10.0 ** np.arange(kept)) @ rng.normal(0, 0.05, (kept, edges))
    return site, x, y.astype(np.float32)


def compare(got, site, x, y, weights=None):
    expected = fit(y.astype(float), site, x, weights)
    for key in ("mean", "sd", "location", "scale"):
        close(got[key], expected[key], rtol=1e-6, atol=1e-8)
    if x.shape[1]:
        close(got["kept"], expected["kept"], rtol=1e-6, atol=1e-8)
    close(got["adjusted"], adjust(y, site, x, expected), rtol=1e-5, atol=1e-6)
    return expected


@pytest.mark.parametrize("children, sites, kept", [(10, 2, 1), (24, 2, 2), (60, 3, 3), (200, 7, 2)])
def test_empirical_bayes(group, children, sites, kept):
    site, x, y = cohort(children, children, sites, kept)
    expected = compare(group("site_effects", data=y, site=site, kept=x), site, x, y)
    assert np.abs(adjust(y, site, x, expected) - y).max() > 0.1


def test_weights_of_children(group):
    site, x, y = cohort(1, 50, 2, 2)
    rng = np.random.default_rng(2)
    halves = [np.arange(0, 40, 2), np.arange(1, 40, 2)]
    own = rng.uniform(0.3, 2, (2, 50))
    classes = [{"edges": edges.tolist(), "weights": w.tolist()} for edges, w in zip(halves, own)]
    weights = np.empty((50, 40))
    for edges, w in zip(halves, own):
        weights[:, edges] = w[:, None]
    got = group("site_effects", data=y, site=site, kept=x, classes=classes)
    compare(got, site, x, y, weights)
    assert np.abs(array(got["location"]) - fit(y.astype(float), site, x)["location"]).max() > 1e-3


def test_edges_that_children_lack(group):
    site, x, y = cohort(4, 40, 2, 1)
    rng = np.random.default_rng(5)
    y[rng.random(y.shape) < 0.1] = np.nan
    y[np.flatnonzero(site == 1)[4:], 7] = np.nan  # four children of the second site at most
    got = group("site_effects", data=y, site=site, kept=x)
    compare(got, site, x, y)
    assert np.isnan(array(got["mean"])[7]) and np.isnan(array(got["mean"])).sum() == 1


def test_published_denominators_make_values_of_few_children_too_much_alike():
    """Two sites of ten and two covariates, without any effect: with the paper's denominators, adjusted values vary less
    than those that were measured; with degrees of freedom they do not. With many children both agree."""
    shares = {}
    for children in (20, 400):
        for published in (False, True):
            ratios = []
            for seed in range(30):
                rng = np.random.default_rng(seed)
                site, x = np.arange(children) % 2, rng.normal(size=(children, 2))
                y = rng.normal(size=(children, 60))
                after = adjust(y, site, x, fit(y, site, x, published=published))
                of = lambda values: np.mean([values[site == s].var(axis=0, ddof=1).mean() for s in (0, 1)])
                ratios.append(np.sqrt(of(after) / of(y)))
            shares[children, published] = np.mean(ratios)
    assert shares[20, True] < 0.97 < shares[20, False] < 1.03
    assert abs(shares[400, True] - 1) < 0.01 and abs(shares[400, False] - 1) < 0.01
