"""The program's image reader against nibabel, libnifti's nifti_tool, and files whose voxels are known.

nibabel and our own writer (images.py) make every type, byte order and form; the real files are those of the packages
nibabel, nitime, nifti (crate), nifti-reader-js and libnifti2-2.
"""

import gzip
import itertools
import json
import pathlib
import re
import subprocess

import nibabel
import numpy as np
import pytest

import images

NIBABEL = pathlib.Path(nibabel.__file__).parent / "tests" / "data"
LIBNIFTI = pathlib.Path("/usr/share/doc/libnifti2-2/examples/ATestReferenceImageForReadingAndWriting.nii.gz")
SHAPE = (5, 4, 3, 6)
OBLIQUE = np.array([[-2.0, 0.3, 0.1, 40], [0.2, 2.5, -0.4, -30], [0.1, 0.5, 3.0, 12]])


def stored_values(dtype):
    """Values that reach both ends of the type."""
    rng = np.random.default_rng(5)
    kind = np.dtype(dtype)
    if kind.kind == "f":
        return (rng.normal(size=SHAPE) * 1e3).astype(kind)
    ends = np.iinfo(kind)
    values = rng.integers(ends.min, ends.max, SHAPE, dtype=kind, endpoint=True)
    values.flat[:2] = ends.min, ends.max
    return values


def same(read, expected, tolerance=0.0):
    assert not isinstance(read, str), read
    voxels, described = read
    expected = np.asarray(expected, float)
    assert voxels.shape == expected.shape
    assert np.array_equal(np.isnan(voxels), np.isnan(expected))
    both = ~np.isnan(expected)
    assert np.abs(voxels[both] - expected[both]).max() <= tolerance * np.abs(expected[both]).max()
    return described


def by_nibabel(path):
    """nibabel's reading as [x,y,z,frames]."""
    values = nibabel.load(path).get_fdata(dtype=np.float64)
    return values.reshape(*values.shape[:3], -1, order="F")


@pytest.mark.parametrize("dtype", images.CODES)
@pytest.mark.parametrize(
    "order, version, form", itertools.product("<>", (1, 2), (".nii", ".nii.gz", ".hdr", ".hdr.gz"))
)
def test_every_type_order_and_form(read_voxels, tmp_path, dtype, order, version, form):
    stored = stored_values(dtype)
    path = images.write(tmp_path / "scan", stored, order, form, version=version, sform=OBLIQUE, slope=0.5, inter=-3.0)
    expected = stored.astype(float) * 0.5 - 3
    # nibabel agrees on what our writer wrote; it knows pairs by either name too.
    assert np.abs(by_nibabel(path) - expected).max() <= 1e-15 * np.abs(expected).max()
    described = same(read_voxels(path), expected, 1e-15)
    assert described["dtype"] == dtype
    assert described["tr_s"] == 2
    assert described["shape"][:3] == list(SHAPE[:3]) and described["frames"] == SHAPE[3]
    assert np.array(described["affine"]) == pytest.approx(nibabel.load(path).affine[:3], rel=1e-6)
    if form.startswith(".hdr"):
        same(read_voxels(str(path).replace(".hdr", ".img")), expected, 1e-15)


@pytest.mark.parametrize("packed", ["header", "voxels"])
def test_pair_with_one_half_gzipped(read_voxels, tmp_path, packed):
    stored = stored_values("int16")
    path = images.write(tmp_path / "scan", stored, form=".hdr", sform=OBLIQUE)
    half = path if packed == "header" else path.with_suffix(".img")
    half.with_name(half.name + ".gz").write_bytes(gzip.compress(half.read_bytes()))
    half.unlink()
    named = next(tmp_path.glob("scan.hdr*"))
    same(read_voxels(named), stored)
    same(read_voxels(next(tmp_path.glob("scan.img*"))), stored)


