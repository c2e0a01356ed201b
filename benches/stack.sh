#!/usr/bin/env bash
# `keepstill stack` on invented results folders of CHILDREN children at PARCELS parcels: time and peak memory, beside the
# time that `dd` takes to write the same bytes with the same sync. After `tests/run`, whose Python it uses.
# KEEPSTILL names a built program, PYTHON a Python with numpy, STACK_PLACE where to work.
# Usage: benches/stack.sh [CHILDREN] [PARCELS] [npy|tsv: how the children's matrices are written] [arguments for stack…]
# Needs disk for the matrices (200 parcels: 160 kB per child as npy, 450 kB as tsv) and for the stack; all is removed again.
set -euo pipefail
cd "$(dirname "$0")/.."
children=${1:-200} parcels=${2:-200} form=${3:-npy}
shift $(($# > 3 ? 3 : $#))
arguments=("$@")
[ ${#arguments[@]} -gt 0 ] || arguments=(--as npy)

keepstill=${KEEPSTILL:-}
if [ -z "$keepstill" ]; then
    cargo build --release --quiet --bin keepstill
    keepstill=${CARGO_TARGET_DIR:-target}/release/keepstill
fi
place=$(mktemp -d "${STACK_PLACE:-${TMPDIR:-/tmp}}/stack-XXXXXX")
trap 'rm -rf "$place"' EXIT

"${PYTHON:-tests/.venv/bin/python}" - "$place/results" "$children" "$parcels" "$form" <<'PYTHON'
import pathlib, sys
import numpy as np

root, children, parcels, form = pathlib.Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
rng = np.random.default_rng(6)
names = [f"area{p:04d}" for p in range(parcels)]
places = rng.uniform(-60, 60, (parcels, 3)).astype("f4")
coverage = "index\tname\tvoxels\tcoverage\tused\tx_mm\ty_mm\tz_mm\tnetwork\n" + "".join(
    f"{p + 1}\t{n}\t80\t1\t1\t{x}\t{y}\t{z}\tnet{p % 7}\n" for p, (n, (x, y, z)) in enumerate(zip(names, places)))
header = ["participant_id", "session_id", "run_id", "verdict", "runs_joined", "minutes", "minutes_kept",
          "kept_share", "mean_fd_mm", "mean_fd_kept_mm", "dof", "age_months"]
header += [f"spare_{i}" for i in range(25)]
rows = []
base = rng.normal(size=(parcels, 40)).astype("f4")
for child in range(children):
    data = base + 0.5 * rng.normal(size=base.shape).astype("f4")
    matrix = np.corrcoef(data).astype("f4")
    matrix = np.triu(matrix) + np.triu(matrix, 1).T
    stem = f"sub-{child:05d}"
    folder = root / stem / "func"
    folder.mkdir(parents=True)
    (folder / f"{stem}_atlas-made_parcels.tsv").write_text(coverage)
    matrix_file = folder / f"{stem}_atlas-made_desc-pearson_matrix.{form}"
    if form == "npy":
        np.save(matrix_file, matrix)
    else:
        lines = ["\t".join(["name", *names])] + ["\t".join([n, *map(str, row)]) for n, row in zip(names, matrix)]
        matrix_file.write_text("\n".join(lines) + "\n")
    rows.append([stem, "n/a", "n/a", "enough", "1", "9", "6.5", "0.72", f"{0.1 + 0.001 * (child % 97)}", "0.05", str(20 + child % 71), str(child % 90), *["0.123456"] * 25])
(root / "cohort.tsv").write_text("\n".join("\t".join(r) for r in [header, *rows]) + "\n")
PYTHON

sync
# What was just written is in memory, as it is after a run; the stack's own files are not.
/usr/bin/time -v "$keepstill" stack "$place/results" "${arguments[@]}" >"$place/said" 2>"$place/time" || { cat "$place/time" >&2; exit 1; }
cat "$place/said"
written=$(du -cb "$place/results/stack"/* | tail -1 | cut -f1)
awk -F': ' '/Elapsed/ {print "stack: wall " $NF} /User time/ {print "stack: user s " $NF} /System time/ {print "stack: system s " $NF}
    /Maximum resident/ {printf "stack: peak MiB %.0f\n", $NF / 1024}' "$place/time"
echo "stack: $written bytes written"
sync
# The same bytes, from memory: some disks write zeros faster than other bytes.
echo "dd of the same bytes, synced:"
cat "$place/results/stack"/* | dd of="$place/copy" bs=4M iflag=fullblock conv=fsync 2>&1 | tail -1
