"""QC-FC, comparisons of groups, matching and reliability against numpy, scipy and statsmodels."""

import numpy as np
import pytest
import scipy.stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway

import formulas as f
from group_program import array, close, group  # noqa: F401


def cohort(rng, n, edges, covariates):
    fd = rng.gamma(2, 0.1, n)
    x = np.column_stack([fd, rng.normal(size=(n, covariates)) + fd[:, None]])
    z = rng.normal(0.3, 0.2, (n, edges)) + fd[:, None] * rng.normal(0, 0.5, edges) + 0.1 * x[:, 1:].sum(axis=1)[:, None]
    return x, z.astype(np.float32)


def partial(z, fd, controls):
    design = np.column_stack([np.ones(len(fd)), controls])
    left = lambda y: y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    r = scipy.stats.pearsonr(left(z), left(fd)).statistic
    dof = len(fd) - 2 - controls.shape[1]
    return r, 2 * scipy.stats.t.sf(abs(r) * np.sqrt(dof / (1 - r * r)), dof)


@pytest.mark.parametrize("missing", [0.0, 0.02])
@pytest.mark.parametrize("covariates", [0, 2])
def test_qc_fc(group, covariates, missing):
    rng = np.random.default_rng(covariates)
    x, z = cohort(rng, 60, 190, covariates)
    z[rng.random(z.shape) < missing] = np.nan
    distance = rng.integers(5, 150, 190).astype(float)
    got = group("quality", edges=z, covariates=x, controls=list(range(1, covariates + 1)), distance_mm=distance)
    r, p = np.zeros(190), np.zeros(190)
    for edge in range(190):
        present = ~np.isnan(z[:, edge])
        own = z[present, edge].astype(float)
        if covariates:
            r[edge], p[edge] = partial(own, x[present, 0], x[present, 1:])
        else:
            r[edge], p[edge] = scipy.stats.pearsonr(own, x[present, 0])
    close(got["r"], r)
    close(got["p"], p, rtol=1e-8)
    close(got["mean"], np.nanmean(z.astype(float), axis=0))
    close(got["sd"], np.nanstd(z.astype(float), axis=0, ddof=1))
    assert got["children"] == (~np.isnan(z)).sum(axis=0).tolist()
    close(got["median_abs_r"], np.median(np.abs(r)))
    close(got["share_p"], (p < 0.05).mean())
    close(got["share_q"], (multipletests(p, method="fdr_bh")[1] < 0.05).mean())
    expected = scipy.stats.spearmanr(r, distance)
    close([got["distance"]["rho"], got["distance"]["p"]], [expected.statistic, expected.pvalue], rtol=1e-8)


def test_qc_fc_does_not_lose_digits_to_an_offset(group):
    rng = np.random.default_rng(3)
    x, z = cohort(rng, 200, 20, 0)
    z += np.float32(4096)  # 12 of single precision's 24 bits
    x += 1e5
    close(group("quality", edges=z, covariates=x, distance_mm=np.zeros(20))["r"],
          [scipy.stats.pearsonr(v.astype(float), x[:, 0] - 1e5).statistic for v in z.T], rtol=1e-8)


def test_a_planted_motion_confound_shows_and_goes_with_its_cause(group):
    rng = np.random.default_rng(4)
    n, parcels = 150, 30
    place = rng.uniform(0, 120, (parcels, 3))
    i, j = np.triu_indices(parcels, 1)
    distance = np.linalg.norm(place[i] - place[j], axis=1)
    fd = rng.gamma(2, 0.1, n)
    clean = rng.normal(0.3, 0.15, (n, len(i)))
    moved = clean + 2 * fd[:, None] * np.exp(-distance / 40)
    before = group("quality", edges=moved.astype(np.float32), covariates=fd[:, None], distance_mm=distance)
    after = group("quality", edges=clean.astype(np.float32), covariates=fd[:, None], distance_mm=distance)
    assert before["share_p"] > 0.5 and before["distance"]["rho"] < -0.5
    error = 4 * np.sqrt(0.05 * 0.95 / len(i))
    assert abs(after["share_p"] - 0.05) < error and abs(after["distance"]["rho"]) < 4 / np.sqrt(len(i))


