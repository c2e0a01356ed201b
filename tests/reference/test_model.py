"""`keepstill stack` for the modeler, from files to files: equal minutes, matched motion, reliability, standard errors
and edge tests, worked out anew by numpy, statsmodels and R from what `keepstill run` and `stack` wrote as tables and
arrays."""

import itertools
import json
import shutil
import subprocess

import numpy as np
import pandas
import pytest
import scipy.io
import scipy.stats
import statsmodels.formula.api as smf
from patsy.builtins import C as factor  # noqa: F401  (formulas are evaluated where this name is seen)
from statsmodels.api import OLS

import formulas
from group_program import group  # noqa: F401
from test_group_quality import every_part

CHILDREN, FRAMES, TR, PARCELS = 24, 200, 2.0, 20
MEASURES = ["pearson", "spearman", "partial", "covariance"]
CORRELATIONS = MEASURES[:3]
BLOCK = 15  # frames of 2 s in 30 s
MINUTES = 6
SITES = ["mill", "abbey", "harbour"]


def table(path):
    return pandas.read_csv(path, sep="\t", na_values="n/a", keep_default_na=False)


@pytest.fixture(scope="module")
def results(keepstill, tmp_path_factory):
    """Invented children with two runs each, all measures, a column of sites and one empty cell."""
    folder = tmp_path_factory.mktemp("model") / "study"
    keepstill("synth", folder, "--children", CHILDREN, "--frames", FRAMES, "--tr", TR, "--runs", 2,
              "--parcels", PARCELS, "--seed", 5, "-q")
    study = folder / "study.toml"
    text = study.read_text()
    for old, new in [
        ('measures = ["pearson"]', f"measures = {json.dumps(MEASURES)}"),
        ("minutes = 5.0", "minutes = 3.0"),
        ("least_coverage = 0.5", "least_coverage = 0.7"),
    ]:
        assert old in text
        text = text.replace(old, new)
    study.write_text(text)
    children = pandas.read_csv(folder / "participants.tsv", sep="\t", dtype=str)
    children["site"] = [SITES[i % 3] for i in range(CHILDREN)]
    children["scanner"] = [str(1 + i % 2) for i in range(CHILDREN)]
    children["arm"] = ["a" if i % 5 < 2 else "b" for i in range(CHILDREN)]
    children.loc[6, "site"] = "n/a"
    children.to_csv(folder / "participants.tsv", sep="\t", index=False)
    keepstill("run", study, "-q")
    return folder / "results"


def stack(keepstill, results, *options):
    """All children alike, as other programs fit by default; test_weights.py has weights."""
    said = keepstill("stack", results, *options, "--weights", "equal").stdout
    return results / "stack", said


class Child:
    """A child's cleaned, kept frames as its runs' tables have them: 32-bit floats in text."""

    def __init__(self, results, stem):
        self.names = None
        self.runs = []
        self.signals = []
        self.hidden = []
        report = json.loads(next(results.glob(f"{stem}/func/{stem}_report.json")).read_text())
        rows = {f"{row['participant_id']}_task-rest_{row['run_id']}": row for row in report["runs"]}
        for run in report["joined"]["runs_joined"]:
            # Degrees of freedom that cleaning took for each that it left.
            self.hidden.append(rows[run]["dof_before_regression"] / rows[run]["dof"] - 1)
            frames = table(results / stem / "func" / f"{run}_frames.tsv")
            series = table(next((results / stem / "func").glob(f"{run}_atlas-*_series.tsv")))
            self.names = list(series.columns)
            kept = frames["kept"].to_numpy() == 1
            self.runs.append(series[kept].to_numpy(float))
            # Parcel means before cleaning, as they were read from the image.
            key = json.loads((results / ".keepstill" / "inputs" / f"{run}.json").read_text())["key"]
            raw = np.load(results / ".keepstill" / "digests" / f"{key}.npz")["parcels_0_means"]
            self.signals.append(formulas.mean_signal(raw[kept]))
        self.used = ~np.isnan(np.vstack(self.runs)).any(0)

    def matrix(self, rows, measure):
        """Of some kept frames of each run; runs of fewer than two say nothing."""
        runs = zip(self.runs, self.signals, rows)
        parts = [(run[r][:, self.used], signal[self.used]) for run, signal, r in runs if len(r) > 1]
        found = formulas.connectivity(formulas.joined(parts, measure), measure)[0]
        out = np.full((len(self.used),) * 2, np.nan)
        out[np.ix_(self.used, self.used)] = found
        return out

    def edges(self, rows, measure):
        edges = upper(self.matrix(rows, measure))
        return edges if measure == "covariance" else formulas.fisher_z(edges)

    def all(self):
        return [np.arange(len(run)) for run in self.runs]

    def first(self, minutes):
        left, rows = int(minutes * 60 / TR + 1e-6), []
        for run in self.runs:
            rows.append(np.arange(min(left, len(run))))
            left -= len(rows[-1])
        return rows if left == 0 else None

    def halves(self):
        half, first = sum(map(len, self.runs)) // 2, []
        for run in self.runs:
            first.append(np.arange(min(half, len(run))))
            half -= len(first[-1])
        return first, [np.arange(len(taken), len(run)) for run, taken in zip(self.runs, first)]

    def without_shared(self, r, first, second):
        """Reliability of all frames, two frames of a run of n sharing hidden / n of one frame's error."""
        n = [len(run) for run in self.runs]
        error = np.eye(sum(n))
        for start, length, hidden in zip(np.cumsum([0, *n]), n, self.hidden):
            error[start : start + length, start : start + length] += hidden / length
        a, b = [
            np.concatenate([np.isin(np.arange(length), rows) for length, rows in zip(n, half)])
            for half in (first, second)
        ]
        a, b, whole = a / a.sum(), b / b.sum(), np.full(sum(n), 1 / sum(n))
        c, v = a @ error @ b, (a @ error @ a + b @ error @ b) / 2
        s = (r * v - c) / (1 - r)
        return s / (s + whole @ error @ whole)

    def minutes(self):
        return sum(len(run) for run in self.runs) * TR / 60