@pytest.mark.parametrize("maker", [nibabel.Nifti1Image, nibabel.Nifti2Image, nibabel.Nifti1Pair, nibabel.Nifti2Pair])
@pytest.mark.parametrize("dtype", images.CODES)
def test_written_by_nibabel(read_voxels, tmp_path, maker, dtype):
    stored = stored_values(dtype)
    image = maker(stored, np.vstack([OBLIQUE, [0, 0, 0, 1]]), dtype=np.dtype(dtype))
    image.header.set_xyzt_units("mm", "sec")
    image.header.set_zooms((2, 2, 3, 1.5))
    path = tmp_path / ("scan.img" if "Pair" in maker.__name__ else "scan.nii.gz")
    nibabel.save(image, path)
    described = same(read_voxels(path), by_nibabel(path))
    assert described["tr_s"] == 1.5


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("order", "<>")
def test_extensions_and_later_offsets(read_voxels, tmp_path, version, order):
    stored = stored_values("int16")
    start = 352 if version == 1 else 544
    contents = [b"a note", b"x" * 1000]
    same(read_voxels(images.write(tmp_path / "a", stored, order, version=version, extensions=contents)), stored)
    same(read_voxels(images.write(tmp_path / "b", stored, order, version=version, offset=start + 384)), stored)
    same(read_voxels(images.write(tmp_path / "c", stored, order, ".nii.gz", contents, version, start + 2048)), stored)
    same(read_voxels(images.write(tmp_path / "d", stored, order, ".hdr", version=version, offset=160)), stored)
    same(read_voxels(images.write(tmp_path / "e", stored, order, ".hdr.gz", contents, version)), stored)


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("slope, inter, expected", [
    (1.0, 0.0, (1, 0)), (0.0, 0.0, (1, 0)), (0.0, 7.0, (1, 0)), (np.nan, 0.0, (1, 0)), (np.nan, np.nan, (1, 0)),
    (np.inf, 0.0, (1, 0)), (-2.5, 10.0, (-2.5, 10)), (1.0, -100.0, (1, -100)), (2.0**-20, 0.0, (2.0**-20, 0)),
])
def test_scaling(read_voxels, tmp_path, version, slope, inter, expected):
    stored = stored_values("int16")
    path = images.write(tmp_path / "scan", stored, version=version, slope=slope, inter=inter)
    same(read_voxels(path), stored * float(expected[0]) + expected[1], 1e-15)


@pytest.mark.parametrize("inter", [np.nan, np.inf])
def test_intercept_that_is_no_number(read_voxels, tmp_path, inter):
    """The documented "not finite: none" leaves open whether the slope survives; a clear refusal is right as well."""
    stored = stored_values("int16")
    read = read_voxels(images.write(tmp_path / "scan", stored, slope=2.0, inter=inter))
    if isinstance(read, str):
        assert "inter" in read
    else:
        assert np.array_equal(read[0], stored) or np.array_equal(read[0], stored * 2.0)


def test_float_voxels_that_are_not_finite(read_voxels, tmp_path):
    stored = stored_values("float32")
    stored[1, 2, 0, 3] = np.nan
    same(read_voxels(images.write(tmp_path / "scan", stored, slope=3.0)), stored.astype(float) * 3)


@pytest.mark.parametrize("shape", [(5, 4, 3, 6), (5, 4, 3, 6, 1), (5, 4, 3, 6, 1, 1, 1)])
def test_trailing_ones(read_voxels, tmp_path, shape):
    stored = stored_values("int16").reshape(shape, order="F")
    same(read_voxels(images.write(tmp_path / "scan", stored)), stored.reshape(SHAPE, order="F"))


@pytest.mark.parametrize("units, tr, seconds", [
    (images.SECONDS, 2.0, 2.0), (images.MILLISECONDS, 2000.0, 2.0), (images.MICROSECONDS, 800000.0, 0.8),
    (images.MILLISECONDS, 1350.0, 1.35),
])
def test_time_units(read_voxels, tmp_path, units, tr, seconds):
    path = images.write(tmp_path / "scan", stored_values("int16"), tr=tr, units=units | images.MILLIMETRES)
    assert read_voxels(path)[1]["tr_s"] == pytest.approx(seconds, rel=1e-6)


# Rotations about each axis and a mixed one, as quaternions (b, c, d), with offsets in mm.
@pytest.mark.parametrize("handed", [1.0, -1.0])
@pytest.mark.parametrize("q", [(0, 0, 0), (0, 1, 0), (0.5, 0.5, 0.5), (0.1, -0.2, 0.3), (0, 0, 0.7071068)])
def test_qform(read_voxels, tmp_path, handed, q):
    path = images.write(
        tmp_path / "scan", stored_values("int16"), qform=(*q, 10, -20, 30), pixdim=(handed, 2.0, 2.5, 3.0)
    )
    affine = nibabel.load(path).affine
    assert np.array(read_voxels(path)[1]["affine"]) == pytest.approx(affine[:3], abs=1e-5)


