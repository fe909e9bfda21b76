"""Reads painted masks: PNG or TIFF of one channel, 8 or 16 bits, black 0 and white 1.

Knows nothing of frames or of what a mask is for.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from pipeline.hashing import digest_bytes

MOST_PIXELS = 400_000_000
PNG = b"\x89PNG\r\n\x1a\n"
GREY = 0
ALLOWED = "a PNG or TIFF of one channel with 8 or 16 bits"


class _Refused(ValueError):
    """In words of our own, which no decoder's may take the place of."""


def painted_size(path: Path) -> tuple[int, int]:
    """Height and width of a painted mask, from its header.

    Raises ``ValueError`` with what is wrong where it is none, and ``OSError``.
    """
    with path.open("rb") as stream:
        head = stream.read(26)
        if head.startswith(PNG):
            return _png_size(head)
        stream.seek(0)
        return _tiff(stream, whole=False).shape


def read_painted(path: Path, digest: str) -> NDArray[Any]:
    """The codes of a painted mask, (height, width), uint8 or uint16.

    Raises ``ValueError`` with what is wrong, also where its content is not that of ``digest``.
    """
    import imagecodecs

    try:
        data = path.read_bytes()
    except OSError as error:
        raise ValueError(f"{path.name} cannot be read: {(error.strerror or '').lower()}") from None
    if digest_bytes(data) != digest:
        raise ValueError(f"{path.name} was changed after this run began; start it again")
    if not data.startswith(PNG):
        return _tiff(io.BytesIO(data), whole=True)
    size = _png_size(data[:26])
    try:
        codes: NDArray[Any] = imagecodecs.png_decode(data)
    except Exception as error:  # whatever damage leads the decoder into
        raise ValueError(f"{path.name} is damaged or cut short ({error})") from None
    if codes.shape != size:
        raise ValueError(f"{path.name} is not {ALLOWED}")
    return codes


def _png_size(head: bytes) -> tuple[int, int]:
    """From the header chunk, which comes first: ISO/IEC 15948:2004, 11.2.2."""
    if len(head) < 26 or head[12:16] != b"IHDR":
        raise ValueError("it is damaged or cut short")
    width, height, bits, kind = struct.unpack(">IIBB", head[16:26])
    if kind != GREY or bits not in (8, 16):
        raise ValueError(f"it is not {ALLOWED}")
    return _checked(height, width)


def _checked(height: int, width: int) -> tuple[int, int]:
    if not 0 < height * width <= MOST_PIXELS:
        raise _Refused(
            f"its header claims {width} × {height} pixels; at most {MOST_PIXELS // 1_000_000} "
            "million are read"
        )
    return height, width


def _tiff(stream: Any, *, whole: bool) -> NDArray[Any]:
    """The codes, or unless ``whole`` an empty array of their shape."""
    import numpy as np
    import tifffile

    try:
        with tifffile.TiffFile(stream) as file:
            page = file.pages[0]
            height, width = int(page.imagelength), int(page.imagewidth)
            sound = (
                page.samplesperpixel == 1
                and page.imagedepth == 1
                and page.photometric == 1  # black is zero
                and page.dtype in ("uint8", "uint16")
            )
            if sound:
                _checked(height, width)
                if not whole:
                    return np.broadcast_to(np.uint8(0), (height, width))
                size = file.filehandle.size
                # tifffile fills what a file lacks with black, without a word
                for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
                    if count <= 0 or offset + count > size:
                        raise _Refused("it is cut short: a part of the TIFF is missing")
                codes: NDArray[Any] = page.asarray()
                if codes.shape == (height, width):
                    return codes
    except _Refused:
        raise
    except Exception:  # whatever the decoder stumbles over
        raise ValueError(f"it is not {ALLOWED}, or damaged") from None
    raise ValueError(f"it is not {ALLOWED}")