@pytest.mark.parametrize("ties", [False, True])
def test_two_groups(group, ties):
    rng = np.random.default_rng(5)
    a, b = rng.gamma(2, 0.1, 23), rng.gamma(2, 0.16, 40)
    if ties:
        a, b = a.round(1), b.round(1)
    got = group("compare", groups=[a, b])
    welch = scipy.stats.ttest_ind(a, b, equal_var=False)
    close([got["welch"][k] for k in ("t", "dof", "p")], [welch.statistic, welch.df, welch.pvalue])
    ranks = scipy.stats.kruskal(a, b)
    close([got["ranks"]["h"], got["ranks"]["p"]], [ranks.statistic, ranks.pvalue])
    pooled = np.sqrt((22 * a.var(ddof=1) + 39 * b.var(ddof=1)) / 61)
    close(got["effect"]["g"], (a.mean() - b.mean()) / pooled * (1 - 3 / (4 * 61 - 1)))
    for own, values in zip(got["groups"], (a, b)):
        close([own["mean"], own["sd"], own["median"]], [values.mean(), values.std(ddof=1), np.median(values)])
        assert own["children"] == len(values)


@pytest.mark.parametrize("sizes", [(8, 12, 30), (3, 5, 4, 20, 9)])
def test_more_groups(group, sizes):
    rng = np.random.default_rng(6)
    groups = [rng.gamma(2, 0.1 + 0.03 * k, n).round(2) for k, n in enumerate(sizes)]
    got = group("compare", groups=groups)
    welch = anova_oneway(groups, use_var="unequal", welch_correction=True)
    close([got["welch"][k] for k in ("f", "between", "within", "p")], [welch.statistic, *welch.df, welch.pvalue])
    ranks = scipy.stats.kruskal(*groups)
    close([got["ranks"]["h"], got["ranks"]["p"]], [ranks.statistic, ranks.pvalue])
    everyone = np.concatenate(groups)
    between = sum(len(g) * (g.mean() - everyone.mean()) ** 2 for g in groups)
    whole = ((everyone - everyone.mean()) ** 2).sum()
    mean_square = (whole - between) / (len(everyone) - len(groups))
    close(got["effect"]["omega"], (between - (len(groups) - 1) * mean_square) / (whole + mean_square))