def test_sform_goes_before_qform(read_voxels, tmp_path):
    path = images.write(tmp_path / "scan", stored_values("int16"), sform=OBLIQUE, qform=(0, 1, 0, 1, 2, 3))
    assert np.array(read_voxels(path)[1]["affine"]) == pytest.approx(OBLIQUE, rel=1e-6)


def test_neither_form_uses_pixdim(read_voxels, tmp_path):
    """Method 1 of nifti1.h: x = pixdim[1]·i and so on (nibabel centres the image instead, so it is no witness here)."""
    path = images.write(tmp_path / "scan", stored_values("int16"), pixdim=(1, 2.0, 2.5, 3.0))
    expected = np.hstack([np.diag([2, 2.5, 3]), np.zeros((3, 1))])
    assert np.array(read_voxels(path)[1]["affine"]) == pytest.approx(expected)


@pytest.mark.parametrize("name", ["functional.nii", "example4d.nii.gz", "example_nifti2.nii.gz"])
def test_real_files_of_nibabel(read_voxels, name):
    path = NIBABEL / name
    described = same(read_voxels(path), by_nibabel(path), 1e-15)
    assert np.array(described["affine"]) == pytest.approx(nibabel.load(path).affine[:3], abs=1e-5)


@pytest.mark.parametrize("name", ["fmri1.nii.gz", "fmri2.nii.gz"])
def test_real_files_of_nitime(read_voxels, data, name):
    path = data / "nitime" / name
    described = same(read_voxels(path), by_nibabel(path), 1e-15)
    assert described["tr_s"] == pytest.approx(1.35, rel=1e-6)
    assert np.array(described["affine"]) == pytest.approx(nibabel.load(path).affine[:3], abs=1e-5)


@pytest.mark.parametrize("name", ["anatomical.nii", "reoriented_anat_moved.nii", "standard.nii.gz"])
def test_single_volumes_of_nibabel(read_voxels, name):
    """3-D files, big-endian ones among them: read as one frame, or refused with a message that says 4-D."""
    path = NIBABEL / name
    read = read_voxels(path)
    if isinstance(read, str):
        assert "4" in read and "dim" in read
    else:
        same(read, by_nibabel(path), 1e-15)


@pytest.mark.parametrize("name", sorted(images.CODES))
def test_ten_types_of_the_nifti_crate(read_voxels, data, name):
    path = data / "nifti-crate" / "27" / f"{name}.nii"
    read = read_voxels(path)
    if isinstance(read, str):
        assert "4" in read and "dim" in read  # these are 3-D
    else:
        same(read, by_nibabel(path))


@pytest.mark.parametrize("name", ["with_extension.nii.gz", "big.nii.gz", "little.nii.gz", "avg152T1_LR_nifti.nii",
                                  "avg152T1_LR_nifti.nii.gz", "avg152T1_LR_nifti2.nii.gz"])
def test_files_of_nifti_reader(read_voxels, data, name):
    path = data / "nifti-reader" / name
    read = read_voxels(path)
    if isinstance(read, str):
        assert "4" in read and "dim" in read
    else:
        same(read, by_nibabel(path), 1e-12)


def test_libnifti_reference_image_is_exact(read_voxels):
    """23×17×11×7×3, big-endian int32, slope 0.25, intercept 128: voxel i is 0.25·i + 128 in linear order."""
    read = read_voxels(LIBNIFTI)
    assert not isinstance(read, str), read
    voxels, described = read
    assert np.array_equal(voxels.ravel(order="F"), 0.25 * np.arange(23 * 17 * 11 * 7 * 3) + 128)
    assert np.array(described["affine"]) == pytest.approx(nibabel.load(LIBNIFTI).affine[:3], abs=1e-5)


@pytest.mark.parametrize("which", ["functional", "fmri1", "fmri2", "made"])
def test_nifti_tool_reads_the_same_series(read_voxels, data, tmp_path, which):
    """nifti_tool prints stored values, before scaling."""
    if which == "functional":
        path = NIBABEL / "functional.nii"
    elif which == "made":
        path = images.write(tmp_path / "made", stored_values("uint16"), ">", ".nii.gz", [b"note"], slope=0.125)
    else:
        path = data / "nitime" / f"{which}.nii.gz"
    voxels, described = read_voxels(path)
    proxy = nibabel.load(path).dataobj
    rng = np.random.default_rng(6)
    for _ in range(8):
        i, j, k = (int(rng.integers(0, n)) for n in described["shape"][:3])
        said = subprocess.run(
            ["nifti_tool", "-disp_ts", str(i), str(j), str(k), "-quiet", "-infiles", str(path)],
            capture_output=True, text=True, check=True,
        )
        stored = [float(v) for v in re.findall(r"[-+\d.e]+", said.stdout)]
        assert len(stored) == described["frames"]
        assert voxels[i, j, k] == pytest.approx(np.array(stored) * proxy.slope + proxy.inter, rel=1e-6)


