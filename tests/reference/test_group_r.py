"""R (Debian's r-base-core) as outside reference: model.matrix, lm and p.adjust on the same table."""

import csv
import io
import shutil
import subprocess

import numpy as np
import pytest

from group_program import array, close, group  # noqa: F401


def r(script, folder):
    """Run R; each line that it prints is a row of comma-separated cells."""
    assert shutil.which("Rscript"), "tests/run installs r-base-core"
    file = folder / "script.R"
    file.write_text(script)
    done = subprocess.run(
        ["Rscript", "--vanilla", str(file)], capture_output=True, text=True, timeout=120, cwd=folder,
        env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"},
    )
    assert done.returncode == 0, done.stderr
    return list(csv.reader(io.StringIO(done.stdout)))


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
    "C(scanner) + age",
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
    # R has no C(x) for "take as a factor" without contrasts, so factor() stands for it.
    script = READ + f"""
    for (name in c("z1", "z2", "z3")) {{
        fit <- lm(as.formula(paste(name, "~", "{terms.replace('C(', 'factor(')}")), data = d)
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
        names = [row[1].replace("`", "").replace("factor(", "C(") for row in own]
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
