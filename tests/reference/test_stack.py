"""`keepstill stack`: every file format by its own world's reader (numpy, pandas, pyarrow, scipy, Octave, R with readr),
held against the children's own matrices as their tables have them. R's arrow is in neither Debian nor the languages'
lists here; Parquet is read by pyarrow and pandas."""

import json
import math
import shutil
import subprocess

import numpy as np
import pandas
import pyarrow.parquet
import pytest
import scipy.io

import cohorts

KINDS = [("tern18", 20), ("spots", 7)]
MEASURES = ["pearson", "spearman", "partial", "covariance"]
CORRELATIONS = {"pearson", "spearman", "partial"}


def table(path):
    return pandas.read_csv(path, sep="\t", dtype=str, keep_default_na=False)


def numbers(path):
    """A child's matrix or the wide table, as 32-bit floats; names of rows and columns."""
    frame = pandas.read_csv(path, sep="\t", index_col=0, na_values="n/a", keep_default_na=False)
    return frame.to_numpy("f4"), list(frame.index), list(frame.columns)


@pytest.fixture(scope="module")
def results(keepstill, tmp_path_factory):
    """The mixed cohort, little asked of each child; one still has no run with degrees of freedom."""
    mixed = cohorts.mixed_cohort(tmp_path_factory.mktemp("stack") / "data")
    study, results = cohorts.mixed_study(mixed, "stack", minutes="0.5", dof="0", coverage="0.0")
    keepstill("run", study)
    return results


class Stack:
    """A stack with what it should hold, worked out from the children's own files."""

    def __init__(self, results, atlas, measure, z=False):
        self.folder = results / "stack"
        self.start = str(self.folder / f"atlas-{atlas}_desc-{measure}{'Z' if z else ''}")
        self.stems = list(table(self.folder / "children.tsv")["stem"])
        self.matrices = []
        for stem in self.stems:
            session = next((part for part in stem.split("_") if part.startswith("ses-")), "")
            place = results / stem.split("_")[0] / session / "func"
            values, rows, columns = numbers(place / f"{stem}_atlas-{atlas}_desc-{measure}_matrix.tsv")
            assert rows == columns
            self.matrices.append(values)
        self.names = rows
        self.matrices = np.stack(self.matrices)
        if z:
            # As docs/methods.md: clipped at 1 - 1e-7, no value on the diagonal.
            r = np.clip(self.matrices.astype("f8"), -(1 - 1e-7), 1 - 1e-7)
            self.matrices = np.arctanh(r).astype("f4")
            self.matrices[:, np.arange(len(rows)), np.arange(len(rows))] = np.nan
        self.upper = np.triu_indices(len(rows), 1)
        self.edges = self.matrices[:, self.upper[0], self.upper[1]]
        self.edge_names = [f"{rows[i]}__{rows[j]}" for i, j in zip(*self.upper)]

    def same(self, found, expected):
        assert found.shape == expected.shape
        assert np.array_equal(np.isnan(found), np.isnan(expected))
        if self.start.endswith("Z"):
            # atanh of two libraries: the last place of a 32-bit float.
            np.testing.assert_allclose(found, expected, rtol=1.2e-7, atol=0)
        else:
            assert np.array_equal(found, expected, equal_nan=True)


@pytest.fixture(scope="module", params=[False, True], ids=["r", "z"])
def all_formats(request, keepstill, results):
    flags = ["--fisher-z"] if request.param else []
    keepstill("stack", results, "--as", "npy,tsv", "--as", "parquet", "--as", "mat", *flags)
    return lambda atlas, measure: Stack(results, atlas, measure, request.param and measure in CORRELATIONS)


EACH = pytest.mark.parametrize("atlas, measure", [(a, m) for a, _ in KINDS for m in MEASURES])


@EACH
def test_numpy(all_formats, atlas, measure):
    stack = all_formats(atlas, measure)
    assert np.isfinite(stack.edges).sum() > 20 and len(stack.stems) >= 5
    edges, matrices = (np.load(f"{stack.start}_{what}.npy") for what in ("edges", "matrices"))
    assert edges.dtype == matrices.dtype == np.dtype("<f4")
    stack.same(edges, stack.edges)
    stack.same(matrices, stack.matrices)
    # Memory maps are how a large one is used.
    assert np.array_equal(np.load(f"{stack.start}_edges.npy", mmap_mode="r"), edges, equal_nan=True)


