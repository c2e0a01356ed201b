"""Rows that belong together (src/group/exchange.rs, edge_tests/clusters.rs, icc.rs) against direct numpy versions, and
how often chance is called a finding where sessions of one child or siblings are counted.

    tests/.venv/bin/python tests/reference/test_blocks.py        # the figures of docs/stack.md
"""

import csv
import itertools
import sys

import numpy as np
import pandas
import pytest
import scipy.stats

from group_program import close, group, permuted_column, r  # noqa: F401

PAIRS, TRIPLES, ALONE = 6, 2, 3


def families():
    """A participant and a family for each row: pairs and triples of siblings, and children alone, mixed."""
    sizes = [2] * PAIRS + [3] * TRIPLES + [1] * ALONE
    labels = np.repeat(np.arange(len(sizes)), sizes)
    return np.random.default_rng(1).permutation(labels)


def may_be(order, blocks, whole):
    """Whether an order only does what may be done."""
    for block in np.unique(blocks):
        rows = np.flatnonzero(blocks == block)
        from_blocks = blocks[order[rows]]
        if not (from_blocks == from_blocks[0]).all():
            return False
        if whole and not (order[rows] == np.flatnonzero(blocks == from_blocks[0])).all():
            return False
        if not whole and from_blocks[0] != block:
            return False
    return True


@pytest.mark.parametrize("whole", [True, False])
def test_orders_are_those_that_may_be_and_each_is_as_likely(group, whole):
    blocks = families()
    rng = np.random.default_rng(2)
    x = rng.normal(size=len(blocks))
    means = np.array([x[blocks == block].mean() for block in blocks])
    column = means if whole else x - means
    got = group("exchange", column=column, blocks=blocks, count=4000, seed=3)
    orders = np.array(got["orders"])
    assert all(may_be(order, blocks, whole) for order in orders)
    factorial = [1, 1, 2, 6, 24, 120, 720]
    expected = factorial[PAIRS] * factorial[TRIPLES] * factorial[ALONE] if whole else 2**PAIRS * 6**TRIPLES
    assert got["count"] == expected
    # Where a block goes is as likely for every block of its size.
    rows = np.flatnonzero(blocks == next(b for b in blocks if (blocks == b).sum() == 2))
    goes = blocks[orders[:, rows[0]]] if whole else orders[:, rows[0]]
    counts = np.unique(goes, return_counts=True)[1]
    assert len(counts) == (PAIRS if whole else 2) and scipy.stats.chisquare(counts).pvalue > 1e-4


@pytest.mark.parametrize("whole", [True, False])
def test_family_wise_p_under_the_same_orders(group, whole):
    blocks = families()
    rng = np.random.default_rng(4)
    n = len(blocks)
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    means = np.array([x[blocks == block, 1].mean() for block in blocks])
    x[:, 1] = means if whole else x[:, 1] - means
    z = rng.normal(size=(n, 12)) + rng.normal(size=(blocks.max() + 1, 12))[blocks]
    z[:, :2] += 2 * x[:, [1]]
    orders = np.array(group("exchange", column=x[:, 1], blocks=blocks, count=200, seed=9)["orders"])
    got = group("permutation_test", design=x, data=z, tested=1, count=200, seed=9, blocks=blocks)
    t, permuted = permuted_column(x, 1, z, orders)
    close(got["t"], t, rtol=1e-8)
    maxima = np.abs(permuted).max(axis=1)
    close(got["maxima"], maxima, rtol=1e-7)
    close(got["family_wise_p"], (1 + (maxima[:, None] >= np.abs(t) * (1 - 1e-9)).sum(axis=0)) / 201)


def bias_reduced(x, y, blocks):
    """Estimates, standard errors and degrees of freedom, with every matrix written out."""
    bread = np.linalg.inv(x.T @ x)
    left = np.eye(len(x)) - x @ bread @ x.T
    beta, e = bread @ x.T @ y, left @ y
    labels = np.unique(blocks)
    errors, dof = np.empty((x.shape[1], y.shape[1])), np.empty(x.shape[1])
    for j in range(x.shape[1]):
        p = np.zeros((len(labels), len(x)))
        for g, block in enumerate(labels):
            rows = np.flatnonzero(blocks == block)
            values, vectors = np.linalg.eigh(left[np.ix_(rows, rows)])
            root = vectors @ np.diag(1 / np.sqrt(values)) @ vectors.T
            p[g, rows] = root @ x[rows] @ bread[:, j]
        errors[j] = np.sqrt(((p @ e) ** 2).sum(axis=0))
        omega = p @ left @ p.T
        dof[j] = np.trace(omega) ** 2 / np.trace(omega @ omega)
    return beta, errors, dof


