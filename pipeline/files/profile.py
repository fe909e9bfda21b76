"""ICC profiles of the output spaces, made here byte for byte.

Matrix and curve display profiles of version 4 (ICC.1:2022), which costs 0.5 kB a picture where
version 2 needs tables for the same curves. Nothing in them depends on when or where they are made.
"""

from __future__ import annotations

import hashlib
import struct
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import UnreadableOriginal
from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.spaces import (
    PCS_WHITE,
    SPACES,
    Float64,
    RGBSpace,
    Transfer,
    rgb_to_xyz_matrix,
    xy_to_xyz,
)

VERSION = 0x04200000
"""4.2, the oldest that has all that is used here: every later reader takes it."""
DATE = (2025, 1, 1, 0, 0, 0)
COPYRIGHT = "No rights reserved (CC0 1.0)"
_COLOURS = {b"RGB ": "rgb", b"CMYK": "cmyk", b"XYZ ": "xyz"}


@cache
def profile_of(space: str) -> bytes:
    """The profile of ``srgb``, ``display-p3``, ``adobe-rgb`` or ``romm-rgb``; 0.5 kB."""
    rgb = SPACES[space]
    curve = _parametric(rgb.transfer)
    red, green, blue = colorants(rgb)
    tags = {
        b"desc": _text(rgb.title),
        b"cprt": _text(COPYRIGHT),
        b"wtpt": _xyz(PCS_WHITE),
        b"chad": b"sf32\0\0\0\0" + _fixed(_adaptation(rgb)),
        b"rXYZ": _xyz(red),
        b"gXYZ": _xyz(green),
        b"bXYZ": _xyz(blue),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    return _identified(_assembled(tags))


def colorants(rgb: RGBSpace) -> Float64:
    """XYZ of the space's red, green and blue in the connection space, rows of a 3 × 3 array.

    Adapted to its D50 by linear Bradford (ICC.1:2022 annex E) and rounded to what a profile can
    hold; green takes up the rounding, so that their sum is the connection space's white exactly.
    """
    exact = (_adaptation(rgb) @ rgb_to_xyz_matrix(rgb)).T
    rounded = np.round(exact * 65536) / 65536
    rounded[1] = np.round(PCS_WHITE * 65536) / 65536 - rounded[0] - rounded[2]
    return rounded


def _adaptation(rgb: RGBSpace) -> Float64:
    return adaptation_matrix(xy_to_xyz(rgb.white), PCS_WHITE)


def _fixed(values: ArrayLike) -> bytes:
    """s15Fixed16Number, ICC.1:2022, 4.6."""
    return np.round(np.ravel(np.asarray(values, np.float64)) * 65536).astype(">i4").tobytes()


def _xyz(value: Float64) -> bytes:
    return b"XYZ \0\0\0\0" + _fixed(value)


def _text(text: str) -> bytes:
    """multiLocalizedUnicodeType with one record, ICC.1:2022, 10.15."""
    encoded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(encoded), 28) + encoded


def _parametric(transfer: Transfer) -> bytes:
    """parametricCurveType from code to linear, function 0 or 3, ICC.1:2022, 10.18."""
    if not transfer.slope:
        return b"para\0\0\0\0" + struct.pack(">HH", 0, 0) + _fixed([transfer.gamma])
    scale = 1 / (1 + transfer.a)
    start = transfer.slope * transfer.cut
    values = [transfer.gamma, scale, transfer.a * scale, 1 / transfer.slope, start]
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + _fixed(values)


def _assembled(tags: dict[bytes, bytes]) -> bytes:
    """Header, tag table and tag data; tags with equal data share it (ICC.1:2022, 7.2 to 7.4)."""
    data, places = b"", dict[bytes, int]()
    table = struct.pack(">I", len(tags))
    start = 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        if content not in places:
            places[content] = start + len(data)
            data += content + bytes(-len(content) % 4)
        table += struct.pack(">4sII", name, places[content], len(content))
    header = struct.pack(
        ">I4xI4s4s4s6H4s28x12s48x",
        start + len(data),
        VERSION,
        b"mntr",
        b"RGB ",
        b"XYZ ",
        *DATE,
        b"acsp",
        _fixed(PCS_WHITE),
    )
    return header + table + data


def _identified(profile: bytes) -> bytes:
    """With its ID: MD5 over the profile without flags, intent and ID (ICC.1:2022, 7.2.18)."""
    # flags and rendering intent are zero here already
    digest = hashlib.md5(profile, usedforsecurity=False).digest()
    return profile[:84] + digest + profile[100:]


def transformed(
    codes: NDArray[Any],
    source: bytes,
    target: bytes,
    intent: str = "relative-colorimetric",
    *,
    black_point_compensation: bool = False,
) -> NDArray[Any]:
    """Codes (h, w, channels) under one ICC profile as those under another, RGB or CMYK.

    littlecms, without short cuts: 16 bits, or float64 where the target is XYZ. What the engine
    finds in a broken profile is raised as it comes.
    """
    import imagecodecs

    known = imagecodecs.CMS.INTENT
    intents = {
        "perceptual": known.PERCEPTUAL,
        "relative-colorimetric": known.RELATIVE_COLORIMETRIC,
        "saturation": known.SATURATION,
        "absolute-colorimetric": known.ABSOLUTE_COLORIMETRIC,
    }
    flags: int = imagecodecs.CMS.FLAGS.NOOPTIMIZE
    if black_point_compensation:
        flags |= imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION
    out: NDArray[Any] = imagecodecs.cms_transform(
        np.ascontiguousarray(codes),
        source,
        target,
        colorspace=_COLOURS[source[16:20]],
        outcolorspace=_COLOURS[target[16:20]],
        outdtype="float64" if target[16:20] == b"XYZ " else "uint16",
        intent=intents[intent],
        flags=flags,
    )
    return out


def converted(codes: NDArray[np.uint16], source: bytes, target: bytes) -> NDArray[np.uint16]:
    """16-bit RGB codes (h, w, 3) under one ICC profile as codes under another.

    Relative colorimetric. Raises ``UnreadableOriginal`` where the first profile cannot be used for
    RGB.
    """
    if source[16:20] != b"RGB ":
        kind = source[16:20].decode("ascii", errors="replace").strip()
        raise UnreadableOriginal(f"its colour profile is for {kind or 'nothing'}, not for RGB")
    try:
        return transformed(codes, source, target)
    except Exception as error:  # whatever the colour engine finds in a broken profile
        raise UnreadableOriginal(f"its colour profile cannot be used ({error})") from error