@EACH
def test_pandas_tsv_and_parquet(all_formats, atlas, measure):
    stack = all_formats(atlas, measure)
    values, rows, columns = numbers(f"{stack.start}_edges.tsv")
    assert rows == stack.stems and columns == stack.edge_names
    stack.same(values, stack.edges)
    frame = pandas.read_parquet(f"{stack.start}_edges.parquet")
    assert list(frame.columns) == ["stem", "edges"] and list(frame["stem"]) == stack.stems
    stacked = np.stack(frame["edges"])
    assert stacked.dtype == np.float32
    stack.same(stacked, stack.edges)


@EACH
def test_pyarrow(all_formats, atlas, measure):
    stack = all_formats(atlas, measure)
    path = f"{stack.start}_edges.parquet"
    read = pyarrow.parquet.read_table(path)
    assert [str(field.type) for field in read.schema] == ["string", "list<element: float not null>"]
    assert not any(field.nullable for field in read.schema)
    flat = read.column("edges").combine_chunks().flatten().to_numpy(zero_copy_only=False)
    stack.same(flat.reshape(len(stack.stems), -1), stack.edges)
    said = pyarrow.parquet.read_metadata(path).metadata
    assert said[b"edges"] == f"atlas-{atlas}_edges.tsv".encode() and said[b"measure"] == measure.encode()
    assert said[b"fisher_z"] == (b"true" if stack.start.endswith("Z") else b"false")


@EACH
def test_scipy_mat(all_formats, atlas, measure):
    stack = all_formats(atlas, measure)
    read = scipy.io.loadmat(f"{stack.start}_stack.mat")
    assert read["edges"].dtype == read["matrices"].dtype == np.float32
    stack.same(read["edges"], stack.edges)
    stack.same(read["matrices"].transpose(2, 0, 1), stack.matrices)
    texts = lambda name: [str(cell[0]) for cell in read[name][:, 0]]
    assert texts("stems") == stack.stems and texts("parcels") == stack.names
    assert list(table(stack.folder / f"atlas-{atlas}_parcels.tsv")["network"]) == texts("networks")
    assert np.array_equal(read["edge_parcels"], np.stack(stack.upper, 1) + 1)
    children = table(stack.folder / "children.tsv")
    names = texts("covariate_names")
    assert read["covariates"].shape == (len(stack.stems), len(names)) and len(read["covariate_levels"]) == len(names)
    assert {"age_m", "mean_fd_mm", "minutes_kept", "dof"} <= set(names) and len(set(names)) == len(names)
    assert not {"stem", "participant_id", "problem", "warnings", "reviewers", "review_reason"} & set(names)
    for values, name, levels in zip(read["covariates"].T, names, read["covariate_levels"][:, 0]):
        cells = [None if cell in ("n/a", "") else cell for cell in children[name]]
        words = [str(word[0]) for word in levels[:, 0]] if levels.size else []
        if words:
            assert words == sorted({cell for cell in cells if cell is not None}) and 2 * len(words) <= len(cells)
            cells = [None if cell is None else words.index(cell) + 1 for cell in cells]
        expected = [math.nan if cell is None else float(cell) for cell in cells]
        assert np.array_equal(values, expected, equal_nan=True), name


def as_raw(values, path):
    np.ascontiguousarray(values, "<f4").tofile(path)
    return path


