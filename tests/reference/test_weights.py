"""How much each child counts: weighted fits against statsmodels' WLS and R's lm(weights =), the variances that weights
come from against a direct numpy version and against cohorts of known variance, permutations under weights against a
direct version, and how often nothing is taken for something."""

import json

import numpy as np
import pandas
import pytest
import scipy.stats
import statsmodels.api as sm

from group_program import array, close, group, permuted_column, r  # noqa: F401
from test_quality import cohort


def names(x):
    return [f"b{j}" for j in range(x.shape[1])]


def kept(rng, n):
    """Mean FD and the degrees of freedom that are left: those who move more keep less."""
    fd = rng.gamma(2, 0.1, n)
    share = np.clip(1 - 1.6 * fd + rng.normal(0, 0.08, n), 0.1, 1)
    return fd, 80 * share


def sampling(dof):
    return np.minimum(1 / np.maximum(dof - 2, 1e-300), 1)


def invented(rng, n, edges, factor=1.0, between=0.0):
    """Edges without any effect: mean FD, dof, z."""
    fd, dof = kept(rng, n)
    variance = np.asarray(between) + factor * sampling(dof)[:, None]
    return fd, dof, 0.3 + rng.normal(size=(n, edges)) * np.sqrt(variance)


class Twin:
    """The variances by moments, in numpy: a formula of src/group/weights.rs per line."""

    def __init__(self, x, z, dof):
        s = sampling(dof)
        n, p = x.shape
        a, b, q, left = [], [], [], []
        for weight in (np.ones(n), 1 / s):
            root = np.sqrt(weight)[:, None]
            hat = (root * x) @ np.linalg.pinv(root * x)
            residuals = root * z - hat @ (root * z)
            q.append((residuals**2).sum(axis=0))
            own = weight * (1 - np.diag(hat))
            left.append(own)
            a.append(own.sum())
            b.append((own * s).sum())
        q = np.array(q)
        mean = q.mean(axis=1)
        between, factor = np.linalg.solve(np.column_stack([a, b]), mean)
        if abs(a[0] * b[1] - a[1] * b[0]) <= 2.5e-3 * a[0] * b[1]:
            between, factor = max(0.0, (mean[0] - b[0]) / a[0]), 1.0
        elif between < 0:
            between, factor = 0.0, mean[1] / b[1]
        elif factor < 0:
            between, factor = mean[0] / a[0], 0.0
        self.between, self.factor = between, factor
        variance = (between + factor * s) ** 2
        cov = np.array([[2 * (left[j] * left[k] * variance).sum() / (a[j] * a[k]) for k in (0, 1)] for j in (0, 1)])
        own = np.array([(q[k] - factor * b[k]) / a[k] for k in (0, 1)])
        spread = cov[0, 0] + cov[1, 1] - 2 * cov[0, 1]
        first = np.clip((cov[1, 1] - cov[0, 1]) / spread, 0, 1) if spread > 0 else 1.0
        mix = np.array([first, 1 - first])
        raw = mix @ own
        observed, by_chance = raw.var(), mix @ cov @ mix
        share = max(0.0, 1 - by_chance / observed)
        self.of_edges = np.maximum(raw.mean() + share * (raw - raw.mean()), 0)
        self.sampling = s

    def weights(self, between):
        variance = between + self.factor * self.sampling
        w = 1 / variance
        return w / w.mean()


def test_weighted_fits_are_those_of_statsmodels(group):
    rng = np.random.default_rng(1)
    n, edges = 41, 12
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 3))])
    z = rng.normal(size=(n, edges)) + 0.4 * x[:, [1]]
    z[rng.random(z.shape) < 0.03] = np.nan
    classes = [
        {"edges": list(range(0, edges, 2)), "weights": rng.uniform(0.05, 4, n)},
        {"edges": list(range(1, edges, 2)), "weights": rng.uniform(0.5, 2, n)},
    ]
    got = group("fit_weighted", design=x, data=z, names=names(x), classes=classes)
    for own in classes:
        for edge in own["edges"]:
            has = ~np.isnan(z[:, edge])
            fit = sm.WLS(z[has, edge], x[has], weights=own["weights"][has]).fit()
            for key, expected in (
                ("coefficients", fit.params), ("se", fit.bse), ("t", fit.tvalues), ("p", fit.pvalues),
            ):
                close(array(got[key])[:, edge], expected, rtol=1e-8)
            assert (got["dof"][edge], got["children"][edge]) == (fit.df_resid, has.sum())
            close(got["sd"][edge], np.sqrt(fit.scale), rtol=1e-8)