def test_standard_errors_and_degrees_of_freedom(group):
    blocks = families()
    rng = np.random.default_rng(5)
    n = len(blocks)
    x, y = np.column_stack([np.ones(n), rng.normal(size=(n, 2))]), rng.normal(size=(n, 7))
    weights = rng.uniform(0.3, 3, n)
    root = np.sqrt(weights)[:, None]
    beta, errors, dof = bias_reduced(x * root, y * root, blocks)
    classes = [{"edges": list(range(7)), "weights": weights}]
    got = group("fit_in_blocks", design=x, data=y, blocks=blocks, classes=classes)
    close(got["coefficients"], beta, rtol=1e-8)
    close(got["se"], errors, rtol=1e-8)
    close(got["t_dof"], np.repeat(dof[:, None], 7, axis=1), rtol=1e-8)
    close(got["p"], 2 * scipy.stats.t.sf(np.abs(beta / errors), dof[:, None]), rtol=1e-7)


@pytest.mark.parametrize("children, sessions", [(6, 2), (20, 3), (9, 5)])
def test_intraclass_correlations_are_those_of_analysis_of_variance(group, children, sessions):
    rng = np.random.default_rng(children)
    table = rng.normal(size=(children, 1)) + rng.normal(size=(children, sessions)) + 0.3 * np.arange(sessions)
    rows, columns = np.ones(sessions), np.ones(children)
    subject = np.kron(np.eye(children), rows[:, None])
    judge = np.kron(columns[:, None], np.eye(sessions))

    def left(design):
        y = table.ravel()
        return ((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2).sum()

    ones = np.ones((table.size, 1))
    both = left(np.hstack([subject, judge]))
    bms = (left(judge) - both) / (children - 1)
    jms = (left(subject) - both) / (sessions - 1)
    ems = both / ((children - 1) * (sessions - 1))
    wms = left(subject) / (children * (sessions - 1))
    assert left(ones) > both
    got = group("icc", table=table)
    k = sessions
    close(got["icc"], [
        (bms - wms) / (bms + (k - 1) * wms),
        (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / children),
        (bms - ems) / (bms + (k - 1) * ems),
    ], rtol=1e-9)


def by_aov(tables, folder):
    """ICC(1,1), ICC(2,1) and ICC(3,1) of tables, each children × sessions, from the mean squares of R's aov."""
    children, sessions = tables[0].shape
    with open(folder / "long.csv", "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["child", "session", *(f"y{k}" for k in range(len(tables)))])
        for child, session in itertools.product(range(children), range(sessions)):
            writer.writerow([f"c{child}", f"s{session}", *(repr(float(table[child, session])) for table in tables)])
    rows = r("""
    d <- read.csv("long.csv", stringsAsFactors = TRUE)
    n <- nlevels(d$child); k <- nlevels(d$session)
    for (name in grep("^y", names(d), value = TRUE)) {
        both <- summary(aov(reformulate(c("child", "session"), name), d))[[1]][, "Mean Sq"]
        one <- summary(aov(reformulate("child", name), d))[[1]][, "Mean Sq"]
        bms <- both[1]; jms <- both[2]; ems <- both[3]; wms <- one[2]
        found <- c((bms - wms) / (bms + (k - 1) * wms),
                   (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n),
                   (bms - ems) / (bms + (k - 1) * ems))
        cat(paste(sprintf("%.15g", found), collapse = ","), "\\n", sep = "")
    }
    """, folder)
    return np.array(rows, dtype=float)


def test_intraclass_correlations_are_those_of_aov_in_r(group, tmp_path):
    rng = np.random.default_rng(12)
    tables = [rng.normal(size=(9, 1)) + rng.normal(size=(9, 4)) + drift * np.arange(4) for drift in (0, 0.5)]
    close([group("icc", table=table)["icc"] for table in tables], by_aov(tables, tmp_path), rtol=1e-9)


def test_sessions_of_a_stack_are_those_of_aov_in_r(keepstill, tmp_path):
    """From images to the tables of --reliability: the runs of invented children, called sessions."""
    study = tmp_path / "study"
    keepstill("synth", study, "-q", "--children", 5, "--runs", 3, "--frames", 150, "--parcels", 10, "--motion", 0.3)
    runs = (study / "runs.tsv").read_text().splitlines()
    assert runs[0].split("\t")[1] == "run_id"
    (study / "runs.tsv").write_text("\n".join([runs[0].replace("run_id", "session_id"), *runs[1:]]) + "\n")
    keepstill("run", "-q", study / "study.toml")
    stack = study / "results/stack"
    keepstill("stack", "-q", study / "results", "--all", "--reliability", "--as", "npy")
    [edges] = stack.glob("*_edges.npy")
    children = pandas.read_csv(stack / "children.tsv", sep="\t")
    assert list(children["participant_id"]) == [f"sub-{child:02}" for child in range(1, 6) for _ in range(3)]
    z = np.arctanh(np.load(edges).astype(float))
    found = pandas.read_csv(str(edges).replace("_edges.npy", "_sessions.tsv"), sep="\t")
    assert (found["children"] == 5).all() and len(found) == z.shape[1]
    expected = by_aov([z[:, edge].reshape(5, 3) for edge in range(z.shape[1])], tmp_path)
    # z is a 32-bit float in keepstill.
    np.testing.assert_allclose(found[["icc_2_1", "icc_3_1"]], expected[:, 1:], rtol=2e-5, atol=2e-6)


def null_cohort(rng, kind, blocks, edges):
    """Motion and z of children who are alike within blocks in both, and nothing else: siblings share half of each,
    sessions of one child two thirds."""
    shared = {"siblings": 0.5, "sessions": 2 / 3}[kind]
    rows = len(blocks)

    def draw(width):
        common = rng.normal(size=(blocks.max() + 1, width))[blocks]
        return np.sqrt(shared) * common + np.sqrt(1 - shared) * rng.normal(size=(rows, width))

    # Edges share parts with each other, as those of one matrix do.
    mixing = np.eye(edges) + 0.3 * rng.normal(size=(edges, edges)) / np.sqrt(edges)
    return draw(1)[:, 0], draw(edges) @ mixing


def orders_of(rng, blocks, count, whole):
    if not whole:
        return np.array([rng.permutation(len(blocks)) for _ in range(count)])
    rows = [np.flatnonzero(blocks == block) for block in range(blocks.max() + 1)]
    orders = np.empty((count, len(blocks)), int)
    for order in orders:
        for to, source in zip(rows, rng.permutation(len(rows))):
            order[to] = rows[source]
    return orders


def rates(kind, count, cohorts, seed, edges=45, permutations=199):
    """Shares of null cohorts with a family-wise finding, and of edges at p < 0.05: rows as if independent, and in
    blocks. What is tested is the mean of motion in the block."""
    rng = np.random.default_rng(seed)
    blocks = np.repeat(np.arange(count), 2)
    found, p_below = np.zeros(2), np.zeros(2)
    for _ in range(cohorts):
        motion, z = null_cohort(rng, kind, blocks, edges)
        between = motion.reshape(-1, 2).mean(axis=1)[blocks]
        x = np.column_stack([np.ones(len(blocks)), between])
        centred = z - z.mean(axis=0)
        u = between - between.mean()
        for k, whole in enumerate([False, True]):
            orders = orders_of(rng, blocks, permutations, whole)
            r = np.abs(u[orders] @ centred) / np.linalg.norm(centred, axis=0)
            own = np.abs(u @ centred) / np.linalg.norm(centred, axis=0)
            found[k] += (1 + (r.max(axis=1) >= own.max()).sum()) / (1 + permutations) < 0.05 + 1e-12
        ordinary = u @ centred / np.linalg.norm(u) / np.linalg.norm(centred, axis=0)
        t = ordinary * np.sqrt((len(u) - 2) / (1 - ordinary**2))
        p_below[0] += (2 * scipy.stats.t.sf(np.abs(t), len(u) - 2) < 0.05).mean()
        beta, errors, dof = bias_reduced(x, z, blocks)
        p_below[1] += (2 * scipy.stats.t.sf(np.abs(beta[1] / errors[1]), dof[1]) < 0.05).mean()
    return np.concatenate([found, p_below]) / cohorts


@pytest.mark.parametrize("kind", ["siblings", "sessions"])
def test_chance_is_called_a_finding_one_time_in_twenty(kind):
    plain, blocks, plain_p, blocks_p = rates(kind, 30, 150, 7)
    assert plain > 0.12 and plain_p > 0.09
    # 150 cohorts: 0.05 has a standard error of 0.018.
    assert blocks < 0.105 and 0.03 < blocks_p < 0.07


if __name__ == "__main__":
    cohorts = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print("kind\tblocks\tfamily-wise, rows\tfamily-wise, blocks\tedges p < 0.05, rows\tedges p < 0.05, blocks")
    for kind, count in itertools.product(["siblings", "sessions"], [20, 40, 100]):
        shares = rates(kind, count, cohorts, 11)
        print("\t".join([kind, str(count), *(f"{100 * share:.1f} %" for share in shares)]), flush=True)
