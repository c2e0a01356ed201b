"""Edge tests, q values and permutation p values against statsmodels, scipy, direct numpy and NIST's Longley."""

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from statsmodels.stats.multitest import multipletests

from group_program import array, close, group  # noqa: F401
from test_published import dataset, design as nist_design


def children(rng, n, edges, coefficients):
    """A design with an intercept, covariates of different sizes, and edges that depend on them."""
    x = rng.normal(size=(n, coefficients)) * 10.0 ** rng.integers(-3, 4, coefficients)
    x[:, 0] = 1
    z = rng.normal(0, 0.2, (n, edges)) + 0.3 + (x / np.abs(x).max(axis=0)) @ rng.normal(0, 0.1, (coefficients, edges))
    return x, z


def check_against_statsmodels(got, edge, x, y):
    fit = sm.OLS(y, x).fit()
    close(array(got["se"])[:, edge], fit.bse)
    # statsmodels does not scale the columns, so small coefficients are held to a share of their standard errors.
    close(array(got["coefficients"])[:, edge] / fit.bse, fit.tvalues, atol=1e-9)
    close(array(got["t"])[:, edge], fit.tvalues, atol=1e-9)
    close(array(got["p"])[:, edge], fit.pvalues, rtol=1e-8, atol=1e-280)
    assert got["dof"][edge] == fit.df_resid and got["children"][edge] == len(y)
    close(got["sd"][edge], np.sqrt(fit.mse_resid))


@pytest.mark.parametrize("n, coefficients", [(4, 2), (30, 6), (200, 12), (500, 2)])
def test_ordinary_least_squares(group, n, coefficients):
    x, z = children(np.random.default_rng(n), n, 40, coefficients)
    got = group("edge_tests", design=x, data=z)
    for edge in range(40):
        check_against_statsmodels(got, edge, x, z[:, edge])


def test_single_precision_is_read_as_it_is(group):
    x, z = children(np.random.default_rng(1), 120, 300, 4)
    z = z.astype(np.float32)
    got = group("edge_tests", design=x, data=z, single=True)
    for edge in range(0, 300, 37):
        check_against_statsmodels(got, edge, x, z[:, edge].astype(float))


def test_edges_that_children_lack_are_fitted_on_the_others(group):
    rng = np.random.default_rng(2)
    x, z = children(rng, 60, 50, 4)
    x[:, 3] = np.arange(60) < 20  # a covariate that may stop varying
    z[np.ix_(rng.choice(60, 9, replace=False), [3, 7, 8, 20])] = np.nan
    z[rng.random(z.shape) < 0.01] = np.nan
    z[:20, 30] = np.nan  # nobody with the covariate is left
    z[:57, 31] = np.nan  # three children for four coefficients
    z[:, 32] = np.nan
    got = group("edge_tests", design=x, data=z)
    for edge in range(50):
        present = ~np.isnan(z[:, edge])
        if edge in (30, 31, 32):
            assert got["children"][edge] == present.sum() and got["dof"][edge] == 0
            assert np.isnan(array(got["coefficients"])[:, edge]).all() and np.isnan(array(got["p"])[:, edge]).all()
        else:
            check_against_statsmodels(got, edge, x[present], z[present, edge])


def test_nist_longley_through_the_edge_code(group):
    """Certified coefficients and residual SD of NIST StRD, and the certified standard errors as statsmodels gives them."""
    y, predictors, certified, sd = dataset("Longley")
    x = np.array(nist_design("Longley", predictors, float))
    y = np.array([float(v) for v in y])
    got = group("edge_tests", design=x, data=np.column_stack([y, y[::-1]]))
    close(array(got["coefficients"])[:, 0], certified, rtol=1e-9)
    close(got["sd"][0], sd, rtol=1e-10)
    # NIST's certified standard deviations of the estimates, from memory: the first and the last.
    close(array(got["se"])[[0, 6], 0], [890420.383607373, 455.478499142212], rtol=1e-9)
    fit = sm.OLS(y, x).fit()
    close(array(got["p"])[:, 0], fit.pvalues, rtol=1e-6)


def test_p_values_of_large_t_and_many_degrees_of_freedom(group):
    """Tails far out, and the incomplete beta function at the degrees of freedom of a large cohort."""
    rng = np.random.default_rng(3)
    for n in (5, 100, 3000, 20_000):
        x = np.column_stack([np.ones(n), rng.normal(size=n)])
        slopes = np.concatenate([np.linspace(-1, 1, 21), [1e-6]])
        z = x[:, 1:] * slopes + rng.normal(size=(n, 1))
        got = group("edge_tests", design=x, data=z)
        t = array(got["t"])
        close(got["p"], 2 * scipy.stats.t.sf(np.abs(t), n - 2), rtol=1e-8, atol=1e-290)


@pytest.mark.parametrize("n", [1, 2, 17, 1000])
def test_benjamini_hochberg(group, n):
    rng = np.random.default_rng(n)
    p = np.round(rng.beta(0.5, 2, n), 3)  # ties
    close(group("benjamini_hochberg", p=p)["q"], multipletests(p, method="fdr_bh")[1])
    close(group("benjamini_hochberg", p=p)["q"], scipy.stats.false_discovery_control(p))
    holes = np.insert(p, 0, np.nan)
    close(group("benjamini_hochberg", p=holes)["q"][1:], multipletests(p, method="fdr_bh")[1])


