"""Fetch the open test data into tests/.data, each package through its ordinary client, by pinned version.

Nothing is committed and nothing is fetched twice: a folder that is there was put there whole (built beside, then
renamed). What each file is good for stands in the header of the test that reads it.
"""

import json
import pathlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile

HERE = pathlib.Path(__file__).resolve().parent
DATA = HERE.parent / ".data"


def run(*command, **options):
    return subprocess.run([str(c) for c in command], check=True, **options)


def nitime(into):
    """PyPI nitime 0.12.1 (BSD-3): real EPI crops. The wheel is only unpacked, never installed."""
    with tempfile.TemporaryDirectory() as folder:
        run(sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", folder, "nitime==0.12.1")
        (wheel,) = pathlib.Path(folder).glob("nitime-*.whl")
        with zipfile.ZipFile(wheel) as archive:
            for name in ("fmri1.nii.gz", "fmri2.nii.gz", "fmri_timeseries.csv"):
                (into / name).write_bytes(archive.read(f"nitime/data/{name}"))


def crate(package, subfolder):
    """A subfolder of a crate's packaged source, through cargo."""

    def fetch(into):
        manifest = HERE / "crates" / "Cargo.toml"
        run("cargo", "fetch", "-q", "--locked", "--manifest-path", manifest)
        found = run(
            "cargo", "metadata", "--locked", "--format-version", "1", "--manifest-path", manifest,
            capture_output=True, text=True,
        )
        (source,) = [
            pathlib.Path(p["manifest_path"]).parent
            for p in json.loads(found.stdout)["packages"]
            if f"{p['name']}-{p['version']}" == package
        ]
        shutil.copytree(source / subfolder, into, dirs_exist_ok=True)

    return fetch


def npm(package, subfolder):
    """A subfolder of an npm package, through `npm pack`."""

    def fetch(into):
        with tempfile.TemporaryDirectory() as folder:
            run("npm", "pack", "--silent", package, cwd=folder, stdout=subprocess.DEVNULL)
            (packed,) = pathlib.Path(folder).glob("*.tgz")
            with tarfile.open(packed) as archive:
                for member in archive.getmembers():
                    path = pathlib.PurePosixPath(member.name)
                    if member.isfile() and str(path.parent) == f"package/{subfolder}":
                        (into / path.name).write_bytes(archive.extractfile(member).read())

    return fetch


SOURCES = {
    "nitime": nitime,
    "nifti-crate": crate("nifti-0.7.0", "resources"),
    "nist-univariate": crate("statrs-0.16.0", "data/nist"),
    "nifti-reader": npm("nifti-reader-js@0.5.4", "tests/data"),
}


def main():
    DATA.mkdir(exist_ok=True)
    for name, fetch in SOURCES.items():
        if (DATA / name).is_dir():
            continue
        print(f"tests/run: fetching {name} ({fetch.__doc__ or 'packaged test files'})", flush=True)
        half = pathlib.Path(tempfile.mkdtemp(dir=DATA, prefix=f"{name}.half-"))
        fetch(half)
        if not any(half.iterdir()):
            sys.exit(f"{name}: the package held none of the files looked for")
        half.rename(DATA / name)


if __name__ == "__main__":
    main()