def upper(matrix):
    return matrix[np.triu_indices(len(matrix), 1)]


@pytest.fixture(scope="module")
def cohort(results):
    """Every child that has a matrix, by stem."""
    stems = sorted(path.name.split("_atlas")[0] for path in results.glob("sub-*/func/*desc-pearson_matrix.tsv"))
    return {stem: Child(results, stem) for stem in stems}


def name(measure, ending):
    return f"atlas-invented{PARCELS}_desc-{measure}{ending}"


def correlation(a, b):
    both = np.isfinite(a) & np.isfinite(b)
    return np.corrcoef(a[both], b[both])[0, 1]


def fnv(seed, stem):
    """FNV-1a, 64 bits: the seed's eight bytes, lowest first, then the stem."""
    value = 0xCBF29CE484222325
    for byte in seed.to_bytes(8, "little") + stem.encode():
        value = (value ^ byte) * 0x100000001B3 % 2**64
    return value


# ---- equal minutes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("draw", [None, 7], ids=["earliest", "drawn"])
def test_equal_minutes(keepstill, results, cohort, group, draw):  # noqa: F811
    flags = [] if draw is None else ["--draw", draw]
    folder, _ = stack(keepstill, results, "--all", "--equal-minutes", MINUTES, *flags)
    children = table(folder / "children.tsv")
    # The same number of frames for all, exactly.
    assert children["frames_used"].nunique() == 1
    enough = [stem for stem, child in cohort.items() if child.minutes() >= MINUTES - 1e-9]
    assert list(children["stem"]) == enough and 5 < len(enough) < len(cohort)
    left = table(folder / "left_out.tsv").set_index("stem")
    short = set(cohort) - set(enough)
    assert set(left.index[left["reason"] == "less_than_equal_minutes"]) == short
    assert (children["frames_used"] == MINUTES * 60 / TR).all() and (children["minutes_used"] == MINUTES).all()
    other = 0
    for measure in MEASURES:
        edges = np.load(folder / name(measure, f"Equal{MINUTES}_edges.npy"))
        matrices = np.load(folder / name(measure, f"Equal{MINUTES}_matrices.npy"))
        for row, stem in enumerate(enough):
            child = cohort[stem]
            rows = child.first(MINUTES)
            if draw is not None:
                # Which blocks the seed draws is asked of the library; that they are whole blocks is checked here.
                runs = [{"data": [[0.0]] * len(run), "frames": list(range(len(run))), "tr_s": TR} for run in child.runs]
                drawn = group("choose", runs=runs, minutes=MINUTES, how="blocks", block_s=30, seed=fnv(draw, stem))[
                    "rows"
                ]
                partial = 0
                for run, found in zip(child.runs, drawn):
                    for start in range(0, len(run), BLOCK):
                        size = min(BLOCK, len(run) - start)
                        taken = sum(start <= frame < start + BLOCK for frame in found)
                        partial += 0 < taken < size
                assert partial <= 1 and sum(map(len, drawn)) == MINUTES * 60 / TR
                other += [list(r) for r in rows] != drawn
                rows = [np.array(r, int) for r in drawn]
            expected = child.matrix(rows, measure)
            np.testing.assert_allclose(matrices[row], expected, rtol=2e-4, atol=2e-5)
            np.testing.assert_allclose(edges[row], upper(expected), rtol=2e-4, atol=2e-5)
    assert draw is None or other > len(enough)


# ---- matched motion --------------------------------------------------------------------------------------------------


