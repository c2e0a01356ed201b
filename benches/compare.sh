#!/usr/bin/env bash
# keepstill against a nibabel/numpy script (benches/baseline.py), tuned and plain: four whole-brain scans of 64×64×36×300 int16
# .nii.gz, 200 parcels, two processes or threads each. Prints seconds and peak memory; run tests/run once before, for the
# Python environment. Usage: benches/compare.sh [FOLDER] (default: a new one below the system's temporary folder)
set -euo pipefail
cd "$(dirname "$0")/.."

python=tests/.venv/bin/python
folder=${1:-$(mktemp -d)/keepstill-bench}
cargo build --release --bin keepstill
keepstill=$(cd "${CARGO_TARGET_DIR:-target}" && pwd)/release/keepstill
[ -f "$folder/study.toml" ] ||
    "$keepstill" synth "$folder" --children 4 --frames 300 --grid whole --parcels 200 --seed 7
du -ch "$folder"/sub-*/func/*bold.nii.gz | tail -1

# On some processors the environment pins an old OpenBLAS kernel, which slows a current numpy: undone for the script.
exec env -u OPENBLAS_CORETYPE -u OPENBLAS_L2_SIZE "$python" - "$keepstill" "$python" "$folder" <<'PYTHON'
import pathlib, resource, shutil, statistics, subprocess, sys, time, os

keepstill, python, folder = sys.argv[1], sys.argv[2], pathlib.Path(sys.argv[3])
SCANS, ROUNDS = 4, 5


def timed(command, fresh):
    """Wall seconds, processor seconds and peak resident MiB of the largest process of a command."""
    shutil.rmtree(fresh, ignore_errors=True)
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    said = process.stderr.read()
    _, status, used = os.wait4(process.pid, 0)
    took = time.perf_counter() - start
    if status:
        sys.exit(f"{' '.join(command)} failed:\n{said}")
    return took, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


study = folder / "study.toml"
out = folder / "baseline-out"
commands = {
    "script, tuned": ([python, "benches/baseline.py", str(study), str(out), "--processes", "2"], out),
    "script, plain": ([python, "benches/baseline.py", str(study), str(out), "--processes", "2", "--plain"], out),
    "keepstill run, 2 jobs": ([keepstill, "run", str(study), "--jobs", "2"], folder / "results"),
    "keepstill run, 1 job": ([keepstill, "run", str(study), "--jobs", "1"], folder / "results"),
}
measured = {name: [] for name in commands}
for _ in range(ROUNDS):  # in turn, so that a slow spell of the machine falls on all
    for name, (command, fresh) in commands.items():
        measured[name].append(timed(command, fresh))
best = {name: min(m[0] for m in rounds) for name, rounds in measured.items()}
print(f"\n{SCANS} scans of 64x64x36x300, 200 parcels; {ROUNDS} rounds in turn, files in the page cache")
print(f"{'':24}{'best s':>9}{'median s':>10}{'CPU s':>8}{'s per scan':>11}{'peak MiB':>10}{'than tuned':>12}{'than plain':>12}")
for name, rounds in measured.items():
    print(
        f"{name:24}{best[name]:9.2f}{statistics.median(m[0] for m in rounds):10.2f}{min(m[1] for m in rounds):8.2f}"
        f"{best[name] / SCANS:11.2f}{max(m[2] for m in rounds):10.0f}{best['script, tuned'] / best[name]:12.1f}"
        f"{best['script, plain'] / best[name]:12.1f}"
    )
print("peak: of the largest single process; the script has two such processes at work, keepstill is one")
PYTHON
