"""Published values: NIST StRD, Anscombe 1973, Fisher's z, WHO head circumference.

The regression sets with their certified values are read from Debian's gretl-data as NIST wrote them. The univariate
sets come without certified values (crate statrs), so those stand below *from memory* of the NIST StRD pages and are
proved here against exact rational arithmetic on the decimal data before they are used.
"""

import math
import pathlib
import re
from fractions import Fraction

import numpy as np
import pytest

GRETL = pathlib.Path("/usr/share/gretl/data/nist")
NUMBER = r"[-+]?\d+\.?\d*(?:E[-+]?\d+)?"

# Agreement with the certified coefficients, relative to the largest term a coefficient makes in the fit. Rounding of
# the input to doubles and the condition of the scaled columns (Filip: 5e9) set these, at some 30 to 100 times what
# numpy's SVD reaches; the residual SD is held tighter.
REGRESSIONS = {
    "Norris": 1e-12,
    "Pontius": 1e-11,
    "Longley": 1e-11,
    "Wampler1": 1e-11,
    "Wampler2": 1e-11,
    "Wampler3": 1e-11,
    "Wampler4": 1e-9,
    "Wampler5": 1e-7,
    "Filip": 1e-6,
    "NoInt1": 1e-12,
    "NoInt2": 1e-12,
}


def dataset(name):
    """(y, predictors as text, certified coefficients, certified residual SD) from NIST's file."""
    lines = (GRETL / f"{name}.dat").read_text().splitlines()
    certified = [
        float(re.match(rf"\s*B\d+\s+({NUMBER})", l)[1]) for l in lines[:60] if re.match(rf"\s*B\d+\s+{NUMBER}", l)
    ]
    sd = next(
        float(re.search(rf"Deviation\s+({NUMBER})", l)[1])
        for l in lines
        if re.search(rf"^\s*(Standard )?Deviation\s+{NUMBER}", l)
    )
    rows = [l.split() for l in lines[60:] if l.strip()]
    return [r[0] for r in rows], [r[1:] for r in rows], certified, sd


def design(name, predictors, number):
    """The model's columns, intercept first where there is one; `number` turns text into a number."""
    rows = [[number(x) for x in row] for row in predictors]
    if name.startswith("NoInt") or name == "Longley":
        columns = rows
    else:
        degree = {"Norris": 1, "Pontius": 2, "Filip": 10}.get(name, 5)
        columns = [[row[0] ** power for power in range(1, degree + 1)] for row in rows]
    return columns if name.startswith("NoInt") else [[number("1")] + c for c in columns]


def exact_least_squares(a, y):
    """Normal equations in exact rational arithmetic: no rounding, so no loss."""
    n = len(a[0])
    m = [[sum(r[i] * r[j] for r in a) for j in range(n)] + [sum(r[i] * v for r, v in zip(a, y))] for i in range(n)]
    for i in range(n):
        pivot = next(k for k in range(i, n) if m[k][i] != 0)
        m[i], m[pivot] = m[pivot], m[i]
        m[i] = [v / m[i][i] for v in m[i]]
        for k in range(n):
            if k != i and m[k][i] != 0:
                m[k] = [v - m[k][i] * w for v, w in zip(m[k], m[i])]
    return [row[n] for row in m]


@pytest.mark.parametrize("name", REGRESSIONS)
def test_certified_regression_is_what_exact_arithmetic_gives(name):
    y, predictors, certified, sd = dataset(name)
    a = design(name, predictors, Fraction)
    y = [Fraction(v) for v in y]
    exact = exact_least_squares(a, y)
    assert len(certified) == len(exact)
    assert [float(v) for v in exact] == pytest.approx(certified, rel=1e-13, abs=1e-13)
    residual = sum((v - sum(c * x for c, x in zip(exact, r))) ** 2 for r, v in zip(a, y))
    assert math.sqrt(residual / (len(y) - len(exact))) == pytest.approx(sd, rel=1e-13, abs=1e-13)


@pytest.mark.parametrize("name, tolerance", REGRESSIONS.items())
def test_nist_regression(stages, name, tolerance):
    y, predictors, certified, sd = dataset(name)
    a = np.array(design(name, predictors, float))
    intercept = not name.startswith("NoInt")
    y = np.array([float(v) for v in y])
    got = stages("regress", data=y[:, None], design=a[:, 1:] if intercept else a, intercept=intercept)
    assert got["rank"] == a.shape[1]
    size = np.linalg.norm(a, axis=0)
    error = np.abs(np.array(got["coefficients"])[:, 0] - certified) * size
    assert (error / (size * np.abs(certified)).max()).max() < tolerance
    residual_sd = np.linalg.norm(np.array(got["residuals"])[:, 0]) / math.sqrt(len(y) - a.shape[1])
    assert residual_sd == pytest.approx(sd, rel=1e-7 if name == "Filip" else 1e-9, abs=1e-13 * np.abs(y).max())