def test_pairs_matched_in_motion_against_every_choice(keepstill, results):
    folder, _ = stack(keepstill, results, "--all")
    before = table(folder / "children.tsv")
    caliper = 0.01
    folder, said = stack(keepstill, results, "--all", "--match", "motion-pairs", "--group", "arm", "--caliper", caliper)
    after, left = table(folder / "children.tsv"), table(folder / "left_out.tsv").set_index("stem")
    motion = {arm: rows["mean_fd_mm"].tolist() for arm, rows in before.groupby("arm")}
    small, large = sorted(motion.values(), key=len)

    # The largest number of pairs, and of those the smallest sum of distances: over all subsets of the larger group's
    # partners.
    best = {0: (0, 0.0)}
    for a in small:
        following = dict(best)
        for taken, (count, total) in best.items():
            for place, b in enumerate(large):
                if not taken >> place & 1 and abs(a - b) <= caliper:
                    key, value = taken | 1 << place, (count + 1, total + abs(a - b))
                    if key not in following or (-value[0], value[1]) < (-following[key][0], following[key][1]):
                        following[key] = value
        best = following
    pairs, distance = min(best.values(), key=lambda v: (-v[0], v[1]))
    kept = {arm: np.sort(rows["mean_fd_mm"]) for arm, rows in after.groupby("arm")}
    a, b = kept["a"], kept["b"]
    assert len(a) == len(b) == pairs and 3 <= pairs < len(small)
    assert np.abs(a - b).max() <= caliper and np.abs(a - b).sum() == pytest.approx(distance, abs=1e-6)
    out = left[left["reason"] == "match_no_partner"]
    assert set(out.index) == set(before["stem"]) - set(after["stem"])
    told_of_groups(folder, before, after, said)


def test_means_matched_in_motion_against_every_choice(keepstill, results):
    folder, _ = stack(keepstill, results, "--all")
    before = table(folder / "children.tsv")
    folder, said = stack(keepstill, results, "--all", "--match", "motion", "--group", "arm")
    after, left = table(folder / "children.tsv"), table(folder / "left_out.tsv").set_index("stem")
    motion = [np.sort(rows["mean_fd_mm"]) for _, rows in before.groupby("arm")]
    caliper = 0.1 * np.sqrt(np.mean([v.var(ddof=1) for v in motion]))
    assert json.loads((folder / "stack.json").read_text())["match"]["caliper_mm"] == pytest.approx(caliper, rel=1e-6)
    # Every subset of both.
    (na, ma), (nb, mb) = (every_part(v) for v in motion)
    fits = np.abs(ma[:, None] - mb) <= caliper
    worth = np.where(fits, 1 / na[:, None] + 1 / nb, np.inf)
    a, b = [rows["mean_fd_mm"] for _, rows in after.groupby("arm")]
    assert abs(a.mean() - b.mean()) <= caliper and 1 / len(a) + 1 / len(b) == pytest.approx(worth.min())
    assert 6 <= len(after) < len(before)
    out = left[left["reason"].str.startswith("match_moves_")]
    assert set(out.index) == set(before["stem"]) - set(after["stem"])
    mean = before.groupby("arm")["mean_fd_mm"].mean()
    for stem, row in out.iterrows():
        arm = before.set_index("stem").loc[stem, "arm"]
        assert row["reason"] == ("match_moves_more" if mean[arm] == mean.max() else "match_moves_less")
    told_of_groups(folder, before, after, said)


def told_of_groups(folder, before, after, said):
    told = json.loads((folder / "stack.json").read_text())["match"]
    for when, rows in [("before", before), ("after", after)]:
        for told_group in told[when]["groups"]:
            values = rows[rows["arm"] == told_group["group"]]["mean_fd_mm"]
            assert told_group["children"] == len(values)
            assert [told_group["mean"], told_group["sd"]] == pytest.approx([values.mean(), values.std()], rel=1e-6)
        test = scipy.stats.ttest_ind(
            rows[rows["arm"] == "a"]["mean_fd_mm"], rows[rows["arm"] == "b"]["mean_fd_mm"], equal_var=False
        )
        assert told[when]["welch_p"] == pytest.approx(test.pvalue, rel=1e-6)
    assert "before:" in said and "after:" in said


# ---- reliability -----------------------------------------------------------------------------------------------------


def test_split_half_and_curve(keepstill, results, cohort):
    folder, _ = stack(keepstill, results, "--all", "--reliability")
    halves = table(folder / "reliability.tsv").set_index(["stem", "measure"])
    curve = pandas.read_csv(
        folder / "agreement.tsv", sep="\t", na_values="n/a", keep_default_na=False, dtype={"minutes_asked": str}
    )
    assert len(halves) == len(cohort) * len(MEASURES)
    start = 5 if min(child.minutes() for child in cohort.values()) >= 5 else 1
    assert start == 1
    points, shared = {}, 0
    for (stem, child), measure in itertools.product(cohort.items(), MEASURES):
        parts = ([], [])
        number = 0
        for run in child.runs:
            rows = ([], [])
            for first in range(0, len(run), BLOCK):
                rows[number % 2].extend(range(first, min(first + BLOCK, len(run))))
                number += 1
            parts[0].append(rows[0])
            parts[1].append(rows[1])
        r = correlation(child.edges(parts[0], measure), child.edges(parts[1], measure))
        found = halves.loc[stem, measure]
        assert found["r_half"] == pytest.approx(r, abs=2e-5)
        negative = r < 0
        assert (
            np.isnan(found["reliability"])
            if negative
            else found["reliability"] == pytest.approx(2 * r / (1 + r), abs=2e-5)
        )
        first, second = child.halves()
        r = correlation(child.edges(first, measure), child.edges(second, measure))
        assert found["r_first_second"] == pytest.approx(r, abs=2e-5)
        assert (
            np.isnan(found["reliability_first_second"])
            if r < 0
            else found["reliability_first_second"] == pytest.approx(2 * r / (1 + r), abs=2e-5)
        )
        expected = child.without_shared(r, first, second)
        assert (
            np.isnan(found["reliability_corrected"])
            if expected < 0
            else found["reliability_corrected"] == pytest.approx(expected, abs=5e-5)
        )
        shared += expected < 2 * r / (1 + r) - 0.001
        assert found["minutes"] == pytest.approx(child.minutes(), rel=1e-6)
        whole = child.edges(child.all(), measure)
        own = curve[(curve["stem"] == stem) & (curve["measure"] == measure)]
        asked = [m for m in range(start, 100) if m < child.minutes() - 1e-9]
        assert list(own["minutes_asked"]) == [*map(str, asked), "all"]
        for minutes, got in zip(asked, own["r"]):
            r = correlation(child.edges(child.first(minutes), measure), whole)
            assert got == pytest.approx(r, abs=5e-5), (stem, measure, minutes)
            points.setdefault((measure, minutes), []).append(r)
        assert own["r"].iloc[-1] == pytest.approx(1)
    assert shared > 0, "some child's halves share a run"
    summary = table(folder / "agreement_summary.tsv").set_index(["measure", "minutes"])
    assert set(summary.index) == set(points)
    for key, r in points.items():
        row = summary.loc[key]
        assert row["children"] == len(r)
        np.testing.assert_allclose(
            row[["quartile_1", "median", "quartile_3"]].astype(float), np.quantile(r, [0.25, 0.5, 0.75]), atol=5e-5
        )