def test_weighted_fits_are_those_of_r(group, tmp_path):
    rng = np.random.default_rng(2)
    n = 30
    x = np.column_stack([np.ones(n), rng.normal(size=n), rng.integers(0, 2, n)])
    z, w = rng.normal(size=(n, 1)), rng.uniform(0.05, 3, n)
    np.savetxt(tmp_path / "table.csv", np.column_stack([z, x[:, 1:], w]), delimiter=",", header="z,a,b,w", comments="")
    said = r('d <- read.csv("table.csv")\nm <- summary(lm(z ~ a + b, d, weights = w))\n'
             'write.table(format(coef(m), digits = 17), sep = ",", quote = FALSE, col.names = FALSE)\n', tmp_path)
    expected = np.array([[float(cell) for cell in row[1:]] for row in said])
    got = group("fit_weighted", design=x, data=z, classes=[{"edges": [0], "weights": w}])
    for column, key in enumerate(("coefficients", "se", "t", "p")):
        close(array(got[key])[:, 0], expected[:, column], rtol=1e-9)


@pytest.mark.parametrize("n", [20, 71])
@pytest.mark.parametrize("between", [0.0, 0.02, "some"])
def test_variances_are_those_of_the_direct_version(group, n, between):
    rng = np.random.default_rng(n)
    edges = 400
    tau = np.where(np.arange(edges) % 3 == 0, 0.12, 0.01) if between == "some" else between
    fd, dof, z = invented(rng, n, edges, 1.2, tau)
    dof[:2] = 2.5, 1.0  # where 1/(dof − 2) has no bound
    x = np.column_stack([np.ones(n), fd])
    got, twin = group("weights", design=x, data=z, dof=dof), Twin(x, z, dof)
    close([got["factor"], got["between"]], [twin.factor, twin.between], rtol=1e-8)
    everywhere = sorted(edge for own in got["classes"] for edge in own["edges"])
    assert everywhere == list(range(edges))
    order = [own["between"] for own in got["classes"]]
    assert order == sorted(order) and len(order) <= 6
    for own in got["classes"]:
        close(own["between"], twin.of_edges[own["edges"]].mean(), rtol=1e-7, atol=1e-10)
        close(own["weights"], twin.weights(own["between"]), rtol=1e-8)
    if between == "some" and n == 71:
        assert len(order) == 6 and order[-1] > 5 * order[0]


@pytest.mark.parametrize("n, spread", [(20, 0.2), (71, 0.1), (200, 0.06)])
def test_the_factor_is_found_without_bias(group, n, spread):
    """Over 40 cohorts of 300 edges: the mean of φ and τ² within four standard errors, and each within its spread."""
    rng = np.random.default_rng(n)
    found = []
    for _ in range(40):
        fd, dof, z = invented(rng, n, 300, 1.2, 0.01)
        got = group("weights", design=np.column_stack([np.ones(n), fd]), data=z, dof=dof)
        found.append([got["factor"], got["between"]])
    found = np.array(found)
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found))
    assert (abs(found.mean(axis=0) - [1.2, 0.01]) < 4 * error).all(), (found.mean(axis=0), error)
    assert found[:, 0].std(ddof=1) < spread


def permuted(x, tested, z, weights, orders):
    """What is left of the whitened column is permuted, and the whitened model with it in its place fitted anew."""
    root = np.sqrt(weights)[:, None]
    return permuted_column(root * x, tested, root * z, orders)


def test_permutations_under_weights_are_those_of_whitened_rows(group):
    rng = np.random.default_rng(3)
    n, edges, count = 24, 10, 120
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    z = rng.normal(size=(n, edges)) + 0.5 * x[:, [1]]
    classes = [{"edges": list(range(first, edges, 2)), "weights": rng.uniform(0.1, 4, n)} for first in (0, 1)]
    orders = np.array(group("permutations", children=n, count=count, seed=6)["permutations"])
    got = group("permutation_test", design=x, data=z, tested=1, count=count, seed=6, classes=classes)
    maxima, t = np.zeros(count), np.zeros(edges)
    for own in classes:
        t[own["edges"]], again = permuted(x, 1, z[:, own["edges"]], own["weights"], orders)
        maxima = np.maximum(maxima, abs(again).max(axis=1))
    close(got["t"], t, rtol=1e-8)
    close(got["maxima"], maxima, rtol=1e-7)


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_a_group_with_little_data_is_not_found_for_it(group, share):
    """One group keeps 8 degrees of freedom and the other 80: family-wise findings in one cohort in twenty, within three
    binomial errors. Permuted columns that are not made as long as the data's find the group in 11 % and 14 %."""
    rng = np.random.default_rng(4)
    n, edges, cohorts = 71, 120, 200
    belongs = (np.arange(n) < share * n).astype(float)
    dof = np.where(belongs > 0, 8.0, 80.0)
    x = np.column_stack([np.ones(n), belongs])
    weights = (1 / sampling(dof)) / (1 / sampling(dof)).mean()
    classes = [{"edges": list(range(edges)), "weights": weights}]
    found = 0
    for cohort in range(cohorts):
        z = rng.normal(size=(n, edges)) * np.sqrt(sampling(dof))[:, None]
        got = group("permutation_test", design=x, data=z, tested=1, count=199, seed=cohort, classes=classes)
        found += min(got["family_wise_p"]) <= 0.05
    assert found / cohorts < 0.05 + 3 * np.sqrt(0.05 * 0.95 / cohorts), found


