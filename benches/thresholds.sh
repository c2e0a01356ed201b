#!/usr/bin/env bash
# keepstill thresholds on 500 invented children of 300 frames, each with a motion table and an image of 3×3×3 voxels and
# masks of its own: seconds of wall clock and of processor time, best and median of rounds in turn, with both cores and
# with one thread. Usage: benches/thresholds.sh [FOLDER] (default: a new one below the system's temporary folder)
set -euo pipefail
cd "$(dirname "$0")/.."

folder=${1:-$(mktemp -d)/keepstill-thresholds}
cargo build --release --bin keepstill
keepstill=$(cd "${CARGO_TARGET_DIR:-target}" && pwd)/release/keepstill

exec python3 - "$keepstill" "$folder" <<'PYTHON'
import gzip, os, pathlib, random, shutil, statistics, struct, subprocess, sys, time

keepstill, folder = sys.argv[1], pathlib.Path(sys.argv[2])
CHILDREN, FRAMES, ROUNDS = 500, 300, 9


def nifti(frames, values):
    """A NIfTI-1 file of 3×3×3 int16 voxels, 3 mm, 2 s (nifti1.h)."""
    header = bytearray(348)
    struct.pack_into("<i", header, 0, 348)
    struct.pack_into("<8h", header, 40, 4 if frames > 1 else 3, 3, 3, 3, frames, 1, 1, 1)
    struct.pack_into("<2h", header, 70, 4, 16)
    struct.pack_into("<8f", header, 76, 1, 3, 3, 3, 2, 0, 0, 0)
    struct.pack_into("<3f", header, 108, 352, 1, 0)
    struct.pack_into("<B", header, 123, 2 | 8)
    struct.pack_into("<2h", header, 252, 0, 1)
    struct.pack_into("<12f", header, 280, 3, 0, 0, -3, 0, 3, 0, -3, 0, 0, 3, -3)
    header[344:348] = b"n+1\0"
    return gzip.compress(bytes(header) + b"\0" * 4 + struct.pack(f"<{27 * frames}h", *values), 1)


if not (folder / "study.toml").exists():
    folder.mkdir(parents=True, exist_ok=True)
    rng = random.Random(7)
    table = ["participant_id\tbold\tmotion\tbrain_mask\twhite_matter\tcsf"]
    mask = nifti(1, [1] * 27)
    for child in range(1, CHILDREN + 1):
        name = f"{child:03}"
        (folder / f"bold{name}.nii.gz").write_bytes(nifti(FRAMES, [rng.randrange(900, 1100) for _ in range(27 * FRAMES)]))
        for kind in ("brain", "white", "csf"):
            (folder / f"{kind}{name}.nii.gz").write_bytes(mask)
        restless, at, lines = rng.uniform(0.02, 0.4), [0.0] * 6, ["translation_x_mm\ttranslation_y_mm\ttranslation_z_mm\trotation_x_rad\trotation_y_rad\trotation_z_rad"]
        for _ in range(FRAMES):
            startle = 5 if rng.random() < restless / 4 else 1
            at = [a + startle * rng.gauss(0, restless * scale) for a, scale in zip(at, [0.2] * 3 + [0.004] * 3)]
            lines.append("\t".join(f"{a:.8f}" for a in at))
        (folder / f"motion{name}.tsv").write_text("\n".join(lines) + "\n")
        table.append(f"{name}\tbold{name}.nii.gz\tmotion{name}.tsv\tbrain{name}.nii.gz\twhite{name}.nii.gz\tcsf{name}.nii.gz")
    (folder / "runs.tsv").write_text("\n".join(table) + "\n")
    (folder / "atlas.nii.gz").write_bytes(mask)
    (folder / "study.toml").write_text("""[study]
name = "Tern Bay: five hundred invented children"
[scans]
table = "runs.tsv"
[[parcels]]
name = "one"
image = "atlas.nii.gz"
""")


def timed(threads):
    shutil.rmtree(folder / "results", ignore_errors=True)
    start = time.perf_counter()
    process = subprocess.Popen(
        [keepstill, "thresholds", str(folder / "study.toml")],
        stdout=subprocess.DEVNULL, env={**os.environ, "RAYON_NUM_THREADS": str(threads)},
    )
    _, status, used = os.wait4(process.pid, 0)
    if status:
        sys.exit("keepstill thresholds failed")
    return time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


measured = {threads: [] for threads in (1, 2)}
for _ in range(ROUNDS):
    for threads in measured:
        measured[threads].append(timed(threads))
print(f"{CHILDREN} children, {FRAMES} frames, 20 limits, 2 forms, with and without neighbours; files in the page cache")
for threads, rounds in measured.items():
    wall, cpu, memory = zip(*rounds)
    print(f"{threads} thread(s): best {min(wall):.3f} s, median {statistics.median(wall):.3f} s, CPU {min(cpu):.3f} s, peak {max(memory):.0f} MiB")
PYTHON