def widening(kept, length, hidden):
    """What the spread of redrawn blocks lacks of independent frames' variance, each block's chances counted place by
    place."""
    whole = seen = 0
    for n, hidden in zip(kept, hidden):
        block = max(1, min(length, n // 2))
        whole += n * (1 + hidden)
        for size in [block] * (n // block) + [n % block]:
            chances = np.zeros(n)
            for start in range(n - block + 1):
                chances[start : start + size] += 1 / (n - block + 1)
            seen += size - (chances**2).sum()
    return np.sqrt(whole / seen)


def test_standard_errors_against_another_bootstrap(keepstill, results, cohort):
    """Other random numbers: the standard errors differ by no more than two bootstraps of so many draws do."""
    draws = 400
    folder, _ = stack(keepstill, results, "--all", "--standard-errors", "--resamples", draws, "--seed", 3)
    rng = np.random.default_rng(1)
    stems = list(table(folder / "children.tsv")["stem"])
    for measure in ["pearson", "covariance"]:
        errors = np.load(folder / name(measure, "_standard_errors.npy"))
        assert errors.dtype == np.dtype("<f4") and errors.shape == (len(stems), PARCELS * (PARCELS - 1) // 2)
        ratios = []
        for row in [0, len(stems) // 2, len(stems) - 1]:
            child = cohort[stems[row]]
            replicates = []
            for _ in range(draws):
                rows = []
                for run in child.runs:
                    n = len(run)
                    length = max(1, min(30, n // 2))  # frames of 2 s in 60 s
                    starts = rng.integers(0, n - length + 1, -(-n // length))
                    rows.append((starts[:, None] + np.arange(length)).ravel()[:n])
                replicates.append(child.edges(rows, measure))
            expected = np.std(replicates, axis=0, ddof=1) * widening([len(run) for run in child.runs], 30, child.hidden)
            assert np.array_equal(np.isnan(errors[row]), np.isnan(expected))
            ratios.append(np.log(errors[row] / expected)[np.isfinite(expected)])
        ratios = np.concatenate(ratios)
        # The SD of the log of an SD from n draws is 1/sqrt(2(n - 1)) for normal values; two of them are compared.
        sd = np.sqrt(1 / (draws - 1))
        assert np.abs(ratios.mean()) < sd and 0.6 * sd < ratios.std() < 1.6 * sd


def test_standard_errors_in_every_format(keepstill, results, tmp_path):
    """The same numbers by numpy, pandas, pyarrow, scipy, R and Octave."""
    folder, said = stack(
        keepstill, results, "--all", "--standard-errors", "--resamples", 4, "--as", "npy,tsv,parquet,mat"
    )
    children, measures = table(folder / "children.tsv"), ["pearson", "covariance"]
    for measure in measures:
        start = folder / name(measure, "_standard_errors")
        errors = np.load(f"{start}.npy")
        assert np.isfinite(errors).sum() > 1000 and np.isnan(errors).any()
        text = pandas.read_csv(f"{start}.tsv", sep="\t", na_values="n/a", index_col="stem")
        assert list(text.index) == list(children["stem"])
        assert list(text.columns) == list(table(folder / f"atlas-invented{PARCELS}_edges.tsv")["edge_name"])
        assert np.array_equal(text.to_numpy(np.float32), errors, equal_nan=True)
        frame = pandas.read_parquet(f"{start}.parquet")
        assert list(frame.columns) == ["stem", "standard_errors"] and list(frame["stem"]) == list(children["stem"])
        assert np.array_equal(np.stack(frame["standard_errors"]), errors, equal_nan=True)
        read = scipy.io.loadmat(f"{start}.mat")
        assert read["standard_errors"].dtype == np.float32 and "matrices" not in read and "edges" not in read
        assert np.array_equal(read["standard_errors"], errors, equal_nan=True)
        assert [str(cell[0]) for cell in read["stems"][:, 0]] == list(children["stem"])
        i, j = np.triu_indices(PARCELS, 1)
        assert np.array_equal(read["edge_parcels"], np.stack([i, j], 1) + 1)
        script, out = tmp_path / "read.m", tmp_path / "octave"
        script.write_text(f"""
        s = load('{start}.mat');
        assert(isa(s.standard_errors, 'single') && numel(s.stems) == {len(children)});
        out = fopen('{out}', 'w', 'ieee-le'); fwrite(out, s.standard_errors.', 'single'); fclose(out);
        """)
        done = subprocess.run(["octave-cli", "--norc", "--quiet", script], capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stderr
        assert np.array_equal(np.fromfile(out, "<f4").reshape(errors.shape), errors, equal_nan=True)
        script, out = tmp_path / "read.R", tmp_path / "r"
        script.write_text(f"""
        x <- read.delim('{start}.tsv', na.strings = 'n/a', check.names = FALSE)
        out <- file('{out}', 'wb')
        writeBin(as.vector(t(as.matrix(x[, -1]))), out, size = 4, endian = 'little')
        close(out)
        """)
        done = subprocess.run(["Rscript", "--vanilla", script], capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stderr
        # R parses decimals through doubles of its own.
        np.testing.assert_allclose(np.fromfile(out, "<f4").reshape(errors.shape), errors, rtol=1.3e-7, atol=0)
    told = json.loads((folder / "stack.json").read_text())["standard_errors"]
    assert told["block_s"] == 60 and told["resamples"] == 4
    for array in told["arrays"]:
        assert [file["format"] for file in array["files"]] == ["npy", "tsv", "parquet", "mat"]
        for file in array["files"]:
            assert (folder / file["file"]).is_file() and file["file"] in said


# ---- tests -----------------------------------------------------------------------------------------------------------

FORMULA = "z ~ age_months + sex * mean_fd_mm + site + factor(scanner)"
SAFE = {"Intercept": "intercept", "age_months": "age_months", "sex[T.M]": "sexM", "mean_fd_mm": "mean_fd_mm",
        "site[T.harbour]": "siteharbour", "site[T.mill]": "sitemill", "factor(scanner)[T.2]": "factor_scanner_2",
        "sex[T.M]:mean_fd_mm": "sexM_x_mean_fd_mm"}


@pytest.fixture(scope="module")
def tested(keepstill, results):
    folder, said = stack(
        keepstill, results, "--all", "--fisher-z", "--test", FORMULA, "--permutations", 300, "--permute", "age_months",
        "--permute", "sex:mean_fd_mm", "--seed", 11,
    )
    return folder, said


def against_statsmodels(folder, ending, design, safe, z, untested=("intercept",)):
    """Every edge of a table against ordinary least squares on the children who have it, without the columns that depend
    on others there. Returns how many edges had all coefficients, some, and none; and on how many each coefficient was
    tested."""
    found = table(folder / ending)
    assert list(found["edge"]) == list(range(z.shape[1]))
    edges, tested = [0, 0, 0], dict.fromkeys(safe, 0)
    for edge in range(z.shape[1]):
        present = np.isfinite(z[:, edge])
        x, y, row = design[present], z[present, edge], found.iloc[edge]
        kept, free = formulas.independent(x)
        assert row["children"] == len(y)
        # Fewer than half of the children: not tested.
        if len(y) <= len(kept) or 2 * len(y) < len(design):
            assert row["dof"] == 0 and row[5:].drop("site_f_dof", errors="ignore").isna().all()
            edges[2] += 1
            continue
        fit = OLS(y, x[:, kept]).fit()
        assert row["dof"] == fit.df_resid
        edges[0 if all(free) else 1] += 1
        for j, ours in enumerate(safe):
            of = ["estimate", "se"] + ([] if ours in untested else ["t", "p"])
            got = row[[f"{ours}_{what}" for what in of]].to_numpy(float)
            if free[j]:
                at = kept.index(j)
                expected = [fit.params[at], fit.bse[at], fit.tvalues[at], fit.pvalues[at]][: len(of)]
                # Tables hold 32-bit numbers.
                np.testing.assert_allclose(
                    got, expected, rtol=2e-6, atol=1e-7 * np.abs(expected[1]), err_msg=f"{edge} {ours}"
                )
                tested[ours] += 1
            else:
                assert np.isnan(got).all(), (edge, ours)
    return edges, tested


@pytest.mark.parametrize("measure", CORRELATIONS)
def test_edges_against_statsmodels(tested, measure):
    folder, _ = tested
    children = table(folder / "children.tsv")
    z = np.load(folder / name(measure, "Z_edges.npy")).astype(float)
    have = children["site"].notna().to_numpy()
    design = smf.ols(FORMULA, data=children[have].assign(z=0.0)).exog
    names = smf.ols(FORMULA, data=children[have].assign(z=0.0)).exog_names
    edges, counts = against_statsmodels(folder, name(measure, "_test.tsv"), design, [SAFE[n] for n in names], z[have])
    assert sum(edges) == z.shape[1] and edges[0] > z.shape[1] / 2
    fewer = np.isnan(z[have]).any(0)
    assert fewer.any(), "the cohort has parcels outside the field of view"
    told = next(a for a in json.loads((folder / "test.json").read_text())["arrays"] if a["measure"] == measure)
    assert [told["edges_in_part"], told["edges_not_available"]] == edges[1:]
    in_names = {c["name"]: c["in_names"] for c in json.loads((folder / "test.json").read_text())["coefficients"]}
    assert {in_names[c["name"]]: c["edges_tested"] for c in told["coefficients"]} == {
        ours: count for ours, count in counts.items() if ours != "intercept"}
    found = table(folder / name(measure, "_test.tsv"))
    assert "intercept_t" not in found.columns and "site_p_familywise" not in found.columns
    # Where every child has the edge, statsmodels' own reading of the formula.
    for edge in np.flatnonzero(~fewer)[::17]:
        fit = smf.ols(FORMULA, data=children.assign(z=z[:, edge]), missing="drop").fit()
        for theirs, ours in SAFE.items():
            row = found.iloc[edge]
            expected = [fit.params[theirs], fit.bse[theirs]]
            np.testing.assert_allclose([row[f"{ours}_estimate"], row[f"{ours}_se"]], expected, rtol=2e-6, atol=1e-9)


@pytest.mark.parametrize("lack", [["harbour"], ["abbey"], ["abbey", "mill"]], ids="-".join)
def test_sites_that_lack_parcels(keepstill, results, tmp_path, lack):
    """No child of a site has the first three parcels: its coefficient is lost on their edges, the reference's with all
    against it; nothing else is."""
    copy = tmp_path / "results"
    shutil.copytree(results, copy)
    cohort = table(copy / "cohort.tsv").set_index("participant_id")
    for path in copy.glob("sub-*/func/*desc-*_matrix.tsv"):
        if cohort.loc[path.parts[-3], "site"] in lack:
            matrix = pandas.read_csv(path, sep="\t", index_col=0, dtype=str, keep_default_na=False)
            matrix.iloc[:3, :] = matrix.iloc[:, :3] = "n/a"
            matrix.to_csv(path, sep="\t")
    formula = "z ~ age_months + site + mean_fd_mm"
    folder, _ = stack(keepstill, copy, "--all", "--fisher-z", "--test", formula)
    children = table(folder / "children.tsv")
    z = np.load(folder / name("pearson", "Z_edges.npy")).astype(float)
    have = children["site"].notna().to_numpy()
    model = smf.ols(formula, data=children[have].assign(z=0.0))
    safe = [SAFE[name] for name in model.exog_names]
    edges, counts = against_statsmodels(folder, name("pearson", "_test.tsv"), model.exog, safe, z[have])
    # Of three parcels: with each other, and with the 17 others.
    lost = 3 + 3 * (PARCELS - 3)
    told = json.loads((folder / "test.json").read_text())
    array = next(a for a in told["arrays"] if a["measure"] == "pearson")
    if lack == ["abbey", "mill"]:
        # The edges are left to fewer than half of the children.
        assert edges[1] == 0 and 0 < edges[2] == array["edges_not_available"] <= lost
        assert set(counts.values()) == {edges[0]}
        assert any("fewer than" in note for note in told["notes"]), told["notes"]
        return
    assert 0 < edges[1] <= lost and edges[0] > 0
    all_of = {"harbour": ["siteharbour"], "abbey": ["siteharbour", "sitemill", "intercept"]}[lack[0]]
    for coefficient, count in counts.items():
        assert count == edges[0] + edges[1] * (coefficient not in all_of), coefficient
    assert array["edges_in_part"] == edges[1]
    assert any(f"on {edges[1]} of {z.shape[1]} edges" in note for note in told["notes"])
    # q is over the edges that have the coefficient.
    found = table(folder / name("pearson", "_test.tsv"))
    p = found["siteharbour_p"].dropna()
    np.testing.assert_allclose(found["siteharbour_q"].dropna(), scipy.stats.false_discovery_control(p), rtol=1e-5)
    assert len(p) == edges[0]


def test_edges_against_r(tested, tmp_path):
    """lm and p.adjust on the same files."""
    folder, _ = tested
    assert shutil.which("Rscript"), "tests/run installs r-base-core"
    measure = "pearson"
    np.savetxt(tmp_path / "z.csv", np.load(folder / name(measure, "Z_edges.npy")).astype(float), delimiter=",")
    script = """
    arguments <- commandArgs(TRUE)
    children <- read.delim(arguments[1], na.strings = "n/a")
    z <- as.matrix(read.csv(arguments[2], header = FALSE))
    rows <- list()
    for (edge in seq_len(ncol(z))) {
      children$z <- z[, edge]
      fit <- summary(lm(z ~ age_months + sex * mean_fd_mm + site + factor(scanner), children))$coefficients
      rows[[edge]] <- data.frame(edge = edge - 1, name = rownames(fit), fit)
    }
    all <- do.call(rbind, rows)
    names(all)[3:6] <- c("estimate", "se", "t", "p")
    all$q <- ave(all$p, all$name, FUN = function(p) p.adjust(p, "BH"))
    options(digits = 15)
    write.csv(all, arguments[3], row.names = FALSE)
    """
    (tmp_path / "lm.R").write_text(script)
    out = tmp_path / "lm.csv"
    done = subprocess.run(["Rscript", "--vanilla", tmp_path / "lm.R", folder / "children.tsv", tmp_path / "z.csv", out],
                          capture_output=True, text=True, timeout=300, env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"})
    assert done.returncode == 0, done.stderr
    theirs = pandas.read_csv(out)
    found = table(folder / name(measure, "_test.tsv"))
    names = {"(Intercept)": "intercept", "factor(scanner)2": "factor_scanner_2", "sexM:mean_fd_mm": "sexM_x_mean_fd_mm"}
    seen = set()
    for coefficient, rows in theirs.groupby("name"):
        ours = names.get(coefficient, coefficient)
        seen.add(ours)
        rows = rows.set_index("edge").reindex(found["edge"])
        for what in ["estimate", "se"] + ([] if ours == "intercept" else ["t", "p", "q"]):
            np.testing.assert_allclose(
                found[f"{ours}_{what}"], rows[what], rtol=3e-6, atol=1e-7, err_msg=f"{ours} {what}"
            )
    assert seen == set(SAFE.values())


def test_family_wise_p_against_numpy(tested, group):  # noqa: F811
    """What is left of the column is permuted among those who have an edge, and every edge fitted anew, under the same
    permutations."""
    folder, _ = tested
    about = json.loads((folder / "test.json").read_text())
    children = table(folder / "children.tsv").dropna(subset=["site"])
    count = about["permutations"]
    drawn = np.array(group("permutations", children=len(children), count=count, seed=about["seed"])["permutations"])
    male = (children["sex"] == "M").to_numpy(float)
    fd = children["mean_fd_mm"].to_numpy(float)
    design = np.column_stack(
        [
            np.ones(len(children)), children["age_months"], male, fd, children["site"] == "harbour",
            children["site"] == "mill", children["scanner"].astype(str) == "2", male * fd,
        ]
    ).astype(float)
    data = np.load(folder / name("pearson", "Z_edges.npy")).astype(float)[children.index]
    there = ~np.isnan(data)
    enough = there.sum(0) >= -(-len(data) // 2)
    assert (there.all(0).sum() > 0) and (enough & ~there.all(0)).sum() > 0

    def t_of(design, y):
        """t of the last column."""
        inverse = np.linalg.pinv(design.T @ design)
        beta = inverse @ design.T @ y
        left = y - design @ beta
        return beta[-1] / np.sqrt((left**2).sum() / (len(y) - np.linalg.matrix_rank(design)) * inverse[-1, -1])

    def test_edge(nuisance, column, here, y):
        """|t| of the data and of each permutation, as rare as with the degrees of freedom of all; and own t."""
        z = nuisance[here]
        left = column[here] - z @ np.linalg.lstsq(z, column[here], rcond=None)[0]
        both = np.column_stack([z, left])
        if np.abs(left).max() < 1e-9:
            return None
        dof, whole = len(y) - np.linalg.matrix_rank(both), len(data) - design.shape[1]
        # Child p[i] gets the value of place i.
        permuted = [t_of(np.column_stack([z, left[np.argsort(formulas.among(p, here))]]), y) for p in drawn]
        own = t_of(both, y)
        return formulas.as_rare(own, dof, whole), formulas.as_rare(np.array(permuted), dof, whole), own

    found = table(folder / name("pearson", "_test.tsv"))
    for tested_column, ours in [(1, "age_months"), (7, "sexM_x_mean_fd_mm")]:
        nuisance, column = np.delete(design, tested_column, axis=1), design[:, tested_column]
        own, maxima = np.full(data.shape[1], np.nan), np.zeros(count)
        for edge in np.flatnonzero(enough):
            here = there[:, edge]
            done = test_edge(nuisance, column, here, data[here, edge])
            if done is None:
                continue
            own[edge] = done[0]
            maxima = np.maximum(maxima, done[1])
            np.testing.assert_allclose(found[f"{ours}_t"][edge], done[2], rtol=3e-6, atol=1e-6)
        family = ~np.isnan(own)
        expected = (1 + (maxima[:, None] >= own[family] * (1 - 1e-9)).sum(0)) / (1 + count)
        got = found[f"{ours}_p_familywise"].to_numpy()
        assert np.isnan(got[~family]).all() and family.sum() > there.all(0).sum()
        np.testing.assert_allclose(got[family], expected, rtol=1e-6)
        assert len(set(expected)) > 5
        for what, values in [("t", found[f"{ours}_t"]), ("p_familywise", got)]:
            start = folder / name("pearson", f"_coefficient-{ours}_{what}")
            matrix = np.load(f"{start}.npy")
            assert np.array_equal(matrix, matrix.T, equal_nan=True) and np.isnan(np.diag(matrix)).all()
            np.testing.assert_allclose(upper(matrix), values, rtol=1e-6)
            text = pandas.read_csv(f"{start}.tsv", sep="\t", index_col=0, na_values="n/a")
            assert list(text.index) == list(text.columns)
            np.testing.assert_allclose(text.to_numpy(), matrix, rtol=1e-6)
    q = np.load(folder / name("pearson", "_coefficient-siteharbour_q.npy"))
    np.testing.assert_allclose(upper(q), found["siteharbour_q"], rtol=1e-6)


def test_json_of_a_test(tested, results):
    folder, said = tested
    about = json.loads((folder / "test.json").read_text())
    children = table(folder / "children.tsv")
    assert (
        about["formula"] == FORMULA and about["children"] == len(children) - 1 and about["dof"] == len(children) - 1 - 8
    )
    assert [c["in_names"] for c in about["coefficients"]] == list(
        dict.fromkeys(
            [
                "intercept", "age_months", "sexM", "mean_fd_mm", "siteharbour", "sitemill", "factor_scanner_2",
                "sexM_x_mean_fd_mm",
            ]
        )
    )
    assert about["left_out"] == [{"stem": "sub-07", "empty": ["site"]}]
    assert {f["column"]: f["reference"] for f in about["factors"]} == {"sex": "F", "site": "abbey", "scanner": "1"}
    assert about["caution"] and (about["permutations"], about["seed"]) == (300, 11)
    told = json.loads((folder / "stack.json").read_text())
    assert told["test"] == about and any("not in the test" in note for note in told["notes"])
    files = {
        file
        for array in about["arrays"]
        for c in array["coefficients"]
        for file in c["t"] + c.get("p_familywise", c.get("q"))
    }
    files |= {array["table"] for array in about["arrays"]}
    assert files <= {path.name for path in folder.iterdir()}
    assert {array["measure"] for array in about["arrays"]} == set(CORRELATIONS)
    assert 'covariance is not a correlation and is not tested; test it with "covariance ~ …"' in told["notes"]


@pytest.mark.parametrize("response, measure", [("r", "spearman"), ("covariance", "covariance")])
def test_values_as_stacked_instead_of_z(keepstill, results, response, measure):
    """`r ~` and `covariance ~` explain what is stacked without --fisher-z; on equal minutes the files of these."""
    folder, _ = stack(keepstill, results, "--all", "--equal-minutes", MINUTES, "--test", f"{response} ~ age_months")
    children = table(folder / "children.tsv")
    r = np.load(folder / name(measure, f"Equal{MINUTES}_edges.npy")).astype(float)
    found = table(folder / name(measure, f"Equal{MINUTES}_test.tsv"))
    tested = {array["measure"] for array in json.loads((folder / "test.json").read_text())["arrays"]}
    assert tested == (set(CORRELATIONS) if response == "r" else {"covariance"})
    for edge in range(r.shape[1]):
        present = np.isfinite(r[:, edge])
        fit = scipy.stats.linregress(children["age_months"][present], r[present, edge])
        row = found.iloc[edge]
        np.testing.assert_allclose(
            [row["age_months_estimate"], row["age_months_p"]], [fit.slope, fit.pvalue], rtol=1e-5, atol=1e-9
        )


def test_copies_up_to_the_rounding_of_tables_are_refused(keepstill, results):
    """Minutes are frames times TR; keepstill's own table has both, as text."""
    said = keepstill("stack", results, "--all", "--test", "z ~ mean_fd_mm + frames_kept + minutes_kept", code=1).stderr
    assert "minutes_kept follows from its columns frames_kept but for the rounding" in said
    said = keepstill("stack", results, "--all", "--test", "z ~ mean_fd_mm + tr_s", code=1).stderr
    assert "the model's column tr_s is 2 for every child in the test" in said


def test_without_an_intercept_nothing_is_permuted(keepstill, results):
    """And nothing is written: the stack before stays."""
    before = {path: path.stat().st_mtime_ns for path in (results / "stack").iterdir()}
    ask = lambda *more: keepstill("stack", results, "--all", "--test", *more, code=1).stderr
    assert "has neither an intercept" in ask("z ~ age_months - 1", "--permutations", 99)
    said = ask("z ~ arm + age_months - 1", "--permutations", 99)
    assert (
        "without its column arma the model has neither an intercept" in said
        and 'can be permuted: --permute "age_months"' in said
    )
    assert "are too many: 10000000" in ask("z ~ age_months", "--permutations", 4294967295)
    assert before == {path: path.stat().st_mtime_ns for path in (results / "stack").iterdir()}
    folder, _ = stack(
        keepstill, results, "--all", "--test", "z ~ arm + age_months - 1", "--permutations", 99, "--permute",
        "age_months",
    )
    with_intercept = table(folder / name("pearson", "_test.tsv"))
    folder, _ = stack(
        keepstill, results, "--all", "--test", "z ~ arm + age_months", "--permutations", 99, "--permute", "age_months"
    )
    same = table(folder / name("pearson", "_test.tsv"))
    np.testing.assert_allclose(with_intercept["age_months_p_familywise"], same["age_months_p_familywise"])