def refused(read_voxels, path):
    message = read_voxels(path)
    assert isinstance(message, str), f"{path} was read although it is not fit to be"
    assert pathlib.Path(path).name.split(".")[0] in message, message
    assert "panicked" not in message
    return message


@pytest.mark.parametrize("name", ["rgb/3D.nii", "rgb/4D.nii", "fuzz_artifacts/crash-1.nii"])
def test_files_of_the_nifti_crate_that_must_be_refused(read_voxels, data, name):
    refused(read_voxels, data / "nifti-crate" / name)


def test_not_a_nifti_file(read_voxels, data):
    refused(read_voxels, data / "nifti-reader" / "not-nifti.nii")


@pytest.mark.parametrize("form", [".nii", ".nii.gz", ".hdr", ".hdr.gz"])
@pytest.mark.parametrize("lost", [1, 100, 700])
def test_truncated(read_voxels, tmp_path, form, lost):
    path = images.write(tmp_path / "scan", stored_values("int16"), form=form)
    voxels = pathlib.Path(str(path).replace(".hdr", ".img"))
    content = gzip.decompress(voxels.read_bytes()) if form.endswith(".gz") else voxels.read_bytes()
    short = content[: len(content) - lost]
    voxels.write_bytes(gzip.compress(short) if form.endswith(".gz") else short)
    refused(read_voxels, path)


@pytest.mark.parametrize("cut", [1, 4, 8, 200])
def test_gzip_cut_short(read_voxels, tmp_path, cut):
    path = images.write(tmp_path / "scan", stored_values("int16"), form=".nii.gz")
    path.write_bytes(path.read_bytes()[:-cut])
    refused(read_voxels, path)


@pytest.mark.parametrize("back", [1, 5])  # the length, the checksum
def test_gzip_with_a_wrong_trailer(read_voxels, tmp_path, back):
    path = images.write(tmp_path / "scan", stored_values("int16"), form=".nii.gz")
    content = bytearray(path.read_bytes())
    content[-back] ^= 0xFF
    path.write_bytes(bytes(content))
    refused(read_voxels, path)


def test_gzip_of_many_members(read_voxels, tmp_path):
    stored = stored_values("int16")
    path = images.write(tmp_path / "scan", stored, form=".nii.gz")
    content = gzip.decompress(path.read_bytes())
    pieces = [content[i : i + 100] for i in range(0, len(content), 100)]
    path.write_bytes(b"".join(gzip.compress(p) for p in pieces))
    same(read_voxels(path), stored)


@pytest.mark.parametrize("fields", [
    dict(code=128, bits=24), dict(code=32, bits=64), dict(code=1792, bits=128), dict(code=1536, bits=128),
    dict(code=2048, bits=256), dict(code=2304, bits=32), dict(code=1, bits=1), dict(code=0, bits=0), dict(code=999),
    dict(bits=32), dict(magic=b"xxxx"), dict(size=347),
])
def test_headers_that_must_be_refused(read_voxels, tmp_path, fields):
    refused(read_voxels, images.write(tmp_path / "scan", stored_values("int16"), **fields))


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("dim", [
    (0, 5, 4, 3, 6), (8, 5, 4, 3, 6), (-1, 5, 4, 3, 6), (4, 0, 4, 3, 6), (4, -5, 4, 3, 6), (4, 5, 4, 3, 0),
    (4, 32767, 32767, 32767, 32767), (7, 32767, 32767, 32767, 32767, 32767, 32767, 32767), (4, 5, 4, 3, 30000),
])
def test_sizes_that_the_file_does_not_hold(read_voxels, tmp_path, version, dim):
    path = images.write(tmp_path / "scan", stored_values("int16"), version=version)
    content = bytearray(path.read_bytes())
    at, width = (40, 2) if version == 1 else (16, 8)
    for place, value in enumerate(dim):
        content[at + place * width : at + (place + 1) * width] = int(value).to_bytes(width, "little", signed=True)
    path.write_bytes(bytes(content))
    refused(read_voxels, path)


