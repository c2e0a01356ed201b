"""`keepstill review --agreement` against scikit-learn's kappa, numpy's bootstrap, and the tables in print. The
decisions are written here as the review server writes them; nothing of the program makes them."""

import json
import re

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

WORDS = ["include", "exclude", "unsure"]
COLUMNS = "time reviewer participant_id session_id run_id decision reason note settles blinded results_digest".split()


def digest(child):
    return f"{child:064x}"


def line(reviewer, child, word, settles=0, digest_of=None):
    when = "2026-11-25T09:30:00Z"
    cells = [
        when, reviewer, f"sub-{child:03}", "n/a", "n/a", word, "n/a", "n/a", settles, 1, digest_of or digest(child),
    ]
    return "\t".join(map(str, cells))


def results(folder, children, lines):
    (folder / "review").mkdir()
    rows = [f"sub-{child:03}\tn/a\tn/a\tn/a\tn/a\tn/a\t{digest(child)}" for child in range(children)]
    header = "participant_id\tsession_id\trun_id\treview\treviewers\treview_reason\tresults_digest"
    (folder / "cohort.tsv").write_text("\n".join([header, *rows]) + "\n")
    (folder / "review" / "decisions.tsv").write_text("\n".join(["\t".join(COLUMNS), *lines]) + "\n")
    return folder


def agreement(keepstill, folder):
    told = json.loads(keepstill("review", folder, "--agreement", "--json").stdout)
    # There are no pages here, which alone is told of.
    (skipped,) = told["skipped"]
    assert "cohort.html: cannot be read" in skipped
    return told


def pairs_of(table):
    """Words of both reviewers, one pair per child, from a table of counts."""
    return [(WORDS[i], WORDS[j]) for i in range(3) for j in range(3) for _ in range(table[i][j])]


def told_of(keepstill, folder, pairs):
    lines = [line("AB", child, a) for child, (a, _) in enumerate(pairs)]
    lines += [line("CD", child, b) for child, (_, b) in enumerate(pairs)]
    (pair,) = agreement(keepstill, results(folder, len(pairs), lines))["agreement"]
    assert pair["reviewers"] == ["AB", "CD"] and pair["children"] == len(pairs)
    assert pair["agree"] == sum(a == b for a, b in pairs)
    return pair


def kappa_of(p):
    """Kappa of each table of shares [..., 3, 3]."""
    by_chance = (p.sum(-1) * p.sum(-2)).sum(-1)
    return (np.trace(p, axis1=-2, axis2=-1) - by_chance) / (1 - by_chance)


@pytest.mark.parametrize("table, kappa, error", [
    # Cohen 1960, Educational and Psychological Measurement 20:37, proportions .44 .07 .09 / .05 .20 .05 / .01 .03 .06
    # of 200 (from memory).
    ([[88, 14, 18], [10, 40, 10], [2, 6, 12]], 0.492, None),
    # Fleiss, Statistical Methods for Rates and Proportions, two raters' diagnoses of 100 patients (from memory).
    ([[75, 1, 4], [5, 4, 1], [0, 0, 10]], 0.68, 0.087),
])
def test_tables_in_print(keepstill, tmp_path, table, kappa, error):
    pair = told_of(keepstill, tmp_path, pairs_of(table))
    assert pair["kappa"] == pytest.approx(kappa, abs=0.005)
    if error:
        assert (pair["high"] - pair["kappa"]) / 1.96 == pytest.approx(error, abs=0.001)


@pytest.mark.parametrize("seed", range(8))
def test_kappa_is_scikit_learns_and_its_error_that_of_resampling(keepstill, tmp_path, seed):
    rng = np.random.default_rng(seed)
    children = int(rng.integers(150, 400))
    first = rng.choice(3, children, p=rng.dirichlet([4, 3, 2]))
    follows = rng.random(children) < rng.uniform(0.2, 0.8)
    second = np.where(follows, first, rng.choice(3, children, p=rng.dirichlet([4, 3, 2])))
    pair = told_of(keepstill, tmp_path, [(WORDS[a], WORDS[b]) for a, b in zip(first, second)])
    assert pair["kappa"] == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)

    counts = np.zeros((3, 3))
    np.add.at(counts, (first, second), 1)
    p = counts / children
    # The delta method, slopes by differences: exact but for rounding.
    slopes = np.zeros(9)
    for k in range(9):
        step = np.zeros(9)
        step[k] = 1e-6
        up, down = (p.ravel() + step).reshape(3, 3), (p.ravel() - step).reshape(3, 3)
        slopes[k] = (kappa_of(up / up.sum()) - kappa_of(down / down.sum())) / 2e-6
    error = np.sqrt(((slopes - (slopes * p.ravel()).sum()) ** 2 * p.ravel()).sum() / children)
    half = 1.959963984540054 * error
    assert pair["high"] == pytest.approx(min(1, pair["kappa"] + half), abs=1e-6)
    assert pair["low"] == pytest.approx(max(-1, pair["kappa"] - half), abs=1e-6)
    # Resampling children: the same within what 20000 samples and the approximation leave.
    drawn = rng.multinomial(children, p.ravel(), 20000).reshape(-1, 3, 3) / children
    assert kappa_of(drawn).std() == pytest.approx(error, rel=0.05)


