"""Finished pixels to the bytes of every format that a delivery may ask for.

JPEG and TIFF are assembled in ``encode``; PNG, WebP, AVIF and JPEG XL come from encoders that are
kept well, and are given the same profile, XMP and Exif. Where a file has to stay under a size, the
best quality that does is looked for, and said when it shows.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CannotWrite
from pipeline.files.encode import NO_BLOCKS, exif_of, jpeg, tiff
from pipeline.files.landing import Content
from pipeline.files.metadata import Blocks
from pipeline.files.profile import profile_of
from pipeline.kernels.encode import Codes

LEAST_QUALITY, MOST_QUALITY = 5, 97
SHOWS = 0.97
"""Structural similarity below which a loss is seen on comparing; common practice, no source."""
FINE_COLOUR = 6.0
"""Codes by which halved colour planes may miss one pixel in two hundred before they stay whole.
Ours."""
WEBP_METHOD, AVIF_SPEED, JXL_EFFORT = 4, 8, 4
LONGEST_WEBP_PX = 16383


@dataclass(frozen=True, slots=True)
class Written:
    """A file's content, the quality it was written at (None: without loss), and notes."""

    content: Content
    quality: int | None = None
    notes: tuple[str, ...] = ()


class _Coded(NamedTuple):
    """How a lossy format is written and read: quality and halved colour planes in, bytes out."""

    encode: Callable[[int, bool], bytes]
    halves: bool


def written(
    pixels: Codes,
    space: str,
    settings: Mapping[str, Any],
    *,
    ppi: int,
    blocks: Blocks = NO_BLOCKS,
    profile: bytes | None = None,
) -> Written:
    """A delivery's file of (height, width, channels) codes of ``space``.

    ``profile`` is the ICC profile where the space is none of ours; four channels are CMYK.
    ``settings`` are those of the delivery: ``format``, and where it applies ``quality`` (1 to 100),
    ``max_bytes`` and ``progressive``. Raises ``CannotWrite`` where the format cannot hold the
    picture, or no quality brings it under ``max_bytes``.
    """
    kind = settings["format"]
    said = _Said(space, profile or profile_of(space), ppi, blocks)
    if kind == "tiff":
        return Written(tiff(pixels, space, ppi=ppi, blocks=blocks, profile=profile))
    if kind == "png":
        return Written(_png(pixels, said))
    codes = np.ascontiguousarray(pixels, np.uint8)
    coded = _coders(codes, said, settings.get("progressive", False))[kind]()
    if cap := settings.get("max_bytes"):
        return _under(codes, cap, coded, kind)
    return Written(coded.encode(settings["quality"], False), settings["quality"])


class _Said(NamedTuple):
    """What goes into every file beside the pixels."""

    space: str
    profile: bytes
    ppi: int
    blocks: Blocks

    def exif(self, pixels: Codes, *, oriented: bool = True) -> bytes:
        height, width = pixels.shape[:2]
        return exif_of(self.blocks, self.space, width, height, self.ppi, oriented=oriented)


def _coders(
    pixels: NDArray[np.uint8], said: _Said, progressive: bool
) -> dict[str, Callable[[], _Coded]]:
    xmp = said.blocks.xmp

    def as_jpeg(quality: int, halved: bool) -> bytes:
        return jpeg(
            pixels,
            said.space,
            quality=quality,
            ppi=said.ppi,
            blocks=said.blocks,
            profile=said.profile,
            progressive=progressive,
            halved=halved,
        )

    def by_pillow(kind: str, halves: bool, **options: Any) -> _Coded:
        from PIL import Image

        height, width = pixels.shape[:2]
        if kind == "WEBP" and max(width, height) > LONGEST_WEBP_PX:
            raise CannotWrite(
                f"{width} × {height} pixels do not fit a WebP: at most {LONGEST_WEBP_PX} a side"
            )
        carried = {
            "icc_profile": said.profile,
            # an AVIF says elsewhere how it is turned (ISO/IEC 23000-22); Pillow takes that out
            # of Exif, and what it then writes anew loses every character that is not ASCII
            "exif": b"Exif\0\0" + said.exif(pixels, oriented=kind != "AVIF"),
            **({"xmp": xmp} if xmp else {}),
        }

        def encode(quality: int, halved: bool) -> bytes:
            stream = io.BytesIO()
            chosen = {"subsampling": "4:2:0" if halved else "4:4:4"} if halves else {}
            image = Image.fromarray(pixels)
            image.save(stream, kind, quality=quality, **carried, **chosen, **options)
            return stream.getvalue()

        return _Coded(encode, halves)

    def as_jxl(quality: int, _halved: bool) -> bytes:
        import imagecodecs

        # the encoder takes no profile: it says sRGB, which is what it is given
        plain = imagecodecs.jpegxl_encode(
            pixels, level=quality, effort=JXL_EFFORT, usecontainer=True, numthreads=1
        )
        boxes = [(b"Exif", bytes(4) + said.exif(pixels)), (b"xml ", xmp)]
        return bytes(plain) + b"".join(_box(kind, data) for kind, data in boxes if data)

    return {
        # of inks none is a plane of colour that could be halved
        "jpeg": lambda: _Coded(as_jpeg, pixels.shape[2] == 3),
        # WebP halves its colour planes always (RFC 9649)
        "webp": lambda: by_pillow("WEBP", False, method=WEBP_METHOD),
        "avif": lambda: by_pillow("AVIF", True, speed=AVIF_SPEED),
        "jxl": lambda: _Coded(as_jxl, False),
    }


