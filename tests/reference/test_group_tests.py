"""Edge tests, q values and permutation p values against statsmodels, scipy, direct numpy and NIST's Longley.

`python tests/reference/test_group_tests.py COHORTS` counts family-wise findings in null cohorts with edges that some
children lack, for docs/methods.md; KEEPSTILL_STAGES names a built example, beside which group_check is.
"""

import pathlib
import sys
import tempfile

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from statsmodels.stats.multitest import multipletests

from formulas import among, as_rare, independent
from group_program import array, caller, close, group, permuted_column  # noqa: F401
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


def check_in_part(got, edge, x, y):
    """The same where the children do not determine all: statsmodels on a table without the columns that depend on
    others."""
    kept, determined = independent(x)
    assert got["children"][edge] == len(y)
    values = {key: array(got[key])[:, edge] for key in ("coefficients", "se", "t", "p")}
    if len(y) <= len(kept):
        assert got["dof"][edge] == 0 and all(np.isnan(v).all() for v in values.values())
        return 0
    fit = sm.OLS(y, x[:, kept]).fit()
    assert got["dof"][edge] == fit.df_resid == len(y) - len(kept)
    assert all(np.array_equal(np.isnan(v), ~determined) for v in values.values())
    places = [kept.index(j) for j in np.flatnonzero(determined)]
    close(values["se"][determined], fit.bse[places])
    close(values["coefficients"][determined] / fit.bse[places], fit.tvalues[places], atol=1e-9)
    close(values["p"][determined], fit.pvalues[places], rtol=1e-8, atol=1e-280)
    close(got["sd"][edge], np.sqrt(fit.mse_resid))
    return determined.sum()


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
    z[:57, 31] = np.nan  # three children for three coefficients
    z[:, 32] = np.nan
    z[20:, 33] = np.nan  # all have it: neither it nor the intercept is determined
    got = group("edge_tests", design=x, data=z)
    found = []
    for edge in range(50):
        present = ~np.isnan(z[:, edge])
        found.append(check_in_part(got, edge, x[present], z[present, edge]))
        if found[-1] == 4:
            check_against_statsmodels(got, edge, x[present], z[present, edge])
    assert found[30:34] == [3, 0, 0, 2] and found[:30] + found[34:] == [4] * 46