def test_what_has_no_kappa(keepstill, tmp_path):
    (tmp_path / "same").mkdir()
    pair = told_of(keepstill, tmp_path / "same", [("include", "include")] * 7)
    assert (pair["agree"], pair["kappa"], pair["low"], pair["high"]) == (7, None, None, None)
    (tmp_path / "one").mkdir()
    pair = told_of(keepstill, tmp_path / "one", [("include", "exclude")])
    assert (pair["agree"], pair["kappa"], pair["low"], pair["high"]) == (0, 0, None, None)
    (tmp_path / "apart").mkdir()
    told = agreement(keepstill, results(tmp_path / "apart", 2, [line("AB", 0, "include"), line("CD", 1, "exclude")]))
    assert told["agreement"] == [
        {"reviewers": ["AB", "CD"], "children": 0, "agree": 0, "kappa": None, "low": None, "high": None}
    ]


@pytest.mark.parametrize("table", [
    [[6, 0, 0], [0, 2, 0], [0, 0, 0]],
    [[5, 0, 0], [2, 0, 0], [1, 0, 0]],
    [[0, 3, 0], [3, 0, 0], [0, 0, 0]],
    [[5, 1, 0], [0, 2, 0], [0, 0, 0]],
])
def test_an_error_of_nothing_has_no_interval(keepstill, tmp_path, table):
    """Every sample that is drawn from such a table, kappa's slopes by resampling one child: none moves it, or some
    do."""
    pair = told_of(keepstill, tmp_path, pairs_of(table))
    p = np.array(table) / np.sum(table)
    slopes = []
    for cell in np.argwhere(p > 0):
        drawn = np.zeros((3, 3))
        drawn[tuple(cell)] = 1
        slopes.append((kappa_of(p + 1e-6 * (drawn - p)) - kappa_of(p)) / 1e-6)
    moves = np.abs(slopes).max() > 1e-4
    assert (pair["low"] is None, pair["high"] is None) == (not moves, not moves)
    assert pair["kappa"] == pytest.approx(kappa_of(p), abs=1e-12)


def test_only_own_latest_words_on_these_results_are_compared(keepstill, tmp_path):
    """A long random history of three reviewers: latest lines, settling ones and old results, told apart by a
    dictionary."""
    rng = np.random.default_rng(5)
    children, lines, own, last = 60, [], {}, {}
    for _ in range(900):
        reviewer = ["AB", "CD", "EF"][rng.integers(3)]
        child, word = int(rng.integers(children)), WORDS[rng.choice(3, p=[0.6, 0.3, 0.1])]
        settles, stale = int(rng.random() < 0.1), rng.random() < 0.1
        lines.append(line(reviewer, child, word, settles, "f" * 64 if stale else None))
        if not stale:
            last.setdefault(child, {}).pop(reviewer, None)
            last[child][reviewer] = (word, settles)
            if not settles:
                own[reviewer, child] = word
    told = agreement(keepstill, results(tmp_path, children, lines))
    assert [pair["reviewers"] for pair in told["agreement"]] == [["AB", "CD"], ["AB", "EF"], ["CD", "EF"]]
    for pair in told["agreement"]:
        one, other = pair["reviewers"]
        both = [child for child in range(children) if (one, child) in own and (other, child) in own]
        words = [[own[who, child] for child in both] for who in (one, other)]
        assert pair["children"] == len(both) > 20
        assert pair["kappa"] == pytest.approx(cohen_kappa_score(*words), abs=1e-12)
    disagreements = []
    for child in range(children):
        counted = list(last.get(child, {}).values())
        newest = counted[-1:] if counted and counted[-1][1] else counted
        words = {word for word, _ in newest}
        said = told["children"][f"sub-{child:03}"]["review"]
        expected = {0: {"n/a", "out_of_date"}, 1: words}.get(len(words), {"disagreement"})
        assert said in expected
        disagreements += [f"sub-{child:03}"] if said == "disagreement" else []
    assert told["disagreements"] == disagreements and len(disagreements) > 10


def test_in_words(keepstill, tmp_path):
    pairs = pairs_of([[6, 1, 0], [1, 3, 0], [0, 0, 1]])
    lines = [line("AB", child, a) for child, (a, _) in enumerate(pairs)]
    lines += [line("CD", child, b) for child, (_, b) in enumerate(pairs)]
    said = keepstill("review", results(tmp_path, 14, lines), "--agreement").stdout
    kappa = cohen_kappa_score(*zip(*pairs))
    assert "14 children: 6 include, 3 exclude, 1 unsure, 2 to be settled, 2 not decided." in said
    assert re.search(rf"AB and CD: 12 children, the same word for 10; Cohen's kappa {kappa:.2f} \(95 % interval", said)
    assert "To be settled: sub-006, sub-007." in said