@EACH
def test_octave(all_formats, atlas, measure, tmp_path):
    stack = all_formats(atlas, measure)
    script = tmp_path / "read.m"
    script.write_text(f"""
s = load('{stack.start}_stack.mat');
assert(isa(s.edges, 'single') && isa(s.matrices, 'single') && isa(s.edge_parcels, 'int32'));
out = fopen('{tmp_path}/edges', 'w', 'ieee-le'); fwrite(out, s.edges.', 'single'); fclose(out);
out = fopen('{tmp_path}/matrices', 'w', 'ieee-le'); fwrite(out, s.matrices, 'single'); fclose(out);
out = fopen('{tmp_path}/names', 'w');
fprintf(out, '%s\\n', s.stems{{:}}); fprintf(out, '%s\\n', s.parcels{{:}}); fprintf(out, '%s\\n', s.networks{{:}});
fprintf(out, '%d %d\\n', s.edge_parcels.'); fclose(out);
""")
    done = subprocess.run(["octave-cli", "--norc", "--quiet", script], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    stack.same(np.fromfile(tmp_path / "edges", "<f4").reshape(stack.edges.shape), stack.edges)
    stack.same(np.fromfile(tmp_path / "matrices", "<f4").reshape(stack.matrices.shape), stack.matrices)
    networks = list(table(stack.folder / f"atlas-{atlas}_parcels.tsv")["network"])
    pairs = [f"{i + 1} {j + 1}" for i, j in zip(*stack.upper)]
    assert (tmp_path / "names").read_text().splitlines() == stack.stems + stack.names + networks + pairs


def run_r(script, tmp_path):
    path = tmp_path / "read.R"
    path.write_text(script)
    done = subprocess.run(["Rscript", "--vanilla", path], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("reader", ["readr::read_tsv(path, na = 'n/a', show_col_types = FALSE)",
                                    "read.delim(path, na.strings = 'n/a', check.names = FALSE)"], ids=["readr", "base"])
@pytest.mark.parametrize("atlas", [a for a, _ in KINDS])
def test_r(all_formats, atlas, reader, tmp_path):
    for measure in MEASURES:
        stack = all_formats(atlas, measure)
        run_r(f"""
path <- '{stack.start}_edges.tsv'
x <- {reader}
values <- as.matrix(x[, -1])
stopifnot(is.numeric(values))
out <- file('{tmp_path}/edges', 'wb'); writeBin(as.vector(t(values)), out, size = 4, endian = 'little'); close(out)
writeLines(c(x[[1]], names(x)[-1]), '{tmp_path}/names')
path <- '{stack.folder}/children.tsv'
y <- {reader}
stopifnot(identical(as.character(y$stem), as.character(x[[1]])), is.numeric(y$mean_fd_mm), is.numeric(y$age_m))
path <- '{stack.folder}/atlas-{atlas}_edges.tsv'
e <- {reader}
stopifnot(identical(as.character(e$edge_name), names(x)[-1]), is.numeric(e$distance_mm))
""", tmp_path)
        # readr and base R parse decimals through doubles, so a value may fall on the other side of a 32-bit float's
        # half.
        read = np.fromfile(tmp_path / "edges", "<f4").reshape(stack.edges.shape)
        assert np.array_equal(np.isnan(read), np.isnan(stack.edges))
        np.testing.assert_allclose(read, stack.edges, rtol=1.3e-7, atol=0)
        assert (tmp_path / "names").read_text().splitlines() == stack.stems + stack.edge_names


@pytest.mark.parametrize("atlas, parcels", KINDS)
def test_tables(all_formats, results, atlas, parcels):
    stack = all_formats(atlas, "pearson")
    cohort, children = table(results / "cohort.tsv"), table(stack.folder / "children.tsv")
    counted = ["shrinkage_spots", "shrinkage_tern18", "sampling_sd", "weight", "scatter"]
    assert list(children.columns) == ["stem", *cohort.columns, *counted]
    assert children[counted].notna().all().all() and np.isclose(children["weight"].astype(float).mean(), 1)
    left_out = table(stack.folder / "left_out.tsv")
    ids = ["participant_id", "session_id", "run_id"]
    assert len(children) + len(left_out) == len(cohort)
    gone = cohort[ids].apply(tuple, axis=1).isin(list(left_out[ids].apply(tuple, axis=1)))
    assert (cohort[~gone]["verdict"] == "enough").all() and (
        cohort[gone]["verdict"] == left_out["reason"].to_numpy()
    ).all()
    assert children.drop(columns=["stem", *counted]).equals(cohort[~gone].reset_index(drop=True))
    # Centroids: of each child over its runs, then over children.
    centroids = []
    for stem in stack.stems:
        runs = sorted(results.glob(f"sub-*/**/{stem}*_atlas-{atlas}_parcels.tsv"))
        assert runs
        read = [pandas.read_csv(run, sep="\t", na_values="n/a")[["x_mm", "y_mm", "z_mm"]].to_numpy() for run in runs]
        centroids.append(np.nanmean(read, axis=0) if not np.isnan(read).all(axis=0).any() else mean_of(read))
    centroids = mean_of(centroids)
    edges = pandas.read_csv(stack.folder / f"atlas-{atlas}_edges.tsv", sep="\t", na_values="n/a")
    assert len(edges) == parcels * (parcels - 1) // 2 and list(edges["edge"]) == list(range(len(edges)))
    i, j = stack.upper
    assert list(edges["name_1"]) == [stack.names[k] for k in i] and list(edges["name_2"]) == [stack.names[k] for k in j]
    distance = np.linalg.norm(centroids[i] - centroids[j], axis=1)
    np.testing.assert_allclose(edges["distance_mm"], distance, rtol=1e-6)
    labels = table(next(results.parent.glob("atlas.tsv" if atlas == "tern18" else "weights.tsv")))
    assert list(edges["index_1"].astype(str)) == [labels["index"][k] for k in i]
    if atlas == "tern18":
        assert list(edges["network_2"]) == [labels["network"][k] for k in j]


@pytest.mark.parametrize("measure", MEASURES)
def test_means_by_network(all_formats, results, measure):
    """Fisher's z over the edges that a child has; pairs in the order of their first parcel in the atlas."""
    stack = all_formats("tern18", measure)
    labels = list(table(next(results.parent.glob("atlas.tsv")))["network"])
    assert not {"", "n/a"} & set(labels)
    order = list(dict.fromkeys(labels))
    places = np.array([order.index(label) for label in labels])
    i, j = stack.upper
    values = stack.edges.astype("f8")
    if measure in CORRELATIONS and not stack.start.endswith("Z"):
        values = np.arctanh(np.clip(values, -(1 - 1e-7), 1 - 1e-7))
    of = [f"{order[min(a, b)]}__{order[max(a, b)]}" for a, b in zip(places[i], places[j])]
    assert list(pandas.read_csv(stack.folder / "atlas-tern18_edges.tsv", sep="\t")["networks"]) == of
    start = stack.start.removesuffix("Z")
    found = pandas.read_csv(f"{start}_networks_children.tsv", sep="\t", na_values="n/a", index_col="stem")
    assert list(found.index) == stack.stems
    pairs = [f"{a}__{b}" for k, a in enumerate(order) for b in order[k:] if f"{a}__{b}" in of]
    assert list(found.columns) == [f"{pair}_{what}" for pair in pairs for what in ("mean", "edges", "missing")]
    for pair in pairs:
        own = values[:, [name == pair for name in of]]
        there = np.isfinite(own)
        assert list(found[f"{pair}_edges"]) == list(there.sum(1))
        np.testing.assert_allclose(found[f"{pair}_mean"], [mean_of(row) for row in own], rtol=1e-6, atol=1e-7)
        np.testing.assert_allclose(found[f"{pair}_missing"], 1 - there.mean(1), rtol=1e-6, atol=1e-12)


def mean_of(arrays):
    """Mean over those that are there, NaN where none is."""
    arrays = np.asarray(arrays)
    there = np.isfinite(arrays)
    with np.errstate(invalid="ignore"):
        return np.where(there, arrays, 0).sum(0) / there.sum(0)


@pytest.mark.parametrize("atlas, parcels", KINDS)
def test_who_lacks_what(all_formats, atlas, parcels):
    stack = all_formats(atlas, "covariance")
    lacking = {}
    for stem, matrix in zip(stack.stems, stack.matrices):
        for parcel in np.flatnonzero(np.isnan(np.diag(matrix))):
            lacking.setdefault(stack.names[parcel], []).append(stem)
    found = table(stack.folder / f"atlas-{atlas}_missing.tsv")
    assert {n: s.split("; ") for n, s in zip(found["name"], found["stems"])} == lacking
    assert [int(n) for n in found["children_missing"]] == [len(lacking[name]) for name in found["name"]]
    if atlas == "tern18":
        assert lacking, "the cohort has parcels outside the head"


def test_stack_json(all_formats, results):
    about = json.loads((all_formats("spots", "pearson").folder / "stack.json").read_text())
    names = {p.name for p in (results / "stack").iterdir()}
    told = {f["file"] for array in about["arrays"] for f in array["files"]}
    for array in about["arrays"]:
        told |= {array["parcels_table"], array["edges_table"], array["missing_table"]}
        for f in array["files"]:
            if f["format"] == "npy":
                assert list(np.load(results / "stack" / f["file"], mmap_mode="r").shape) == f["shape"]
        # Cohort quality (quality.json tells of itself).
        ends = ["mean.npy", "mean.tsv", "mean_weighted.npy", "mean_weighted.tsv", "qcfc.tsv"]
        told |= {f"atlas-{array['atlas']}_desc-{array['measure']}_{end}" for end in ends}
        # The atlas "spots" has no networks.
        if array["atlas"] != "spots":
            told |= {f"atlas-{array['atlas']}_desc-{array['measure']}_networks{end}.tsv" for end in ("", "_children")}
    told |= {"quality.json", "quality.tsv", "quality.html"}
    assert names == told | {"children.tsv", "left_out.tsv", "stack.json"}
    assert "not for diagnosis" in about["caution"] and about["rows_in_stack"] == len(
        table(results / "stack/children.tsv")
    )
    assert about["children"] == table(results / "stack/children.tsv")["participant_id"].nunique()


def test_dropped_parcels_in_every_format(keepstill, results):
    keepstill("stack", results, "--missing", "drop-parcel", "--as", "npy,tsv,parquet,mat", "--where", "age_m!=3.5")
    folder = results / "stack"
    children = table(folder / "children.tsv")
    assert not (children["age_m"] == "3.5").any()
    for atlas, parcels in KINDS:
        stack = Stack(results, atlas, "partial")
        whole = ~np.isnan(np.diagonal(stack.matrices, axis1=1, axis2=2)).any(axis=0)
        kept = [name for name, there in zip(stack.names, whole) if there]
        assert list(table(folder / f"atlas-{atlas}_parcels.tsv")["name"]) == kept
        matrices = stack.matrices[:, whole][:, :, whole]
        upper = np.triu_indices(whole.sum(), 1)
        edges = matrices[:, upper[0], upper[1]]
        assert np.isfinite(edges).all() and edges.size > 20
        read = scipy.io.loadmat(f"{stack.start}_stack.mat")
        assert np.array_equal(read["matrices"].transpose(2, 0, 1), matrices) and np.array_equal(read["edges"], edges)
        assert np.array_equal(np.load(f"{stack.start}_edges.npy"), edges)
        assert np.array_equal(np.load(f"{stack.start}_matrices.npy"), matrices)
        assert np.array_equal(np.stack(pandas.read_parquet(f"{stack.start}_edges.parquet")["edges"]), edges)
        assert np.array_equal(numbers(f"{stack.start}_edges.tsv")[0], edges)
        assert len(table(folder / f"atlas-{atlas}_missing.tsv")) == (~whole).sum()


def test_more_children_than_a_block(keepstill, tmp_path):
    """Blocks of 32 MiB follow each other seamlessly: 12 children of 1,500 parcels, seven a block."""
    parcels, children = 1500, 12
    rng = np.random.default_rng(3)
    names = [f"p{k}" for k in range(parcels)]
    coverage = "index\tname\tvoxels\tcoverage\tused\tx_mm\ty_mm\tz_mm\n"
    coverage += "".join(f"{k}\t{n}\t1\t1\t1\t{k}\t0\t0\n" for k, n in enumerate(names))
    header = ["participant_id", "session_id", "run_id", "verdict", "runs_joined", "minutes_kept", "minutes",
              "mean_fd_mm", "mean_fd_kept_mm", "kept_share", "dof"]
    rows, all_edges = ["\t".join(header)], []
    upper = np.triu_indices(parcels, 1)
    for child in range(children):
        stem = f"sub-{child:02d}"
        func = tmp_path / "results" / stem / "func"
        func.mkdir(parents=True)
        matrix = rng.uniform(-1, 1, (parcels, parcels)).astype("f4")
        matrix = np.triu(matrix) + np.triu(matrix, 1).T
        np.save(func / f"{stem}_atlas-big_desc-pearson_matrix.npy", matrix)
        (func / f"{stem}_atlas-big_parcels.tsv").write_text(coverage)
        rows.append(f"{stem}\tn/a\tn/a\tenough\t1\t6\t8\t{0.1 + 0.01 * child}\t0.05\t0.75\t40")
        all_edges.append(matrix[upper])
    (tmp_path / "results/cohort.tsv").write_text("\n".join(rows) + "\n")
    keepstill("stack", tmp_path / "results", "--as", "npy,parquet,mat")
    start = str(tmp_path / "results/stack/atlas-big_desc-pearson")
    edges = np.stack(all_edges)
    assert edges.nbytes > 32 * 2**20
    assert np.array_equal(np.load(f"{start}_edges.npy"), edges)
    matrices = np.load(f"{start}_matrices.npy")
    assert np.array_equal(matrices[:, upper[0], upper[1]], edges)
    assert np.array_equal(matrices, matrices.transpose(0, 2, 1))
    read = scipy.io.loadmat(f"{start}_stack.mat")
    assert np.array_equal(read["edges"], edges) and np.array_equal(read["matrices"].transpose(2, 0, 1), matrices)
    frame = pandas.read_parquet(f"{start}_edges.parquet")
    assert np.array_equal(np.stack(frame["edges"]), edges)
    assert pyarrow.parquet.read_metadata(f"{start}_edges.parquet").num_row_groups > 1


def test_too_much_for_a_mat_file_is_refused_before_anything_is_written(keepstill, tmp_path):
    """14,000 children of 200 parcels: the matrices would have 2.2 GB. All children's files are links to one child's."""
    parcels, children = 200, 14000
    names = [f"p{k}" for k in range(parcels)]
    source = tmp_path / "source"
    source.mkdir()
    np.save(source / "matrix.npy", np.eye(parcels, dtype="f4"))
    (source / "parcels.tsv").write_text("index\tname\tvoxels\tcoverage\tused\tx_mm\ty_mm\tz_mm\n"
                                         + "".join(f"{k}\t{n}\t1\t1\t1\t{k}\t0\t0\n" for k, n in enumerate(names)))
    rows = ["participant_id\tsession_id\trun_id\tverdict\truns_joined\tminutes_kept"]
    for child in range(children):
        stem = f"sub-{child}"
        func = tmp_path / "results" / stem / "func"
        func.mkdir(parents=True)
        (func / f"{stem}_atlas-a_desc-pearson_matrix.npy").symlink_to(source / "matrix.npy")
        (func / f"{stem}_atlas-a_parcels.tsv").symlink_to(source / "parcels.tsv")
        rows.append(f"{stem}\tn/a\tn/a\tenough\t1\t6")
    (tmp_path / "results/cohort.tsv").write_text("\n".join(rows) + "\n")
    done = keepstill("stack", tmp_path / "results", "--as", "mat", code=1)
    assert '"matrices" would have 2240000000 bytes' in done.stderr and "--as npy" in done.stderr
    assert not (tmp_path / "results/stack").exists()
    shutil.rmtree(tmp_path / "results")


def test_names_that_are_not_ascii(keepstill, results, tmp_path):
    """Text of MATLAB files is UTF-8, which scipy reads; Octave 7 is known to show ? for letters beyond ASCII."""
    copy = tmp_path / "results"
    shutil.copytree(results, copy)
    for path in [*copy.glob("sub-*/**/*_matrix.tsv"), *copy.glob("sub-*/**/*_parcels.tsv")]:
        path.write_text(path.read_text(encoding="utf-8").replace("spot1", "Löffel-Ω"), encoding="utf-8")
    keepstill("stack", copy, "--as", "mat,tsv")
    read = scipy.io.loadmat(str(copy / "stack/atlas-spots_desc-pearson_stack.mat"))
    assert read["parcels"][0, 0][0] == "Löffel-Ω"
    assert numbers(copy / "stack/atlas-spots_desc-pearson_edges.tsv")[2][0] == "Löffel-Ω__spot2"
    assert math.isfinite(read["edges"][0, 0])