def test_matching_makes_as_many_pairs_as_a_maximum_matching(group):
    """Against scipy's maximum bipartite matching (Hopcroft & Karp 1973, SIAM J Comput 2:225)."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import maximum_bipartite_matching

    rng = np.random.default_rng(7)
    for case in range(40):
        values = rng.gamma(2, 0.1, int(rng.integers(2, 120)))
        groups = rng.integers(0, 2, len(values))
        caliper = float(rng.choice([0.001, 0.01, 0.05]))
        got = group("match", values=values, groups=groups, count=2, caliper=caliper)
        near = np.abs(values[groups == 0][:, None] - values[groups == 1][None]) <= caliper
        most = (maximum_bipartite_matching(csr_matrix(near)) >= 0).sum() if near.size else 0
        assert len(got["tuples"]) == most
        assert all(abs(values[a] - values[b]) <= caliper for a, b in got["tuples"])


def every_part(values):
    """Size and mean of every subset but the empty one."""
    sets = np.arange(1, 2 ** len(values))
    has = sets[:, None] >> np.arange(len(values)) & 1
    return has.sum(axis=1), has @ values / has.sum(axis=1)


@pytest.mark.parametrize("count", [2, 3])
def test_matched_means_keep_as_much_as_any_choice(group, count):
    """Against every subset of every group: smallest sum of 1/n, then most children, means within the caliper."""
    rng = np.random.default_rng(70 + count)
    nobody = 0
    for case in range(60):
        sizes = rng.integers(1, 10 if count == 2 else 7, count)
        groups = rng.permutation(np.repeat(np.arange(count), sizes))
        values = rng.gamma(2, 0.1, len(groups)) + 0.05 * groups
        caliper = float(rng.choice([0.001, 0.02, 0.1]))
        got = group("match", means=True, values=values, groups=groups, count=count, caliper=caliper)
        assert got["tuples"] == []
        parts = [every_part(values[groups == g]) for g in range(count)]
        at = [np.expand_dims(mean, [k for k in range(count) if k != g]) for g, (_, mean) in enumerate(parts)]
        n = [np.expand_dims(size, [k for k in range(count) if k != g]) for g, (size, _) in enumerate(parts)]
        means, counts = np.broadcast_arrays(*at), np.broadcast_arrays(*n)
        fits = np.maximum.reduce(means) - np.minimum.reduce(means) <= caliper
        kept = np.array(got["kept"], int)
        if not fits.any():
            assert len(kept) == 0
            nobody += 1
            continue
        worth = np.round(sum(1 / c for c in counts)[fits], 12)
        most = sum(counts)[fits][worth == worth.min()].max()
        own = [values[kept[groups[kept] == g]] for g in range(count)]
        assert np.ptp([v.mean() for v in own]) <= caliper + 1e-12
        assert sum(1 / len(v) for v in own) == pytest.approx(worth.min()) and len(kept) == most
    assert 1 <= nobody <= 45


# Mean signals of the first run's parcels and of the second's, from another scanner.
SIGNALS = [np.linspace(400, 1100, 8), np.linspace(9, 2, 8)]


def edges(series, rows, measure="pearson"):
    """z of the joined, standardised rows; covariances in percent of SIGNALS."""
    parts = [(s[r], signal) for s, r, signal in zip(series, rows, SIGNALS) if len(r) > 1]
    matrix = f.connectivity(f.joined(parts, measure), measure)[0]
    z = matrix[np.triu_indices(len(matrix), 1)]
    return z if measure == "covariance" else np.arctanh(np.clip(z, -1 + 1e-7, 1 - 1e-7))


def child(rng, lengths, tr_s=2.0):
    mixing = rng.normal(size=(8, 8))
    series = [rng.normal(size=(n, 8)) @ mixing + rng.normal(size=(n, 8)) for n in lengths]
    frames = [np.sort(rng.choice(n + n // 3, n, replace=False)) for n in lengths]
    return series, [dict(data=s, mean_signal=m, frames=k, tr_s=tr_s) for s, m, k in zip(series, SIGNALS, frames)]


@pytest.mark.parametrize("measure", ["pearson", "spearman", "partial", "covariance"])
def test_split_half(group, measure):
    series, runs = child(np.random.default_rng(8), [200, 133])
    got = group("split_half", runs=runs, block_s=30, measure=measure)
    blocks = [(k, list(range(s, min(s + 15, len(x))))) for k, x in enumerate(series) for s in range(0, len(x), 15)]
    halves = [[sum((b for r, b in blocks[h::2] if r == k), []) for k in range(2)] for h in range(2)]
    r = np.corrcoef(*[edges(series, half, measure) for half in halves])[0, 1]
    close(got["r"], r)
    close(got["spearman_brown"], 2 * r / (1 + r))
    close(got["minutes"], [sum(map(len, half)) * 2 / 60 for half in halves])


@pytest.mark.parametrize("measure", ["pearson", "covariance"])
def test_first_against_second_half(group, measure):
    series, runs = child(np.random.default_rng(8), [200, 133])
    hidden = [0.4, 0.9]
    got = group("first_against_second", runs=runs, hidden=hidden, measure=measure)
    rows = [[range(166), []], [range(166, 200), range(133)]]
    r = np.corrcoef(*[edges(series, half, measure) for half in rows])[0, 1]
    close(got["r"], r)
    close(got["spearman_brown"], 2 * r / (1 + r))
    close(got["minutes"], [166 / 30, 167 / 30])
    # Two frames of a run share hidden / n of one frame's error.
    error = np.zeros((333, 333))
    error[:200, :200], error[200:, 200:] = hidden[0] / 200, hidden[1] / 133
    error += np.eye(333)
    a, b, whole = (
        np.r_[np.full(166, 1 / 166), np.zeros(167)],
        np.r_[np.zeros(166), np.full(167, 1 / 167)],
        np.full(333, 1 / 333),
    )
    # r = (S + C) / (S + V)
    c, v = a @ error @ b, (a @ error @ a + b @ error @ b) / 2
    s = (r * v - c) / (1 - r)
    close(got["corrected"], s / (s + whole @ error @ whole))


@pytest.fixture(scope="module")
def cleaned_children(group):
    """Sixty children of one true matrix, white noise of which 40 regressors of 120 degrees of freedom are taken away:
    what they differ by is error alone, so r between two of them is the reliability and the SD over them the standard
    error."""
    rng = np.random.default_rng(12)
    mixing = rng.normal(size=(10, 10)) * 0.25 + np.eye(10)
    out = []
    for _ in range(60):
        x = rng.normal(size=(120, 10)) @ mixing
        design = np.c_[np.ones(120), rng.normal(size=(120, 39))]
        out.append(x - design @ np.linalg.lstsq(design, x, rcond=None)[0])
    return out, 40 / 80


def test_reliability_without_what_cleaning_shares(group, cleaned_children):
    children, hidden = cleaned_children
    whole = np.array([edges([x], [range(120)]) for x in children])
    between = np.corrcoef(whole)
    true = between[np.triu_indices(60, 1)].mean()
    runs = lambda x: [dict(data=x, mean_signal=[1.0] * 10, frames=list(range(120)), tr_s=2.0)]
    found = [group("first_against_second", runs=runs(x), hidden=[hidden]) for x in children]
    corrected, spearman_brown = ([np.mean([f[key] for f in found]) for key in ("corrected", "spearman_brown")])
    assert abs(corrected - true) < 0.03, (corrected, true)
    assert spearman_brown - true > 0.05, "the halves share an error"


@pytest.mark.parametrize("block_s", [2, 24, 60])
def test_widened_standard_errors_are_the_spread_between_children(group, cleaned_children, block_s):
    children, hidden = cleaned_children
    true = np.array([edges([x], [range(120)]) for x in children]).var(axis=0, ddof=1).mean() ** 0.5
    runs = lambda x: [dict(data=x, mean_signal=[1.0] * 10, frames=list(range(120)), tr_s=2.0)]
    factor = group("widening", runs=runs(children[0]), block_s=block_s, hidden=[hidden])["factor"]
    se = [
        group("standard_errors", runs=runs(x), block_s=block_s, replicates=60, seed=k)["se"]
        for k, x in enumerate(children)
    ]
    rms = np.sqrt(np.mean(np.square(se)))
    assert 0.93 < factor * rms / true < 1.07, (factor, rms, true)
    assert rms / true < 0.88, "as drawn they are too small"


def test_curve_over_minutes(group):
    series, runs = child(np.random.default_rng(9), [200, 133])
    points = group("curve", runs=runs, **{"from": 2})["points"]
    whole = edges(series, [range(200), range(133)])
    assert [m for m, _ in points[:-1]] == pytest.approx(range(2, 12)) and points[-1][0] == pytest.approx(333 / 30)
    for minutes, r in points:
        count = round(minutes * 30)
        rows = [range(min(count, 200)), range(max(count - 200, 0))]
        close(r, np.corrcoef(edges(series, rows), whole)[0, 1])


@pytest.mark.parametrize("how", ["earliest", "blocks"])
def test_equal_minutes(group, how):
    series, runs = child(np.random.default_rng(10), [200, 133])
    ask = dict(runs=runs, how=how, seed=3, block_s=30)
    for minutes in (1, 5, 333 / 30):
        rows = group("choose", minutes=minutes, **ask)["rows"]
        assert sum(map(len, rows)) == round(minutes * 30)
        assert all(len(set(r)) == len(r) and set(r) <= set(range(len(s))) for r, s in zip(rows, series))
    assert group("choose", minutes=11.2, **ask)["rows"] is None


@pytest.mark.parametrize("measure", ["pearson", "partial", "covariance"])
def test_standard_errors_under_the_same_draws(group, measure):
    series, runs = child(np.random.default_rng(11), [90, 40])
    got = group("standard_errors", runs=runs, block_s=30, replicates=50, seed=4, measure=measure)
    drawn = np.array([edges(series, rows, measure) for rows in got["rows"]])
    close(got["se"], drawn.std(axis=0, ddof=1))
    for rows in got["rows"]:
        for own, n in zip(rows, (90, 40)):
            assert len(own) == n and max(own) < n
            starts = np.array(own)[::15]
            assert all((np.array(own[k * 15 : k * 15 + 15]) - s == np.arange(len(own[k * 15 : k * 15 + 15]))).all()
                       for k, s in enumerate(starts))