def test_motion_is_not_found_where_it_decides_only_what_is_kept(group):
    """60 cohorts of 71 children and 600 edges: 5 % of edges at p < 0.05, and q < 0.05 in few cohorts; equal weights
    find motion in many."""
    rng = np.random.default_rng(5)
    cohorts, edges = 60, 600
    shares, found = np.zeros((cohorts, 2)), np.zeros(2)
    for cohort in range(cohorts):
        fd, dof, z = invented(rng, 71, edges, 1.0, rng.choice([0.0, 0.01, 0.04], edges))
        x = np.column_stack([np.ones(71), fd])
        own = group("weights", design=x, data=z, dof=dof)["classes"]
        for way, classes in enumerate((own, [{"edges": list(range(edges)), "weights": np.ones(71)}])):
            p = array(group("fit_weighted", design=x, data=z, classes=classes)["p"])[1]
            shares[cohort, way] = (p < 0.05).mean()
            found[way] += scipy.stats.false_discovery_control(p).min() < 0.05
    weighted, equal = shares.mean(axis=0)
    assert abs(weighted - 0.05) < 0.007 and equal > 0.06, (weighted, equal)
    # Six independent cohorts in sixty is 5 % and three binomial errors less a bit; equal weights find far more.
    assert found[0] <= 8 and found[1] > 2 * found[0], found


def classes(of_edges):
    """Edges by rising τ² in at most six classes of as many edges each; equal neighbours are one."""
    order = np.lexsort((np.arange(len(of_edges)), of_edges))
    count = min(6, max(1, len(order) // 16))
    own = []
    for k in range(count):
        edges = order[k * len(order) // count : (k + 1) * len(order) // count]
        between = of_edges[edges].mean()
        if own and own[-1][1] >= between:
            own[-1] = (np.concatenate([own[-1][0], edges]), own[-1][1])
        else:
            own.append((edges, between))
    return own


def test_qc_fc_of_a_stack_is_that_of_weighted_least_squares(keepstill, tmp_path):
    """Every edge's weighted correlation with mean FD, plain and with age and sex taken out, by statsmodels' WLS."""
    results = cohort(keepstill, tmp_path / "data", 2, ["pearson"])
    keepstill("stack", results, "--missing", "drop-parcel")
    stack = results / "stack"
    read = lambda name: pandas.read_csv(stack / name, sep="\t", na_values="n/a", keep_default_na=False)
    children, start = read("children.tsv"), "atlas-invented84_desc-pearson"
    edges = np.load(stack / f"{start}_edges.npy").astype(float)
    z = np.arctanh(np.clip(edges, -(1 - 1e-7), 1 - 1e-7)).astype("f4").astype(float)
    assert np.isfinite(z).all()
    fd, dof = children["mean_fd_mm"].to_numpy(), children["dof"].to_numpy()
    ones = np.ones(len(fd))
    twin = Twin(np.column_stack([ones, fd]), z, dof)
    told = next(
        own for own in json.loads((stack / "quality.json").read_text())["weights"] if own["censoring"] == "after"
    )
    close([told["weights"]["factor"], told["weights"]["between_variance"]], [twin.factor, twin.between], rtol=1e-5)
    close(children["weight"], twin.weights(twin.between), rtol=1e-5)
    close(children["sampling_sd"], np.sqrt(twin.factor * twin.sampling), rtol=1e-5)
    own = classes(twin.of_edges)
    close([each["between_variance"] for each in told["weights"]["classes"]], [between for _, between in own], rtol=1e-4)
    sex = children["sex"].str.lower().str[0].map({"f": 0.0, "m": 1.0}).to_numpy()
    qcfc = read(f"{start}_qcfc.tsv")
    mean = np.zeros(z.shape[1])
    for columns, name in (([], "after"), ([children["age_months"], sex], "after_adjusted")):
        x = np.column_stack([ones, *columns, fd])
        expected = np.zeros((2, z.shape[1]))
        for places, between in own:
            weights = twin.weights(between)
            mean[places] = np.average(z[:, places], axis=0, weights=weights)
            for edge in places:
                fit = sm.WLS(z[:, edge], x, weights=weights).fit()
                t = fit.tvalues[-1]
                expected[:, edge] = t / np.sqrt(t * t + fit.df_resid), fit.pvalues[-1]
        off = abs(qcfc[f"{name}_r"] - expected[0]) > 1e-5
        # An edge on the border of two classes may be in the other by the last place of a 32-bit float.
        assert off.sum() <= 4, off.sum()
        np.testing.assert_allclose(qcfc[f"{name}_p"][~off], expected[1][~off], rtol=1e-3)
    matrix = np.load(stack / f"{start}_mean_weighted.npy")
    weighted = matrix[np.triu_indices(len(matrix), 1)]
    assert (abs(weighted - np.tanh(mean)) > 1e-5).sum() <= 4