# NIST StRD, univariate summary statistics: mean, standard deviation, lag-1 autocorrelation; from memory, proved below.
UNIVARIATE = {
    "lew": (-177.435000000000, 277.332168044316, -0.307304800605679),
    "lottery": (518.958715596330, 291.699727470969, -0.120948622967393),
    "mavro": (2.00185600000000, 0.000429123454003053, 0.937989183438248),
    "michaelso": (299.852400000000, 0.0790105478190518, 0.535199668621283),
    "numacc1": (10000002, 1, -0.5),
    "numacc2": (1.2, 0.1, -0.999),
    "numacc3": (1000000.2, 0.1, -0.999),
    "numacc4": (10000000.2, 0.1, -0.999),
}


def univariate(data, name, number):
    return [number(v) for v in (data / "nist-univariate" / f"{name}.txt").read_text().split()]


@pytest.mark.parametrize("name", UNIVARIATE)
def test_certified_moments_are_what_exact_arithmetic_gives(data, name):
    x = univariate(data, name, Fraction)
    mean = sum(x) / len(x)
    d = [v - mean for v in x]
    square = sum(v * v for v in d)
    lag1 = sum(a * b for a, b in zip(d, d[1:])) / square
    got = (float(mean), math.sqrt(square / (len(x) - 1)), float(lag1))
    assert got == pytest.approx(UNIVARIATE[name], rel=1e-14)


@pytest.mark.parametrize("name", UNIVARIATE)
def test_nist_moments(stages, data, name):
    x = univariate(data, name, float)
    got = stages("summary", x=x)
    mean, sd, lag1 = UNIVARIATE[name]
    assert got["mean"] == pytest.approx(mean, rel=1e-14)
    # Reading 10000000.2 into a double already moves it by 1e-9 of the SD of 0.1 per unit in the last place.
    spoiled = 1e-15 * max(abs(v) for v in x) / sd
    assert got["sd"] == pytest.approx(sd, rel=1e-12 + 10 * spoiled)
    assert got["lag1"] == pytest.approx(lag1, rel=1e-12 + 10 * spoiled)


# Anscombe 1973, The American Statistician 27:17; the x of the first three sets is shared. r = 0.816 in all four.
ANSCOMBE_X = [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
ANSCOMBE = [
    (ANSCOMBE_X, [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]),
    (ANSCOMBE_X, [9.14, 8.14, 8.74, 8.77, 9.26, 8.10, 6.13, 3.10, 9.13, 7.26, 4.74]),
    (ANSCOMBE_X, [7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73]),
    ([8, 8, 8, 8, 8, 8, 8, 19, 8, 8, 8], [6.58, 5.76, 7.71, 8.84, 8.47, 7.04, 5.25, 12.50, 5.56, 7.91, 6.89]),
]


@pytest.mark.parametrize("x, y", ANSCOMBE)
def test_anscombe(stages, x, y):
    matrix = stages("connectivity", data=np.column_stack([x, y]), measure="pearson")["matrix"]
    # r = 0.816 and y = 3.00 + 0.500 x in all four sets, as printed.
    assert matrix[0][1] == pytest.approx(0.8165, abs=6e-4)
    assert matrix[0][0] == matrix[1][1] == 1
    line = stages("regress", data=[[v] for v in y], design=[[v] for v in x], intercept=True)["coefficients"]
    assert [line[0][0], line[1][0]] == pytest.approx([3.00, 0.500], abs=5e-3)


# Fisher's z to four places, as printed in common tables of the transformation (values from memory; each is
# ½ ln((1 + r)/(1 − r)), Fisher 1915).
FISHER = {0.0: 0.0, 0.1: 0.1003, 0.2: 0.2027, 0.3: 0.3095, 0.4: 0.4236, 0.5: 0.5493, 0.6: 0.6931, 0.7: 0.8673,
          0.8: 1.0986, 0.9: 1.4722, 0.95: 1.8318, 0.99: 2.6467}


def test_fisher_table(stages):
    assert stages("fisher_z", r=list(FISHER))["z"] == pytest.approx(list(FISHER.values()), abs=5.1e-5)
    limit = stages("fisher_z", r=[1.0, -1.0])["z"]
    assert limit == pytest.approx([8.4056, -8.4056], abs=1e-3)


# WHO Child Growth Standards 2007, medians in cm (docs/methods.md), at ages that are table rows.
@pytest.mark.parametrize("age, male, female", [(0, 34.46, 33.88), (6, 43.33, 42.20), (12, 46.07, 44.90),
                                               (24, 48.25, 47.18), (60, 50.74, 49.92), (216, 55.1, 53.6)])
def test_who_medians(stages, age, male, female):
    assert stages("sphere_radius", age_months=age, sex="male")["radius_mm"] == pytest.approx(
        50 * male / 55.1, rel=1e-12
    )
    assert stages("sphere_radius", age_months=age, sex="female")["radius_mm"] == pytest.approx(
        50 * female / 53.6, rel=1e-12
    )
