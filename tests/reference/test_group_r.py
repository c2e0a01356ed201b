"""R (Debian's r-base-core) as outside reference: model.matrix, lm and p.adjust on the same table."""

import csv

import numpy as np
import pytest

from group_program import array, close, group, r  # noqa: F401


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """An invented cohort with factors, an odd name, and missing cells; and three edges."""
    folder = tmp_path_factory.mktemp("r")
    rng = np.random.default_rng(8)
    n = 60
    columns = {
        "age": rng.uniform(5, 16, n).round(2),
        "sex": rng.choice(["M", "F"], n),
        "site": rng.choice(["harbour", "mill", "abbey"], n),
        "scanner": rng.choice([1, 2, 10], n),
        "mean_fd_mm": rng.gamma(2, 0.08, n).round(4),
        "minutes kept": rng.uniform(5, 12, n).round(1),
    }
    cells = {name: [str(v) for v in values] for name, values in columns.items()}
    cells["age"][3] = cells["sex"][10] = cells["mean_fd_mm"][11] = ""
    z = rng.normal(0.3, 0.2, (n, 3)) + 0.02 * columns["age"][:, None]
    with open(folder / "table.csv", "w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*cells, "z1", "z2", "z3"])
        writer.writerows(zip(*cells.values(), *z.T.tolist()))
    return folder, cells, z


READ = 'd <- read.csv("table.csv", check.names = FALSE, na.strings = "")\n'

FORMULAS = [
    "age + sex + mean_fd_mm",
    "1",
    "age",
    "sex",
    "age - 1",
    "sex - 1",
    "0 + age + sex + site",
    "site + sex",
    "factor(scanner) + age",
    "scanner + `minutes kept`",
    "age*sex",
    "sex*site",
    "0 + sex*site",
    "mean_fd_mm + sex*age*site",
    "age*mean_fd_mm + site",
    "site:sex + sex + site",
    "age + age + sex:age + sex",
]


@pytest.mark.parametrize("terms", FORMULAS)
def test_lm(group, table, terms):
    folder, cells, z = table
    got = group("design", formula=f"z ~ {terms}", table=cells)
    script = READ + f"""
    for (name in c("z1", "z2", "z3")) {{
        fit <- lm(as.formula(paste(name, "~", "{terms}")), data = d)
        s <- summary(fit)
        write.csv(data.frame(rownames(s$coefficients), s$coefficients, s$df[2], s$sigma), quote = TRUE)
    }}
    m <- model.matrix(fit)
    cat(paste0(rownames(m), collapse = ","), "\\n", sep = "")
    """
    lines = r(script, folder)
    rows = [int(v) - 1 for v in lines.pop()]
    assert got["rows"] == rows
    tests = group("edge_tests", design=array(got["matrix"]), data=z[rows], names=got["names"])
    blocks = [line for line in lines if line[0] != ""]
    count = len(got["names"])
    assert len(blocks) == 3 * count
    for edge in range(3):
        own = blocks[edge * count : (edge + 1) * count]
        names = [row[1].replace("`", "") for row in own]
        assert got["names"] == names
        numbers = np.array([[float(v) for v in row[2:]] for row in own])
        for key, column in (("coefficients", 0), ("se", 1), ("t", 2), ("p", 3)):
            close(array(tests[key])[:, edge], numbers[:, column], rtol=1e-8)
        assert tests["dof"][edge] == numbers[0, 4]
        close(tests["sd"][edge], numbers[0, 5], rtol=1e-10)


def test_p_adjust(group, tmp_path):
    rng = np.random.default_rng(9)
    p = np.round(rng.beta(0.4, 3, 400), 4)
    p[[5, 77]] = np.nan
    text = ", ".join("NA" if np.isnan(v) else repr(float(v)) for v in p)
    (row,) = r(f'cat(sprintf("%.17g", p.adjust(c({text}), method = "BH")), sep = ",")', tmp_path)
    close(group("benjamini_hochberg", p=p)["q"], [np.nan if v == "NA" else float(v) for v in row])


def test_texts_of_one_number_and_words_for_no_value(group, tmp_path):
    """R reads 1, 1.0 and 01 as one number, so that factor() has one level of them; what has no value is NA."""
    rng = np.random.default_rng(15)
    code = ["1", "1.0", "2", "10", "01", "2.0", "10", "N/A", "NaN", "na", "", "n/a", "1", "2"]
    site = ["b", "a", "NA", "b", "a", "a", "b", "a", "b", "a", "b", "a", "N/a", "nap"]
    with open(tmp_path / "table.csv", "w", newline="") as file:
        csv.writer(file).writerows([["code", "site"], *zip(code, site)])
    script = """
    d <- read.csv("table.csv", na.strings = c("", "N/A", "NaN", "na", "n/a", "NA", "N/a"))
    m <- model.matrix(~ factor(code) + site, d)
    write.csv(m, quote = FALSE)
    """
    header, *lines = r(script, tmp_path)
    got = group("design", formula="z ~ factor(code) + site", table={"code": code, "site": site})
    assert got["names"] == [name for name in header[1:]]
    assert got["rows"] == [int(line[0]) - 1 for line in lines] and len(lines) == 7
    close(got["matrix"], [line[1:] for line in lines])


def test_lm_where_children_lack_edges(group, table):
    """lm on all levels with columns that depend on others set aside: what none of these needs is determined."""
    folder, cells, z = table
    formula = "age + sex*site + factor(scanner)"
    got = group("design", formula=f"z ~ {formula}", table=cells)
    rows = np.array(got["rows"])
    site, sex = np.array(cells["site"])[rows], np.array(cells["sex"])[rows]
    y = np.repeat(z[rows, :1], 6, axis=1)
    for edge, lack in enumerate([site == "abbey", site == "mill", sex == "F", (site == "harbour") & (sex == "M"),
                                 (site == "abbey") & (sex == "F"), site != "mill"]):
        y[lack, edge] = np.nan
    np.savetxt(folder / "design.csv", array(got["matrix"]), delimiter=",")
    np.savetxt(folder / "y.csv", y, delimiter=",")
    script = """
    x <- as.matrix(read.csv("design.csv", header = FALSE))
    y <- as.matrix(read.csv("y.csv", header = FALSE))
    for (edge in seq_len(ncol(y))) {
      keep <- !is.na(y[, edge])
      own <- data.frame(y = y[keep, edge], x[keep, ])
      fit <- lm(y ~ . - 1, own)
      s <- summary(fit)
      aside <- is.na(coef(fit))
      needed <- qr.coef(qr(x[keep, !aside]), x[keep, aside, drop = FALSE])
      free <- colnames(x)[!aside][rowSums(abs(needed)) < 1e-9]
      for (name in free) cat(edge - 1, sub("V", "", name), sprintf("%.15g", s$coefficients[name, ]),
                             fit$df.residual, "\n", sep = ",")
    }
    """
    lines = [[float(v) for v in line if v.strip()] for line in r(script, folder)]
    tests = group("edge_tests", design=array(got["matrix"]), data=y, names=got["names"])
    seen = np.zeros(array(tests["p"]).shape, bool)
    for edge, column, estimate, se, t, p, dof in lines:
        edge, column = int(edge), int(column) - 1
        seen[column, edge] = True
        for key, value in (("coefficients", estimate), ("se", se), ("t", t), ("p", p)):
            close(array(tests[key])[column, edge], value, rtol=1e-8)
        assert tests["dof"][edge] == dof
    assert np.array_equal(np.isfinite(array(tests["p"])), seen)
    assert 10 < seen.sum() < seen.size


def test_lm_sets_aside_what_is_refused_here(group, tmp_path):
    """Frames, and minutes as text of 32-bit numbers: a coefficient of NA for lm, a refusal by name here."""
    rng = np.random.default_rng(16)
    frames = rng.integers(180, 420, 50)
    table = {"fd": [str(np.float32(v)) for v in rng.gamma(2, 0.08, 50)], "frames": [str(v) for v in frames],
             "minutes": [str(np.float32(v * 0.8 / 60)) for v in frames]}
    with open(tmp_path / "table.csv", "w", newline="") as file:
        csv.writer(file).writerows([[*table, "z"], *zip(*table.values(), rng.normal(size=50).tolist())])
    script = 'd <- read.csv("table.csv"); cat(names(which(is.na(coef(lm(z ~ fd + frames + minutes, d))))))'
    assert r(script, tmp_path) == [["minutes"]]
    design = group("design", formula="z ~ fd + frames + minutes", table=table)
    said = group(
        "edge_tests", code=1, design=array(design["matrix"]), data=rng.normal(size=(50, 2)), names=design["names"]
    )
    assert "the model's column minutes follows from its columns frames" in said
