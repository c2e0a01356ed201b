#!/usr/bin/env bash
# Processor time per scan, user and system, everything included: reading against `igzip -dc` of the same files, an unpacked
# image, deciding again from digests (200 parcels × 300 frames, 400 × 1200), two tries, and `check` on 1000 scans. Each
# best of five rounds in turn, files in the page cache. Needs igzip (Debian's isal).
# Usage: benches/again.sh [FOLDER] (default: a new one below the system's temporary folder)
set -euo pipefail
cd "$(dirname "$0")/.."

folder=${1:-$(mktemp -d)/keepstill-again}
cargo build --release --bin keepstill
keepstill=$(cd "${CARGO_TARGET_DIR:-target}" && pwd)/release/keepstill
mkdir -p "$folder"
[ -d "$folder/four" ] ||
    "$keepstill" synth -q "$folder/four" --children 4 --frames 300 --grid whole --parcels 200 --seed 7
[ -d "$folder/long" ] ||
    "$keepstill" synth -q "$folder/long" --children 2 --frames 1200 --grid whole --parcels 400 --seed 7

exec python3 - "$keepstill" "$folder" <<'PYTHON'
import csv, gzip, json, os, pathlib, shutil, statistics, subprocess, sys, time

keepstill, folder = sys.argv[1], pathlib.Path(sys.argv[2])
ROUNDS = 5


def linked(source, name, times):
    """A study of the source's scans, each under `times` names, by links."""
    source, out = folder / source, folder / name
    if out.exists():
        return out
    out.mkdir()
    for file in ("atlas.nii.gz", "atlas.tsv", "study.toml"):
        shutil.copy(source / file, out / file)
    read = lambda table: list(csv.DictReader(open(source / table), delimiter="\t"))
    people = {row["participant_id"]: row for row in read("participants.tsv")}
    scans, children = [], []
    for row in read("runs.tsv") * times:
        child = f"sub-{len(scans) + 1:04}"
        (out / child).mkdir()
        new = row | {"participant_id": child}
        for column, path in row.items():
            if "/" in path and path != "n/a":
                link = out / child / pathlib.Path(path).name
                link.symlink_to((source / path).resolve())
                new[column] = f"{child}/{link.name}"
        scans.append(new)
        children.append(people[row["participant_id"]] | {"participant_id": child})
    for table, rows in (("runs.tsv", scans), ("participants.tsv", children)):
        with open(out / table, "w") as file:
            writer = csv.DictWriter(file, rows[0], delimiter="\t", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    study = (out / "study.toml").read_text()
    changed = study.replace("fd_mm            = 0.2 ", "fd_mm            = 0.25")
    assert changed != study
    (out / "other.toml").write_text(changed)
    return out


def cpu(*command):
    """User and system seconds of a command, and its wall seconds."""
    start = time.perf_counter()
    process = subprocess.Popen([str(c) for c in command], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    said = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    if status:
        sys.exit(f"{command} failed:\n{said}")
    return used.ru_utime + used.ru_stime, time.perf_counter() - start


def run(study, *more):
    return cpu(keepstill, "run", "-q", study, *more)


forty, many, thousand = linked("four", "forty", 10), linked("long", "many", 20), linked("four", "thousand", 250)
plain = linked("four", "plain", 1)
for link in plain.glob("*/*bold.nii.gz"):
    link.with_suffix("").write_bytes(gzip.open(link).read())
    link.unlink()
(plain / "runs.tsv").write_text((plain / "runs.tsv").read_text().replace("bold.nii.gz", "bold.nii"))
images = sorted((folder / "four").glob("*/func/*bold.nii.gz"))

rows = {}
note = lambda name, scans, measured: rows.setdefault(name, []).append((measured[0] / scans, measured[1] / scans))
run(many / "study.toml")
for i in range(ROUNDS):
    for image in images:
        note("igzip -dc", 1, cpu("igzip", "-dc", image))
    note("run: 40 packed scans read, 2 jobs", 40, run(forty / "study.toml", "--redo"))
    note("run: 40 packed scans read, 1 job", 40, run(forty / "study.toml", "--redo", "--jobs", "1"))
    note("run: 4 unpacked scans read", 4, run(plain / "study.toml", "--redo"))
    note("run: nothing to do, 40 scans", 40, run(forty / "study.toml"))
    note("run: other FD limit, 40 scans, 200 x 300", 40, run(forty / "other.toml"))
    shutil.rmtree(forty / "results/tries", ignore_errors=True)
    note("run --try: two tries, 40 scans (per scan and try)", 80,
         run(forty / "other.toml", "--try", "censor.fd_mm=0.3", "--try", "clean.global_signal=true"))
    run(forty / "study.toml")
    note("run: other FD limit, 40 scans, 400 x 1200", 40, run(many / ("other.toml" if i % 2 == 0 else "study.toml")))
    note("check: 1000 scans", 1000, cpu(keepstill, "check", "-q", thousand / "study.toml"))

limit = min(m[0] for m in rows["igzip -dc"])
print(f"\n{'milliseconds per scan':50}{'CPU, best':>10}{'median':>8}{'wall, best':>12}{'of igzip':>10}")
for name, measured in rows.items():
    best, wall = min(m[0] for m in measured), min(m[1] for m in measured)
    middle = statistics.median(m[0] for m in measured)
    print(f"{name:50}{1e3 * best:10.1f}{1e3 * middle:8.1f}{1e3 * wall:12.1f}{best / limit:10.2f}")
PYTHON