def freedman_lane(x, tested, z, permutations):
    """As written in the paper: fit without the tested column, permute residuals, add back, fit all. |t| of each."""
    def t(y):
        beta = np.linalg.lstsq(x, y, rcond=None)[0]
        residuals = y - x @ beta
        sigma = np.sqrt((residuals**2).sum(axis=0) / (len(x) - x.shape[1]))
        return beta[tested] / (sigma * np.sqrt(np.linalg.inv(x.T @ x)[tested, tested]))

    others = np.delete(x, tested, axis=1)
    fitted = others @ np.linalg.lstsq(others, z, rcond=None)[0]
    return t(z), np.array([t(fitted + (z - fitted)[order]) for order in permutations])


@pytest.mark.parametrize("n, coefficients, tested", [(8, 2, 0), (25, 4, 2), (60, 6, 4), (40, 3, 0)])
def test_permutation_p_under_the_same_permutations(group, n, coefficients, tested):
    rng = np.random.default_rng(n)
    x, z = rng.normal(size=(n, coefficients)), rng.normal(size=(n, 30))
    x[:, -1] = 1
    z[:, :4] += x[:, [tested]] * [0.3, 0.6, 1, -1]
    count = 300
    order = np.array(group("permutations", children=n, count=count, seed=5)["permutations"])
    assert (np.sort(order, axis=1) == np.arange(n)).all()
    got = group("freedman_lane", design=x, data=z, tested=tested, count=count, seed=5)
    t, permuted = freedman_lane(x, tested, z, order)
    close(got["t"], t, rtol=1e-8)
    maxima = np.abs(permuted).max(axis=1)
    close(got["maxima"], maxima, rtol=1e-7)
    reached = maxima[:, None] >= np.abs(t) * (1 - 1e-9)
    close(got["family_wise_p"], (1 + reached.sum(axis=0)) / (1 + count))
    alone = np.abs(permuted) >= np.abs(t) * (1 - 1e-9)
    close(got["edge_p"], (1 + alone.sum(axis=0)) / (1 + count))
    assert got["family"] == 30


def test_permuting_without_other_covariates_is_scipy_s_permutation_test(group):
    """Slope on an intercept alone: the statistic is a function of the correlation, over pairings."""
    rng = np.random.default_rng(4)
    n, count = 12, 5000
    x, z = rng.normal(size=n), rng.normal(size=n)
    z += 0.5 * x
    got = group("freedman_lane", design=np.column_stack([np.ones(n), x]), data=z[:, None], tested=1, count=count, seed=1)
    reference = scipy.stats.permutation_test(
        (x,), lambda v: scipy.stats.pearsonr(v, z).statistic, permutation_type="pairings", n_resamples=count,
        rng=np.random.default_rng(5),
    )
    p = reference.pvalue
    assert abs(got["edge_p"][0] - p) < 5 * np.sqrt(2 * p * (1 - p) / count)
    assert got["edge_p"] == got["family_wise_p"]


def test_null_data_give_five_percent(group):
    """Share of p < 0.05 over 20,000 independent null edges, and of cohorts with any family-wise finding, within four
    binomial errors."""
    rng = np.random.default_rng(6)
    x = np.column_stack([np.ones(50), rng.normal(size=(50, 3))])
    edges = 20_000
    p = array(group("edge_tests", design=x, data=rng.normal(size=(50, edges)))["p"])
    for j in range(1, 4):
        assert abs((p[j] < 0.05).mean() - 0.05) < 4 * np.sqrt(0.05 * 0.95 / edges)
    # Skewed residuals, where t's own distribution is only near: permutation must still hold its level.
    cohorts = 300
    found = 0
    for cohort in range(cohorts):
        z = rng.exponential(size=(20, 25))
        own = np.column_stack([np.ones(20), rng.normal(size=(20, 2))])
        got = group("freedman_lane", design=own, data=z, tested=1, count=199, seed=cohort)
        found += min(got["family_wise_p"]) <= 0.05
    assert abs(found / cohorts - 0.05) < 4 * np.sqrt(0.05 * 0.95 / cohorts)


def test_a_planted_effect_is_found_and_nothing_else(group):
    rng = np.random.default_rng(7)
    n, edges = 80, 500
    age = rng.uniform(6, 12, n)
    motion = 0.5 - 0.03 * age + rng.normal(0, 0.05, n)  # older children move less
    z = rng.normal(0, 0.2, (n, edges)) + motion[:, None]  # every edge is driven by motion
    z[:, 17] += 0.2 * (age - 9)
    with_motion = np.column_stack([np.ones(n), age, motion])
    got = group("freedman_lane", design=with_motion, data=z, tested=1, count=999, seed=1)
    p = array(got["family_wise_p"])
    assert p[17] == 0.001 and (np.delete(p, 17) > 0.01).all()
    tests = group("edge_tests", design=with_motion, data=z)
    q = array(group("benjamini_hochberg", p=tests["p"][1])["q"])
    assert q[17] < 1e-6 and (np.delete(q, 17) < 0.05).sum() <= 2
    # Without motion in the model its effect passes for one of age.
    wrong = array(group("edge_tests", design=with_motion[:, :2], data=z)["p"])[1]
    assert (wrong < 0.05).mean() > 0.3


def test_columns_that_depend_on_one_another_are_refused_by_name(group):
    x = np.column_stack([np.ones(10), np.arange(10) < 5, np.arange(10) >= 5, np.arange(10) ** 2])
    said = group("edge_tests", code=1, design=x, data=np.zeros((10, 1)), names=["(Intercept)", "siteA", "siteB", "age"])
    assert "siteB follows from its columns (Intercept), siteA" in said