def _box(kind: bytes, data: bytes) -> bytes:
    """A box of the container of ISO/IEC 18181-2."""
    return struct.pack(">I4s", 8 + len(data), kind) + data


# --- under a size ---


def _under(pixels: NDArray[np.uint8], cap: int, coded: _Coded, kind: str) -> Written:
    """The best quality under ``cap`` bytes, by bisection."""
    from pipeline.kernels.similarity import similarity

    halved = coded.halves and not has_fine_colour(pixels)
    low, high = LEAST_QUALITY, MOST_QUALITY
    best = coded.encode(low, halved)
    if len(best) > cap:
        raise CannotWrite(
            f"a {kind} of {pixels.shape[1]} × {pixels.shape[0]} pixels with all its metadata has "
            f"{len(best)} bytes at the least; max_bytes allows {cap}"
        )
    while low < high:
        middle = (low + high + 1) // 2
        tried = coded.encode(middle, halved)
        if len(tried) <= cap:
            best, low = tried, middle
        else:
            high = middle - 1
    shown = similarity(_light(_decoded(best, kind)), _light(pixels))
    notes: tuple[str, ...] = ()
    if shown < SHOWS:
        notes = (
            f"max_bytes {cap} costs visible quality: {kind} at quality {low}, structural "
            f"similarity {shown:.3f}; a smaller picture or more bytes would keep it",
        )
    return Written(best, low, notes)


def has_fine_colour(pixels: NDArray[np.uint8]) -> bool:
    """Whether colour changes so finely that planes of half the size would lose it."""
    import cv2

    planes = cv2.cvtColor(pixels, cv2.COLOR_RGB2YCrCb)[..., 1:].astype(np.float32)
    height, width = pixels.shape[:2]
    half = cv2.resize(planes, ((width + 1) // 2, (height + 1) // 2), interpolation=cv2.INTER_AREA)
    whole = cv2.resize(half, (width, height), interpolation=cv2.INTER_LINEAR)
    return float(np.quantile(np.abs(whole - planes).max(axis=2), 0.995)) > FINE_COLOUR


def _decoded(data: bytes, kind: str) -> NDArray[np.uint8]:
    import imagecodecs
    from PIL import Image

    if kind == "jxl":
        return np.asarray(imagecodecs.jpegxl_decode(data), np.uint8)
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(image)


def _light(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Luma (ITU-R BT.601) of RGB; of inks, their sum."""
    if pixels.shape[2] == 3:
        weights = np.array([0.299, 0.587, 0.114], np.float32)
        return np.asarray(pixels @ weights, np.float32)
    return np.asarray(pixels.mean(axis=2), np.float32)


# --- PNG ---


def _png(pixels: Codes, said: _Said) -> bytes:
    """ISO/IEC 15948, third edition: profile, resolution, Exif and XMP as chunks before the data."""
    import imagecodecs

    plain = bytes(imagecodecs.png_encode(np.ascontiguousarray(pixels)))
    head = 8 + 25  # the signature and IHDR
    per_metre = round(said.ppi / 0.0254)
    chunks = [
        _chunk(b"iCCP", b"icc\0\0" + zlib.compress(said.profile)),
        _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
        _chunk(b"eXIf", said.exif(pixels)),
    ]
    if said.blocks.xmp:
        # no compression, no language, no translated keyword
        chunks.append(_chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + said.blocks.xmp))
    return b"".join([plain[:head], *chunks, plain[head:]])


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