def test_levels_and_references_that_the_children_of_an_edge_lack(group):
    """A factor of four sites, one of sex, and their interaction: every set of sites that may lack an edge."""
    rng = np.random.default_rng(12)
    n = 72
    site, sex, age = np.arange(n) % 4, (np.arange(n) // 4) % 2, rng.normal(100, 20, n)
    levels = [(site == k).astype(float) for k in (1, 2, 3)]
    x = np.column_stack([np.ones(n), age, *levels, sex, *[level * sex for level in levels]])
    z = rng.normal(0, 0.2, (n, 20))
    lacking = [sites for sites in range(15)]
    for edge in lacking:
        z[(edge >> site) & 1 == 1, edge] = np.nan
    z[(site == 2) & (sex == 1), 15] = np.nan  # one cell of the interaction
    z[(site == 0) & (sex == 0), 16] = np.nan  # that of both references
    z[(sex == 0), 17] = np.nan
    z[(sex == 1) & (site != 1), 18] = np.nan
    z[(age > np.sort(age)[11]), 19] = np.nan
    got = group("edge_tests", design=x, data=z)
    found = []
    for edge in range(20):
        present = ~np.isnan(z[:, edge])
        found.append(check_in_part(got, edge, x[present], z[present, edge]))
    # All; without site 2: neither it nor its product; without the reference of both: age alone, and no more.
    assert found[0] == 9 and found[4] == 7 and found[1] == 1 and 1 <= found[15] < 9
    assert len(set(found)) > 4


def test_nist_longley_through_the_edge_code(group):
    """Certified coefficients and residual SD of NIST StRD, and the certified standard errors as statsmodels gives
    them."""
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
    got = group("permutation_test", design=x, data=z, tested=tested, count=count, seed=5)
    t, permuted = permuted_column(x, tested, z, order)
    close(got["t"], t, rtol=1e-8)
    maxima = np.abs(permuted).max(axis=1)
    close(got["maxima"], maxima, rtol=1e-7)
    reached = maxima[:, None] >= np.abs(t) * (1 - 1e-9)
    close(got["family_wise_p"], (1 + reached.sum(axis=0)) / (1 + count))
    assert got["family"] == 30
    # Freedman & Lane's own differ by some (coefficients − 1)/n, and not at all beside an intercept alone.
    theirs = freedman_lane(x, tested, z, order)[1]
    if coefficients == 2:
        close(permuted, theirs, rtol=1e-7, atol=1e-9)
    else:
        assert abs(permuted.std() / theirs.std() - 1) < 2 * coefficients / n


def lack(rng, z, parcels, missing, children=None, share=0.25):
    """Takes `missing` of the parcels away, each from a share of the children."""
    pairs = np.array(np.triu_indices(parcels, 1))
    for parcel in rng.choice(parcels, missing, replace=False):
        who = rng.random(len(z)) < share if children is None else children(rng)
        z[np.ix_(who, (pairs == parcel).any(axis=0))] = np.nan


@pytest.mark.parametrize("weighted", [False, True])
def test_edges_that_children_lack_are_permuted_among_the_others(group, weighted):
    """Directly: every edge on its own, on those who have it, under the orders that the permutations give of them."""
    rng = np.random.default_rng(20 + weighted)
    n, parcels, count = 40, 9, 200
    edges = parcels * (parcels - 1) // 2
    x, z = np.column_stack([np.ones(n), rng.normal(size=(n, 3))]), rng.normal(size=(n, edges))
    z[:, [0, 9]] += 0.9 * x[:, [2]]
    lack(rng, z, parcels, 3)
    z[:21, 17] = np.nan  # fewer than half have it
    classes = [{"edges": np.arange(edges), "weights": np.ones(n)}]
    if weighted:
        classes = [{"edges": np.arange(k, edges, 2), "weights": rng.uniform(0.2, 3, n)} for k in range(2)]
    order = np.array(group("permutations", children=n, count=count, seed=4)["permutations"])
    got = group("permutation_test", design=x, data=z, tested=2, count=count, seed=4, classes=classes)
    own, permuted = np.full(edges, np.nan), np.zeros((count, edges))
    for edge in np.delete(np.arange(edges), 17):
        there = ~np.isnan(z[:, edge])
        root = np.sqrt(next(c["weights"] for c in classes if edge in c["edges"])[there])[:, None]
        orders = np.array([among(one, there) for one in order])
        t, theirs = permuted_column(x[there] * root, 2, z[there][:, [edge]] * root, orders)
        close(got["t"][edge], t[0], rtol=1e-8)
        own[edge] = as_rare(t[0], there.sum() - 4, n - 4)
        permuted[:, edge] = as_rare(theirs[:, 0], there.sum() - 4, n - 4)
    maxima = permuted.max(axis=1)
    close(got["maxima"], maxima, rtol=1e-7)
    p = (1 + (maxima[:, None] >= own * (1 - 1e-9)).sum(axis=0)) / (1 + count)
    p[17] = np.nan
    close(got["family_wise_p"], p)
    in_part = np.isnan(z).any(axis=0) & ~np.isnan(p)
    assert got["family"] == edges - 1 and 15 <= in_part.sum() < edges - 1
    assert len(set(p[in_part])) > 3 and p[0] < 0.05 and p[9] < 0.05 and in_part[[0, 9]].any()


def test_the_scale_of_edges_in_part_keeps_p():
    """Where p is what family-wise p turns on, the p of the two |t| differ by some percent."""
    for own, whole in [(10, 20), (20, 40), (45, 60), (150, 200)]:
        t = scipy.stats.t.isf(np.array([1e-2, 1e-3, 1e-4, 1e-5]) / 2, own)
        p = 2 * scipy.stats.t.sf(as_rare(t, own, whole), whole)
        assert np.abs(np.log(p / [1e-2, 1e-3, 1e-4, 1e-5])).max() < (0.25 if own == 10 else 0.1)


def null_cohort(rng, n=24, parcels=10, in_group=8):
    """A group against others, an age, and skewed edges that share their parcels' noise; nothing depends on the group
    but who lacks a parcel (20 % of the edges): the group's children three times as often."""
    tested = (np.arange(n) < in_group).astype(float)
    x = np.column_stack([np.ones(n), tested, rng.normal(size=n)])
    i, j = np.triu_indices(parcels, 1)
    shared = rng.normal(size=(n, parcels))
    z = rng.exponential(size=(n, len(i))) + 0.5 * (shared[:, i] + shared[:, j])
    lack(rng, z, parcels, 1, lambda rng: rng.random(n) < np.where(tested == 1, 0.45, 0.15))
    return x, z


def count_findings(group, cohorts, seed=30):
    """Cohorts with some family-wise finding, and those where it is an edge that some children lack."""
    rng = np.random.default_rng(seed)
    found = np.zeros(2, int)
    for cohort in range(cohorts):
        x, z = null_cohort(rng)
        got = group("permutation_test", design=x, data=z, tested=1, count=199, seed=cohort)
        p = array(got["family_wise_p"])
        in_part = np.isnan(z).any(axis=0)
        # A parcel that more than half lack, or the whole group, is outside the family.
        assert got["family"] >= 36 and not np.isnan(p[~in_part]).any()
        found += [(p <= 0.05).any(), (p[in_part] <= 0.05).any()]
    return found


def test_null_data_with_edges_that_children_lack_give_five_percent(group):
    """Family-wise findings within four binomial errors, and no more of them among the edges that some lack than these
    are worth: a fifth of all."""
    cohorts = 300
    found, in_part = count_findings(group, cohorts)
    assert abs(found / cohorts - 0.05) < 4 * np.sqrt(0.05 * 0.95 / cohorts)
    assert in_part / cohorts < 0.015 + 4 * np.sqrt(0.015 * 0.985 / cohorts)


def test_an_effect_on_an_edge_that_children_lack_is_found(group):
    rng = np.random.default_rng(31)
    x, z = null_cohort(rng, n=60, in_group=20)
    lacked = np.flatnonzero(np.isnan(z).any(axis=0))
    z[:, lacked[4]] += 4 * x[:, 1]
    got = group("permutation_test", design=x, data=z, tested=1, count=999, seed=1)
    p = array(got["family_wise_p"])
    assert len(lacked) == 9 and p[lacked[4]] <= 0.005 and (np.delete(p, lacked[4]) > 0.05).all()


def test_a_family_that_lacks_a_child_stays_where_it_is(group):
    """Pairs of siblings and a column that both share: only pairs that are whole on an edge change places there."""
    rng = np.random.default_rng(32)
    pairs, edges, count = 20, 12, 150
    family = np.repeat(np.arange(pairs), 2)
    x = np.column_stack([np.ones(2 * pairs), rng.normal(size=pairs)[family]])
    z = rng.normal(size=(2 * pairs, edges)) + rng.normal(size=(pairs, edges))[family]
    z[[0, 7, 8, 9, 21], 3] = np.nan  # one of three pairs, and both of one
    z[1::4, 4] = np.nan  # one of every second pair
    z[1:28:2, 5] = np.nan  # one of fourteen of twenty pairs: too few are whole
    got = group("permutation_test", design=x, data=z, tested=1, count=count, seed=6, blocks=family)
    assert got["family"] == edges - 1 and np.isnan(array(got["family_wise_p"])[5])
    # Blocks of two are drawn as twenty single rows are.
    order = np.array(group("permutations", children=pairs, count=count, seed=6)["permutations"])
    own, permuted = np.full(edges, np.nan), np.zeros((count, edges))
    for edge in np.delete(np.arange(edges), 5):
        there = ~np.isnan(z[:, edge])
        whole = there.reshape(pairs, 2).all(axis=1)
        place = np.cumsum(there) - 1
        orders = []
        for one in order:
            moved = np.arange(2 * pairs)
            for to, source in zip(np.flatnonzero(whole), np.flatnonzero(whole)[among(one, whole)]):
                moved[[2 * to, 2 * to + 1]] = [2 * source, 2 * source + 1]
            orders.append(place[moved[there]])
        t, theirs = permuted_column(x[there], 1, z[there][:, [edge]], orders)
        own[edge] = as_rare(t[0], there.sum() - 2, 2 * pairs - 2)
        permuted[:, edge] = as_rare(theirs[:, 0], there.sum() - 2, 2 * pairs - 2)
    maxima = permuted.max(axis=1)
    close(got["maxima"], maxima, rtol=1e-7)
    p = (1 + (maxima[:, None] >= own * (1 - 1e-9)).sum(axis=0)) / (1 + count)
    p[5] = np.nan
    close(got["family_wise_p"], p)


def test_permuting_without_other_covariates_is_scipy_s_permutation_test(group):
    """Slope on an intercept alone: the statistic is a function of the correlation, over pairings."""
    rng = np.random.default_rng(4)
    n, count = 12, 5000
    x, z = rng.normal(size=n), rng.normal(size=n)
    z += 0.5 * x
    got = group(
        "permutation_test", design=np.column_stack([np.ones(n), x]), data=z[:, None], tested=1, count=count, seed=1
    )
    reference = scipy.stats.permutation_test(
        (x,), lambda v: scipy.stats.pearsonr(v, z).statistic, permutation_type="pairings", n_resamples=count,
        rng=np.random.default_rng(5),
    )
    p = reference.pvalue
    # The family is one edge.
    assert abs(got["family_wise_p"][0] - p) < 5 * np.sqrt(2 * p * (1 - p) / count)


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
        got = group("permutation_test", design=own, data=z, tested=1, count=199, seed=cohort)
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
    got = group("permutation_test", design=with_motion, data=z, tested=1, count=999, seed=1)
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


def test_without_an_intercept_permuted_t_lie_beside_zero_and_are_refused(group):
    """z ~ age - 1 on edges whose mean is not 0: each permutation gives a t as large as the data's, whatever age
    does."""
    rng = np.random.default_rng(13)
    n = 40
    age = rng.uniform(60, 120, n)
    z = rng.normal(0.5, 0.1, (n, 5))
    sites = np.array([np.arange(n) % 2 == k for k in range(2)], float).T
    cases = [  # design, tested, whether a constant lies in the span of the other columns
        (age[:, None], 0, False),
        (np.column_stack([age, rng.normal(size=n)]), 1, False),
        (np.column_stack([sites, age]), 0, False),
        (np.column_stack([sites, age]), 2, True),
        (np.column_stack([np.ones(n), age]), 1, True),
        (np.column_stack([np.full(n, 7.3), age]), 1, True),
    ]
    for x, tested, constant in cases:
        others = np.delete(x, tested, axis=1)
        left = np.ones(n) - others @ np.linalg.lstsq(others, np.ones(n), rcond=None)[0]
        assert (np.abs(left).max() < 1e-9) == constant
        said = group("permutation_test", code=0 if constant else 1, design=x, data=z, tested=tested, count=99, seed=1)
        order = [rng.permutation(n) for _ in range(200)]
        mean = freedman_lane(x, tested, z, order)[1].mean()
        if constant:
            assert said["family"] == 5 and abs(mean) < 0.3
        else:
            assert f"without its column b{tested} the model has neither an intercept" in said
            assert "keep the intercept in the formula, or use the p of the t test" in said
    assert abs(freedman_lane(age[:, None], 0, z, order)[1].mean()) > 10


def test_more_permutations_than_can_be_held_are_refused(group):
    x = np.column_stack([np.ones(6), np.arange(6)])
    said = group("permutation_test", code=1, design=x, data=np.eye(6)[:, :2], tested=1, count=4294967295, seed=1)
    assert "4294967295 permutations are too many: 10000000" in said


def test_copies_up_to_the_rounding_of_tables_are_refused(group):
    """Minutes are frames times TR, as text of 32-bit numbers; numpy's fit of the copy shows what would come out."""
    rng = np.random.default_rng(14)
    n = 60
    frames = rng.integers(180, 420, n).astype(float)
    single = lambda v: np.array([float(str(np.float32(x))) for x in v])
    minutes = single(frames * 0.8 / 60)
    fd = single(rng.gamma(2, 0.08, n))
    x = np.column_stack([np.ones(n), fd, frames, minutes])
    names = ["(Intercept)", "mean_fd_mm", "frames_kept", "minutes_kept"]
    assert np.linalg.matrix_rank(x / np.linalg.norm(x, axis=0), tol=1e-10) == 4
    y = rng.normal(0, 0.2, (n, 1))
    wrong = np.linalg.lstsq(x / np.linalg.norm(x, axis=0), y, rcond=None)[0]
    assert np.abs(wrong).max() > 1e4
    said = group("edge_tests", code=1, design=x, data=y, names=names)
    assert (
        "the model's column minutes_kept follows from its columns frames_kept but for the rounding of the tables"
        in said
    )
    # What was kept and what was lost of ten minutes: the small difference has lost more digits.
    x = np.column_stack([np.ones(n), minutes, single(10 - minutes)])
    said = group("edge_tests", code=1, design=x, data=y, names=["(Intercept)", "kept", "lost"])
    assert "lost follows from its columns (Intercept), kept" in said
    x = np.column_stack([np.ones(n), frames, np.full(n, 9.6)])
    said = group("edge_tests", code=1, design=x, data=y, names=["(Intercept)", "frames", "minutes"])
    assert "the model's column minutes is 9.6 for every child in the test" in said
    # A date, and an age that differs by days, are told apart.
    x = np.column_stack([np.ones(n), 20_260_000 + frames, 3000 + rng.integers(-9, 9, n)])
    got = group("edge_tests", design=x, data=y)
    fit = sm.OLS(y[:, 0], x - [0, 20_260_000, 3000]).fit()
    close(array(got["p"])[1:, 0], fit.pvalues[1:], rtol=1e-6)


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 1500
    with tempfile.TemporaryDirectory() as place:
        some, partly = count_findings(caller(pathlib.Path(place)), asked)
    print(f"{asked} cohorts: {some} with a family-wise finding, {partly} on an edge that some children lack")
