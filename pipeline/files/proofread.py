"""Reads delivered files back from disk, as the client's reader would.

What a file's codes mean is asked of littlecms and of the profile embedded in the file: nothing here
knows how Safelight encodes, so that a mistake there shows up here.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SafelightError, UnreadableOriginal
from pipeline.files.picture import (
    ICC_PROFILE,
    ORIENTATION,
    checked_size,
    read_jpeg,
    read_tiff,
)
from pipeline.kernels.difference import lab_of
from pipeline.kernels.gamut import WHITE, srgb_codes
from pipeline.kernels.spaces import Float64

Codes = NDArray[Any]
"""Code values of a window: (height, width) grey, (height, width, 3) RGB or (height, width, 4) CMYK,
uint8 or uint16."""

_KINDS = {2: (b"GRAY", "gray"), 3: (b"RGB ", "rgb"), 4: (b"CMYK", "cmyk")}
"""What codes are called in profiles and by the colour engine; 2 stands for those without channels.
"""
THUMBNAIL_QUALITY = 85
SAMPLES_A_SIDE = 3
"""Of the file, for each pixel of a thumbnail: reading all of a large file would gain nothing."""


class CannotMeasure(SafelightError):
    """A delivered file cannot be measured; the sentence says why, the caller knows which it is."""

    exit_code = 1


@dataclass(frozen=True, slots=True)
class Proof:
    """One delivered file, opened: any window of it in the profile connection space.

    ``profile_name`` is what the embedded profile calls itself. ``codes(rows, columns)`` gives the
    code values of a window; rows and columns are slices, steps allowed.
    """

    width: int
    height: int
    profile_name: str
    codes: Callable[[slice, slice], Codes]
    _to_xyz: Callable[[Codes], Float64]
    _top: int

    def xyz(self, rows: slice = slice(None), columns: slice = slice(None)) -> Float64:
        """XYZ, (height, width, 3), of a window: relative colorimetric, Y of white is 1.

        To average colours, average these: light adds up, L*a*b* does not.
        """
        return self._to_xyz(self.codes(rows, columns))

    def lab(self, rows: slice = slice(None), columns: slice = slice(None)) -> Float64:
        """CIE 1976 L*a*b* under D50, (height, width, 3), of a window."""
        return lab_of(self.xyz(rows, columns), WHITE)

    def primaries(self) -> Float64 | None:
        """L*a*b* of an RGB file's full red, green and blue, rows of a 3 × 3 array; else None."""
        one = self.codes(slice(0, 1), slice(0, 1))
        if one.shape[2:] != (3,):
            return None
        return lab_of(self._to_xyz((self._top * np.eye(3))[None].astype(one.dtype))[0], WHITE)

    def thumbnail(
        self, long_edge_px: int, rows: slice = slice(None), columns: slice = slice(None)
    ) -> bytes:
        """A window as a small sRGB JPEG without profile, its long edge ``long_edge_px`` or less.

        Out of reach of sRGB is clipped: it is for the eye, never for measuring.
        """
        import imagecodecs

        top, bottom, _ = rows.indices(self.height)
        left, right, _ = columns.indices(self.width)
        factor = max(1, -(-max(right - left, bottom - top) // long_edge_px))
        step = max(1, factor // SAMPLES_A_SIDE)
        samples = self.xyz(slice(top, bottom, step), slice(left, right, step))
        side = -(-max(samples.shape[:2]) // long_edge_px)
        small = np.stack([_averaged(samples[..., i], side) for i in range(3)], axis=-1)
        return bytes(imagecodecs.jpeg8_encode(srgb_codes(small), level=THUMBNAIL_QUALITY))


def _averaged(plane: Float64, side: int) -> Float64:
    """Means of squares of ``side`` pixels; what is left over at the edges joins no square."""
    height, width = (max(1, size // side) for size in plane.shape)
    tall, wide = (min(side, size) for size in plane.shape)
    cut = plane[: height * tall, : width * wide]
    return np.asarray(cut.reshape(height, tall, width, wide).mean(axis=(1, 3)))


def read_back(path: Path) -> Proof:
    """Open a delivered file of any format. Raises ``CannotMeasure`` with a sentence.

    It is decoded as a whole; of an uncompressed TIFF only what is asked for is read.
    """
    try:
        with path.open("rb") as file:
            begins = file.read(8)
        reader = next((r for head, r in _READERS.items() if begins.startswith(head)), _by_pillow)
        shape, dtype, codes, profile, orientation = reader(path)
    except OSError as error:
        raise CannotMeasure(f"it cannot be read ({error.strerror})") from error
    except UnreadableOriginal as error:
        raise CannotMeasure(str(error)) from error
    except Exception as error:  # the decoders raise whatever damage leads them into
        raise CannotMeasure(f"it is damaged or cut short ({error})") from error
    if profile is None:
        raise CannotMeasure("it holds no ICC profile, so that nothing says what its codes mean")
    if orientation != 1:
        raise CannotMeasure(
            f"its Exif orientation is {orientation}: a delivered file stands upright, with 1"
        )
    if dtype not in (np.uint8, np.uint16):
        raise CannotMeasure(f"its pixels are {dtype}; 8 and 16 bits a channel are measured")
    signature, colorspace = _KINDS[shape[2] if len(shape) == 3 else 2]
    if profile[16:20] != signature:
        kind = profile[16:20].decode("ascii", errors="replace").strip()
        raise CannotMeasure(f"its ICC profile is for {kind or 'nothing'}, its pixels are not")
    try:
        to_xyz = _reading(profile, dtype.str, colorspace)
    except Exception as error:  # what the colour engine finds in a broken profile
        raise CannotMeasure(f"its ICC profile cannot be used ({error})") from error
    return Proof(
        width=shape[1],
        height=shape[0],
        profile_name=profile_name(profile),
        codes=codes,
        _to_xyz=to_xyz,
        _top=int(np.iinfo(dtype).max),
    )


Opened = tuple[tuple[int, ...], np.dtype[Any], Callable[[slice, slice], Codes], bytes | None, int]


def _jpeg(path: Path) -> Opened:
    pixels, profile, orientation = read_jpeg(path.read_bytes(), inks=True)
    return (*_held(pixels), profile, orientation)


def _held(pixels: Codes) -> tuple[tuple[int, ...], np.dtype[Any], Callable[[slice, slice], Codes]]:
    return pixels.shape, pixels.dtype, lambda rows, columns: pixels[rows, columns]


def _tiff(path: Path) -> Opened:
    import tifffile

    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        checked_size(int(page.imagewidth), int(page.imagelength))
        plain = (
            page.is_contiguous
            and page.compression == 1
            and (page.photometric, page.samplesperpixel) in ((2, 3), (5, 4))
            and page.planarconfig == 1
            and page.dtype in (np.uint8, np.uint16)
        )
        if not plain:
            pixels, profile, orientation = read_tiff(path.read_bytes(), inks=True)
            return (*_held(pixels), profile, orientation)
        channels = int(page.samplesperpixel)
        shape = (int(page.imagelength), int(page.imagewidth), channels)
        dtype = np.dtype(page.dtype).newbyteorder(file.byteorder)
        start = int(page.dataoffsets[0])
        icc, turned = page.tags.get(ICC_PROFILE), page.tags.get(ORIENTATION)
        profile = None if icc is None else bytes(icc.value)
        orientation = 1 if turned is None else int(turned.value)
        if start + int(np.prod(shape)) * dtype.itemsize > path.stat().st_size:
            raise UnreadableOriginal("it is cut short: a part of the TIFF is missing")

    def codes(rows: slice, columns: slice) -> Codes:
        top, bottom, step = rows.indices(shape[0])
        row_bytes = shape[1] * channels * dtype.itemsize
        wanted = range(top, bottom, step)
        window = np.empty((len(wanted), len(range(*columns.indices(shape[1]))), channels), dtype)
        # rows are read, not mapped: a file that shrinks while it is mapped kills the process
        with path.open("rb") as file:
            if step == 1:
                file.seek(start + top * row_bytes)
                block = np.fromfile(file, dtype, len(wanted) * shape[1] * channels)
                window[:] = block.reshape(len(wanted), shape[1], channels)[:, columns]
            else:
                for place, row in enumerate(wanted):
                    file.seek(start + row * row_bytes)
                    line = np.fromfile(file, dtype, shape[1] * channels)
                    window[place] = line.reshape(shape[1], channels)[columns]
        return window.astype(dtype.newbyteorder("="), copy=False)

    return shape, dtype.newbyteorder("="), codes, profile, orientation


def _by_pillow(path: Path) -> Opened:
    """PNG, WebP and AVIF. Pillow knows no colours of 16 bits, so those are not its own."""
    import imagecodecs
    from PIL import Image, UnidentifiedImageError

    data = path.read_bytes()
    try:
        with Image.open(io.BytesIO(data)) as image:
            checked_size(*image.size)
            profile = image.info.get("icc_profile")
            orientation = int(image.getexif().get(ORIENTATION, 1))
            png = image.format == "PNG"
            pixels = imagecodecs.png_decode(data) if png else np.asarray(image.convert("RGB"))
    except UnidentifiedImageError as error:
        raise UnreadableOriginal("it is no picture, or damaged") from error
    except OSError as error:  # of the decoders: the file itself was read
        raise UnreadableOriginal(f"it is damaged or cut short ({error})") from error
    return (*_held(pixels), profile, orientation)


def _jxl(path: Path) -> Opened:
    """JPEG XL: here always in sRGB, which is what its decoder gives where a file names nothing."""
    import imagecodecs

    pixels = imagecodecs.jpegxl_decode(path.read_bytes())
    return (*_held(pixels), imagecodecs.cms_profile("srgb"), 1)


_READERS: dict[bytes, Callable[[Path], Opened]] = {
    b"\xff\xd8": _jpeg,
    b"II": _tiff,
    b"MM": _tiff,
    b"\0\0\0\x0cJXL ": _jxl,
}
"""By the first bytes of a file."""


@lru_cache(maxsize=16)
def _reading(profile: bytes, dtype: str, colorspace: str) -> Callable[[Codes], Float64]:
    """A function from codes to XYZ in the connection space, each value as littlecms gives it.

    It needs a third of a second for a million pixels and a millisecond to begin. So it is asked for
    every code of each channel alone; where its answers to random colours show that the profile is
    three curves and a matrix, as those of RGB spaces are, they are looked up and summed.
    """

    def engine(codes: Codes) -> Float64:
        return _by_engine(profile, codes, colorspace)

    if colorspace == "cmyk":
        return engine
    every = np.arange(np.iinfo(dtype).max + 1, dtype=dtype)[None]
    if colorspace == "gray":
        table = engine(every)[0]
        return lambda codes: np.asarray(table[codes], np.float64)
    curves, colorants = [], []
    for channel in range(3):
        alone = np.zeros((1, every.size, 3), dtype)
        alone[..., channel] = every
        response = engine(alone)[0]
        colorant = response[-1]
        colorants.append(colorant)
        curves.append(response @ colorant / (colorant @ colorant))
    matrix = np.stack(colorants)

    def lookup(codes: Codes) -> Float64:
        linear = np.stack([curve[codes[..., i]] for i, curve in enumerate(curves)], axis=-1)
        return np.asarray(linear @ matrix, np.float64)

    sample = np.random.default_rng(1).integers(0, every.size, (16, 64, 3)).astype(dtype)
    return lookup if np.abs(lookup(sample) - engine(sample)).max() < 1e-6 else engine


def _by_engine(profile: bytes, codes: Codes, colorspace: str) -> Float64:
    import imagecodecs

    xyz: Float64 = imagecodecs.cms_transform(
        np.ascontiguousarray(codes),
        profile,
        imagecodecs.cms_profile("xyz"),
        colorspace=colorspace,
        outcolorspace="xyz",
        outdtype="float64",
        intent=imagecodecs.CMS.INTENT.RELATIVE_COLORIMETRIC,
    )
    return xyz


def profile_name(profile: bytes) -> str:
    """What a profile calls itself (its "desc" tag, ICC.1:2022, 9.2.41), or "unnamed"."""
    try:
        return _described(profile)
    except struct.error:
        return "unnamed"


def _described(profile: bytes) -> str:
    (count,) = struct.unpack_from(">I", profile, 128)
    for entry in range(min(count, 100)):
        name, start, size = struct.unpack_from(">4sII", profile, 132 + 12 * entry)
        text = profile[start : start + size]
        if name == b"desc" and text[:4] == b"mluc":
            length, place = struct.unpack_from(">II", text, 20)
            return text[place : place + length].decode("utf-16-be", "replace") or "unnamed"
        if name == b"desc" and text[:4] == b"desc":  # version 2: ASCII with its length before it
            (length,) = struct.unpack_from(">I", text, 8)
            return text[12 : 12 + length].split(b"\0")[0].decode("ascii", "replace") or "unnamed"
    return "unnamed"
