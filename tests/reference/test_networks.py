"""Sets of edges against scipy's graphs, joint F against R's anova, both under weights and under permutation."""

import csv

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from group_program import array, close, group, permuted_column, r  # noqa: F401

PARCELS = 14
PAIRS = np.array([(i, j) for i in range(PARCELS) for j in range(i + 1, PARCELS)])


def sets(t, threshold):
    """(sign, edges, excess) of each connected set above the threshold, by falling excess."""
    found = []
    for positive in (True, False):
        edges = np.flatnonzero(t > threshold if positive else t < -threshold)
        i, j = PAIRS[edges].T
        _, of = connected_components(coo_matrix((np.ones(len(edges)), (i, j)), (PARCELS, PARCELS)), directed=False)
        for part in np.unique(of[i]):
            own = edges[of[i] == part]
            found.append((positive, own.tolist(), (np.abs(t[own]) - threshold).sum()))
    return sorted(found, key=lambda one: -one[2])


@pytest.mark.parametrize("threshold", [1.0, 2.0, 3.0])
def test_edge_sets_are_the_components_of_scipy_s_graph(group, threshold):
    rng = np.random.default_rng(int(threshold))
    n, count = 30, 150
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    z = rng.normal(size=(n, len(PAIRS)))
    z[:, :6] += 0.7 * x[:, [1]]
    z[:, 40:44] -= 0.7 * x[:, [1]]
    order = np.array(group("permutations", children=n, count=count, seed=3)["permutations"])
    got = group("edge_sets", design=x, data=z, tested=1, count=count, seed=3, parcels=PARCELS, threshold=threshold)
    t, permuted = permuted_column(x, 1, z, order)
    chance = [sets(one, threshold) for one in permuted]
    excess = np.array([max([one[2] for one in own], default=0) for own in chance])
    number = np.array([max([len(one[1]) for one in own], default=0) for own in chance])
    close(array(got["largest"])[:, 0], excess, rtol=1e-6)
    assert (array(got["largest"])[:, 1] == number).all()
    expected = sets(t, threshold)
    assert [(one["positive"], one["edges"]) for one in got["sets"]] == [one[:2] for one in expected]
    for one, (_, edges, own) in zip(got["sets"], expected):
        assert one["parcels"] == sorted(set(PAIRS[edges].ravel().tolist()))
        close(one["excess"], own, rtol=1e-6)
        close(one["p_excess"], (1 + (excess >= own * (1 - 1e-9)).sum()) / (1 + count))
        close(one["p_edges"], (1 + (number >= len(edges)).sum()) / (1 + count))


def test_some_set_is_found_in_five_percent_of_null_cohorts(group):
    """Edges that share noise of their parcels, so that sets are large by chance; skewed residuals."""
    rng = np.random.default_rng(9)
    cohorts, n, count = 300, 24, 99
    found = np.zeros(2)
    for cohort in range(cohorts):
        x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
        own = rng.exponential(size=(n, PARCELS))
        z = own[:, PAIRS[:, 0]] + own[:, PAIRS[:, 1]] + rng.exponential(size=(n, len(PAIRS)))
        got = group("edge_sets", design=x, data=z, tested=1, count=count, seed=cohort, parcels=PARCELS, threshold=2.0)
        for k, which in enumerate(["p_excess", "p_edges"]):
            found[k] += any(one[which] <= 0.05 for one in got["sets"])
    # By the number of edges there are ties, which make it find less.
    allowed = 4 * np.sqrt(0.05 * 0.95 / cohorts)
    assert abs(found[0] / cohorts - 0.05) < allowed and found[1] / cohorts < 0.05 + allowed, found / cohorts


def test_joint_f_with_weights_is_that_of_anova_in_r(group, tmp_path):
    rng = np.random.default_rng(10)
    n, edges = 50, 6
    site, age, weights = np.arange(n) % 4, rng.normal(100, 20, n), rng.uniform(0.2, 4, n)
    levels = [(site == k).astype(float) for k in (1, 2, 3)]
    x = np.column_stack([np.ones(n), age, *levels])
    z = rng.normal(0, 0.2, (n, edges)) + 0.1 * (site[:, None] == 2)
    z[rng.random(z.shape) < 0.05] = np.nan
    classes = [{"edges": list(range(edges)), "weights": weights.tolist()}]
    got = group("joint", design=x, data=z, tested=[2, 3, 4], classes=classes)
    with open(tmp_path / "table.csv", "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["site", "age", "w", *[f"z{k}" for k in range(edges)]])
        for row in range(n):
            cells = ["" if np.isnan(v) else repr(float(v)) for v in z[row]]
            writer.writerow([f"s{site[row]}", repr(float(age[row])), repr(float(weights[row])), *cells])
    script = """d <- read.csv("table.csv")
for (k in 0:5) {
  own <- d[!is.na(d[[paste0("z", k)]]), ]
  own$y <- own[[paste0("z", k)]]
  both <- anova(lm(y ~ age, own, weights = w), lm(y ~ age + site, own, weights = w))
  cat(sprintf("%.15g,%.15g,%d,%d\\n", both$F[2], both[["Pr(>F)"]][2], both$Df[2], both$Res.Df[2]))
}
"""
    reference = array(r(script, tmp_path))
    close(got["f"], reference[:, 0], rtol=1e-8)
    close(got["p"], reference[:, 1], rtol=1e-7)
    assert got["numerator"] == 3 and (reference[:, 2] == 3).all() and got["dof"] == reference[:, 3].tolist()


def test_f_under_permutation_is_that_of_fitting_each_twice(group):
    rng = np.random.default_rng(11)
    n, edges, count = 32, 12, 120
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 4))])
    z = rng.normal(size=(n, edges))
    z[:, 0] += x[:, 2]
    tested, weights = [2, 3], rng.uniform(0.3, 3, n)
    order = np.array(group("permutations", children=n, count=count, seed=8)["permutations"])
    classes = [{"edges": list(range(edges)), "weights": weights.tolist()}]
    got = group("permutation_test_joint", design=x, data=z, tested=tested, count=count, seed=8, classes=classes)
    roots = np.sqrt(weights)[:, None]
    x, z = x * roots, z * roots
    without = np.delete(x, tested, axis=1)

    def left(x, y):
        return ((y - x @ np.linalg.lstsq(x, y, rcond=None)[0]) ** 2).sum(axis=0)

    def f(columns):
        whole = np.column_stack([without, columns])
        return (left(without, z) - left(whole, z)) / len(tested) / (left(whole, z) / (n - x.shape[1]))

    rest = x[:, tested] - without @ np.linalg.lstsq(without, x[:, tested], rcond=None)[0]
    # Child places[i] gets the values of place i.
    largest = np.array([f(rest[np.argsort(places)]).max() for places in order])
    own = f(x[:, tested])
    close(got["t"], own, rtol=1e-8)
    close(got["maxima"], largest, rtol=1e-7)
    reached = largest[:, None] >= own * (1 - 1e-9)
    close(got["family_wise_p"], (1 + reached.sum(axis=0)) / (1 + count))
