"""A look at an HDF5 file before its libraries open it: spoilt ones can hold them for ever.

The C library walks a global heap by the sizes that stand in it, and an entry of size nothing is
walked again and again (layout: HDF5 File Format Specification 3.0, section III.E, "Global Heap").
"""

from __future__ import annotations

import mmap
from pathlib import Path

SIGNATURE = b"\x89HDF\r\n\x1a\n"
_HEAP, _HEAD_BYTES = b"GCOL\x01\0\0\0", 16


class SpoiltError(ValueError):
    """The file is no HDF5 file, or its structure leads nowhere."""


def look_at_hdf5(path: Path) -> None:
    """Raise where the file would hold up or confuse the libraries that read it.

    Files of other kinds, classic NetCDF for one, are let pass.

    Raises
    ------
    SpoiltError
        When a heap of the file cannot be walked, or its own attributes cannot be read.
    OSError
        When the file cannot be read.
    """
    with path.open("rb") as stream:
        if stream.read(len(SIGNATURE)) != SIGNATURE:
            return
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as raw:
            _walk_heaps(raw)
    import h5py

    try:
        with h5py.File(path, "r") as opened:
            # Read first by the library above, which fails untidily where it cannot.
            opened.attrs.get("_nc3_strict")
    except Exception as error:
        raise SpoiltError(type(error).__name__) from None


def _walk_heaps(raw: mmap.mmap) -> None:
    at = raw.find(_HEAP)
    while at >= 0:
        end = at + int.from_bytes(raw[at + 8 : at + _HEAD_BYTES], "little")
        if end > len(raw):
            raise SpoiltError("a heap ends past the file")
        here = at + _HEAD_BYTES
        while here + 16 <= end:
            index = int.from_bytes(raw[here : here + 2], "little")
            size = int.from_bytes(raw[here + 8 : here + 16], "little")
            step = 16 + -(-size // 8) * 8 if index else size
            if not 0 < step <= end - here:
                raise SpoiltError("a heap leads nowhere")
            here += step
        at = raw.find(_HEAP, at + len(_HEAP))