def test_overflowing_nifti2_size(read_voxels, tmp_path):
    path = images.write(tmp_path / "scan", stored_values("int16"), version=2)
    content = bytearray(path.read_bytes())
    for place in range(1, 5):
        content[16 + 8 * place : 24 + 8 * place] = (2**62).to_bytes(8, "little")
    path.write_bytes(bytes(content))
    refused(read_voxels, path)


@pytest.mark.parametrize("offset", [-8.0, 1e30, float("nan"), float("inf"), 100.0])
def test_voxel_offsets_that_make_no_sense(read_voxels, tmp_path, offset):
    import struct

    path = images.write(tmp_path / "scan", stored_values("int16"))
    content = bytearray(path.read_bytes())
    content[108:112] = struct.pack("<f", offset)
    path.write_bytes(bytes(content))
    refused(read_voxels, path)


def test_empty_and_missing_files(read_voxels, tmp_path):
    for name in ("scan.nii", "scan.nii.gz", "scan.hdr"):
        (tmp_path / name).write_bytes(b"")
        refused(read_voxels, tmp_path / name)
    refused(read_voxels, tmp_path / "scan-that-is-not-there.nii.gz")
    images.write(tmp_path / "alone", stored_values("int16"), form=".hdr")
    (tmp_path / "alone.img").unlink()
    refused(read_voxels, tmp_path / "alone.hdr")


@pytest.mark.parametrize("form", [".nii.gz", ".hdr.gz"])
def test_check_compares_the_size_at_the_end(keepstill, tmp_path, form):
    """check against Python's gzip and nibabel: files as they are, cut, doubled, shorter, and of several members."""
    rng = np.random.default_rng(3)
    stored = rng.integers(-900, 900, (6, 5, 4, 40), dtype="int16")
    mask = images.write(tmp_path / "mask", np.ones((6, 5, 4), "uint8"))
    (tmp_path / "motion.tsv").write_text(
        "\t".join(f"m{k}" for k in range(6)) + "\n"
        + "".join("\t".join(f"{v:.4f}" for v in rng.normal(size=6) * 0.01) + "\n" for _ in range(40))
    )
    images.write(tmp_path / "whole", stored, form=form)
    data = ".nii.gz" if form == ".nii.gz" else ".img.gz"
    packed = (tmp_path / f"whole{data}").read_bytes()
    plain = gzip.decompress(packed)
    half = len(plain) // 2
    files = {
        "whole": (packed, True),
        "cut": (packed[: len(packed) // 2], False),
        "shorter": (gzip.compress(plain[:half]), False),
        "longer": (gzip.compress(plain + plain), False),
        # The last member's size says nothing of the whole.
        "members": (gzip.compress(plain[:half]) + gzip.compress(plain[half:]), True),
        "doubled": (packed + packed, True),
        "padded": (packed + bytes(512), True),
    }
    if form == ".nii.gz":
        path = tmp_path / "nibabel.nii.gz"
        image = nibabel.Nifti1Image(stored, np.diag([3.0, 3, 3, 1]))
        image.header.set_zooms((3, 3, 3, 2))
        nibabel.save(image, path)
        files["nibabel"] = (path.read_bytes(), True)
    table = ["participant_id\tbold\tmotion\tbrain_mask\ttr_s"]
    for name, (content, _) in files.items():
        folder = tmp_path / name
        folder.mkdir()
        if form == ".hdr.gz":
            (folder / "bold.hdr.gz").write_bytes((tmp_path / "whole.hdr.gz").read_bytes())
        (folder / f"bold{data}").write_bytes(content)
        (folder / "motion.tsv").write_text((tmp_path / "motion.tsv").read_text())
        table.append(f"{name}\t{name}/bold{form}\t{name}/motion.tsv\t{mask.name}\t2")
    (tmp_path / "runs.tsv").write_text("\n".join(table) + "\n")
    images.write(tmp_path / "atlas", np.arange(120, dtype="uint8").reshape(6, 5, 4))
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "sizes"\n[scans]\ntable = "runs.tsv"\n'
        '[motion]\ncolumns = ["m0", "m1", "m2", "m3", "m4", "m5"]\n'
        "[clean]\ntissue_means = []\n"
        '[[parcels]]\nname = "cells"\nimage = "atlas.nii"\n'
    )
    said = json.loads(keepstill("check", tmp_path / "study.toml", "--json", code=3).stdout)
    for scan in said["scans"]:
        _, sound = files[scan["scan"].removeprefix("sub-")]
        problems = scan["problems"]
        assert sound == (problems == []), scan
        assert sound or "says at its end that it holds" in problems[0], scan
