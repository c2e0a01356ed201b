"""NIfTI files written by hand from the published header layout, so that any byte can be set.

Offsets: NIfTI-1 header of 348 bytes (nifti1.h), NIfTI-2 of 540 (nifti2.h), as struct formats below.
"""

import gzip
import pathlib
import struct

import numpy as np

CODES = {
    "uint8": 2, "int16": 4, "int32": 8, "float32": 16, "float64": 64, "int8": 256, "uint16": 512, "uint32": 768,
    "int64": 1024, "uint64": 1280,
}
SECONDS, MILLISECONDS, MICROSECONDS, MILLIMETRES = 8, 16, 24, 2


def header(
    shape, dtype, order="<", version=1, pair=False, tr=2.0, units=MILLIMETRES | SECONDS, slope=1.0, inter=0.0,
    sform=None, qform=None, pixdim=(1.0, 1.0, 1.0, 1.0), offset=None, code=None, bits=None, size=None, magic=None,
):
    """The header's bytes. `qform` is (b, c, d, x, y, z); `pixdim[0]` is its handedness."""
    dim = [len(shape), *shape] + [1] * (7 - len(shape))
    pixdims = [*pixdim[:4], tr, 1.0, 1.0, 1.0]
    code = CODES[dtype] if code is None else code
    bits = np.dtype(dtype).itemsize * 8 if bits is None else bits
    b, c, d, x, y, z = qform if qform is not None else (0,) * 6
    srow = np.asarray(sform, float)[:3].ravel() if sform is not None else [0.0] * 12
    qcode, scode = int(qform is not None), int(sform is not None)
    if version == 1:
        offset = (0 if pair else 352) if offset is None else offset
        out = struct.pack(
            order + "i10s18sihcB8hfffhhhh8ffffhBBffffii80s24shh6f12f16s4s",
            348 if size is None else size, b"", b"", 0, 0, b"r", 0, *dim, 0, 0, 0, 0, code, bits, 0, *pixdims,
            offset, slope, inter, 0, 0, units, 0, 0, 0, 0, 0, 0, b"", b"", qcode, scode, b, c, d, x, y, z, *srow, b"",
            (b"ni1\0" if pair else b"n+1\0") if magic is None else magic,
        )
        assert len(out) == 348
    else:
        offset = (0 if pair else 544) if offset is None else offset
        out = struct.pack(
            order + "i8shh8q3d8dq2d4d2q80s24s2i6d12d3i16sB15s",
            540 if size is None else size,
            (b"ni2\0\r\n\x1a\n" if pair else b"n+2\0\r\n\x1a\n") if magic is None else magic,
            code, bits, *dim, 0, 0, 0, *pixdims, offset, slope, inter, 0, 0, 0, 0, 0, 0, b"", b"", qcode, scode,
            b, c, d, x, y, z, *srow, 0, units, 0, b"", 0, b"",
        )
        assert len(out) == 540
    return out


def write(path, stored, order="<", form=".nii", extensions=(), version=1, offset=None, **fields):
    """Write stored values [x,y,z,t…] as `.nii`, `.nii.gz`, `.hdr` (with .img) or `.hdr.gz`; returns the path to
    open."""
    pair = form.startswith(".hdr")
    stored = np.asarray(stored)
    blocks = b""
    for content in extensions:
        size = -(-(8 + len(content)) // 16) * 16
        blocks += struct.pack(order + "ii", size, 6) + content.ljust(size - 8, b"\0")
    head_size = 348 if version == 1 else 540
    if offset is None and not pair:
        offset = head_size + 4 + len(blocks)
    head = header(stored.shape, stored.dtype.name, order, version, pair, offset=offset, **fields)
    flag = bytes([1 if blocks else 0, 0, 0, 0])
    voxels = stored.astype(stored.dtype.newbyteorder(order)).tobytes(order="F")
    path = pathlib.Path(f"{path}{form}")
    packed = gzip.compress if form.endswith(".gz") else bytes
    if pair:
        path.write_bytes(packed(head + flag + blocks))
        image = pathlib.Path(str(path).replace(".hdr", ".img"))
        image.write_bytes(packed(b"\xee" * (offset or 0) + voxels))
    else:
        front = head + flag + blocks
        path.write_bytes(packed(front + b"\xee" * (offset - len(front)) + voxels))
    return path
