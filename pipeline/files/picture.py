"""Opens JPEG and TIFF pictures as originals, through their ICC profile.

A picture is already in an output space: its white is D65 after adaptation, its values are display
referred, and a step's balance turns around that white. Knows nothing of raw files.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UnreadableOriginal
from pipeline.files.profile import profile_of
from pipeline.frame import Float32, Light
from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.orient import upright
from pipeline.kernels.spaces import D65, SPACES, XY, rgb_to_xyz_matrix, xy_to_xyz, xyz_to_xy

MOST_PIXELS = 400_000_000
MOST_CODE = 1000.0
"""Of float pictures, whose white is 1: what is brighter is white in any light."""
DNG_VERSION, ORIENTATION, ICC_PROFILE = 50706, 274, 34675
EXIF_DIRECTORY, INTEROPERABILITY, INTEROPERABILITY_INDEX = 34665, 40965, 1
CFA, LINEAR_RAW = 32803, 34892


def is_picture(data: bytes) -> bool:
    """Whether bytes are a JPEG, or a TIFF that holds no raw picture."""
    if data[:3] == b"\xff\xd8\xff":
        return True
    if data[:4] not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+") or data[8:10] == b"CR":
        return False
    import tifffile

    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            first = file.pages[0]
            if DNG_VERSION in first.tags:
                return False
            pages = (first, *(first.pages or ()))
            return not any(page.photometric in (CFA, LINEAR_RAW) for page in pages)
    except Exception:
        return False


def open_picture(data: bytes) -> PictureSource:
    """A JPEG or TIFF; raises ``UnreadableOriginal`` for damage and for what is not RGB or grey."""
    try:
        if data[:2] == b"\xff\xd8":
            pixels, profile, orientation = read_jpeg(data)
            if profile is None and pixels.ndim == 3:
                profile = _marked_profile(data)
        else:
            pixels, profile, orientation = read_tiff(data)
        if pixels.dtype.kind == "f":
            # the colour engine makes of an infinity what is no number, and so black
            pixels = np.nan_to_num(pixels, nan=0).clip(-MOST_CODE, MOST_CODE)
    except UnreadableOriginal:
        raise
    except Exception as error:  # the decoders raise whatever damage leads them into
        raise UnreadableOriginal(f"it is damaged or cut short ({error})") from error
    try:
        linear = _conversion(_checked_profile(profile, pixels), pixels)
        linear(pixels[:1])
    except UnreadableOriginal:
        raise
    except Exception as error:  # what the colour engine finds in a broken profile
        raise UnreadableOriginal(f"its ICC profile cannot be used ({error})") from error
    return PictureSource(
        pixels=pixels,
        linear=linear,
        orientation=orientation if 1 <= orientation <= 8 else 1,
        light=LIGHT,
    )


def checked_size(width: int, height: int) -> None:
    """Raises ``UnreadableOriginal`` for more pixels than are read, before they are unpacked."""
    if width * height > MOST_PIXELS:
        raise UnreadableOriginal(
            f"its header claims {width} × {height} pixels; at most {MOST_PIXELS // 1_000_000} "
            "million are read"
        )


def read_jpeg(data: bytes, *, inks: bool = False) -> tuple[NDArray[Any], bytes | None, int]:
    """Pixels, ICC profile, Exif orientation. ITU-T T.81; ICC.1:2022 annex B.4; Exif 2.32, 4.5.4.

    CMYK is refused unless ``inks`` are asked for: (h, w, 4), 0 being none.
    """
    import imagecodecs

    profile_parts: dict[int, bytes] = {}
    orientation, components, scan = 1, 3, 0
    upside_down = False
    for marker, start, end in _jpeg_segments(data):
        body = data[start:end]
        if marker == 0xE2 and body.startswith(b"ICC_PROFILE\0") and len(body) > 14:
            profile_parts[body[12]] = body[14:]
        elif marker == 0xE1 and body.startswith(b"Exif\0\0"):
            orientation = _exif_says(body[6:])[0]
        elif marker == 0xEE and body.startswith(b"Adobe"):
            upside_down = True  # in files with this segment inks are counted from full to none
        elif 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width, components = struct.unpack(">HHB", body[1:6])
            checked_size(width, height)
            if components not in ((1, 3, 4) if inks else (1, 3)):
                raise UnreadableOriginal("it is a JPEG in CMYK; RGB and grey are allowed")
        scan = end
    if data.find(b"\xff\xd9", scan) < 0:
        raise UnreadableOriginal("it is cut short: the end of the JPEG is missing")
    profile = b"".join(profile_parts[n] for n in sorted(profile_parts)) or None
    pixels = imagecodecs.jpeg8_decode(data, outcolorspace="cmyk" if components == 4 else None)
    if components == 4 and upside_down:
        pixels = 255 - pixels
    return pixels, profile, orientation


def _jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, start and end of each segment's content, up to the first scan (included)."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:  # a fill byte
            at += 1
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        yield marker, at + 4, end
        if marker == 0xDA:
            return
        at = end
    raise UnreadableOriginal("it is cut short: the JPEG has no picture")


def _marked_profile(data: bytes) -> bytes | None:
    """That of Adobe RGB (1998) for a JPEG marked as in the optional colour space of DCF 2.0 (JEITA
    CP-3461B), as cameras mark theirs instead of embedding a profile; None for any other."""
    for marker, start, end in _jpeg_segments(data):
        body = data[start:end]
        if marker == 0xE1 and body.startswith(b"Exif\0\0") and _exif_says(body[6:])[1]:
            return profile_of("adobe-rgb")
    return None


def _exif_says(exif: bytes) -> tuple[int, bool]:
    """The orientation of an Exif block, 1 where it names none (Exif 2.32, 4.6.4), and whether its
    interoperability index is R03, that of files in DCF's optional colour space."""
    orientation, index = 1, b""
    # a broken Exif block neither turns nor colours the picture
    with suppress(KeyError, struct.error):
        order = {b"II": "<", b"MM": ">"}[exif[:2]]
        (start,) = struct.unpack_from(order + "I", exif, 4)
        first = _exif_directory(exif, order, start)
        if ORIENTATION in first:
            (orientation,) = struct.unpack(order + "H", first[ORIENTATION][:2])
        for pointer in (EXIF_DIRECTORY, INTEROPERABILITY):
            (start,) = struct.unpack(order + "I", first[pointer])
            first = _exif_directory(exif, order, start)
        index = first[INTEROPERABILITY_INDEX]
    return orientation, index == b"R03\0"


def _exif_directory(exif: bytes, order: str, start: int) -> dict[int, bytes]:
    """A directory's tags and the four bytes that each holds or points with."""
    (entries,) = struct.unpack_from(order + "H", exif, start)
    fields = (struct.unpack_from(order + "H6x4s", exif, start + 2 + 12 * n) for n in range(entries))
    return dict(fields)


def read_tiff(data: bytes, *, inks: bool = False) -> tuple[NDArray[Any], bytes | None, int]:
    """Pixels, ICC profile and orientation of a TIFF's first page.

    CMYK is refused unless ``inks`` are asked for: (h, w, 4), 0 being none.
    """
    import tifffile

    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = file.pages[0]
        width, height = int(page.imagewidth), int(page.imagelength)
        checked_size(width, height)
        separated = inks and page.photometric == 5 and page.samplesperpixel == 4
        known = separated or page.photometric in (1, 2, 6)
        if not known or page.dtype not in ("uint8", "uint16", "float32"):
            raise UnreadableOriginal(
                "it is not a TIFF in RGB or grey with 8 or 16 bits or float32 a channel"
            )
        if page.imagedepth != 1 or page.samplesperpixel > 8:
            raise UnreadableOriginal("it is a TIFF that holds no plain picture")
        # tifffile fills what a file lacks with black, without a word
        for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
            if count <= 0 or offset + count > len(data):
                raise UnreadableOriginal("it is cut short: a part of the TIFF is missing")
        pixels = page.asarray()
        if pixels.ndim == 3 and page.planarconfig == 2:
            pixels = pixels.transpose(1, 2, 0)
        if pixels.ndim == 3 and not separated:  # what follows the colours is transparency
            pixels = pixels[..., :3] if pixels.shape[2] >= 3 else pixels[..., 0]
        if pixels.shape[:2] != (height, width):
            raise UnreadableOriginal("it is a TIFF that holds no plain picture")
        icc = page.tags.get(ICC_PROFILE)
        orientation = page.tags.get(ORIENTATION)
        return (
            np.ascontiguousarray(pixels),
            None if icc is None else bytes(icc.value),
            1 if orientation is None else int(orientation.value),
        )


def _checked_profile(profile: bytes | None, pixels: NDArray[Any]) -> bytes | None:
    """The profile if it suits the pixels; None means sRGB, which is what untagged pictures are."""
    if profile is None:
        return None
    space = profile[16:20]
    if space != (b"RGB " if pixels.ndim == 3 else b"GRAY"):
        name = space.decode("ascii", errors="replace").strip()
        raise UnreadableOriginal(f"its ICC profile is for {name or 'nothing'}, its pixels are not")
    return profile


def _to_working(white: XY) -> NDArray[np.float64]:
    matrix = rgb_to_xyz_matrix(SPACES["working"])
    adapted = adaptation_matrix(xy_to_xyz(white), xy_to_xyz(D65)) @ matrix
    return np.asarray(np.linalg.solve(matrix, adapted), np.float64)


def _white_of(rgb: tuple[float, float, float]) -> XY:
    return xyz_to_xy(rgb_to_xyz_matrix(SPACES["working"]) @ np.asarray(rgb, np.float64))


LIGHT = Light(D65, _to_working, _white_of)


@dataclass(slots=True)
class PictureSource:
    """Code values (h, w) or (h, w, 3) and what turns rows of them into working planes."""

    pixels: NDArray[Any]
    linear: Callable[[NDArray[Any]], Float32]
    orientation: int
    light: Light
    width: int = field(init=False)
    height: int = field(init=False)

    def __post_init__(self) -> None:
        self.height, self.width = self.pixels.shape[:2]

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        out[:, : bottom - top, : self.width] = self.linear(self.pixels[top:bottom])

    def window(self, top: int, bottom: int, left: int, right: int) -> Float32:
        return self.linear(self.pixels[top:bottom, left:right])

    def preview(self) -> Float32:
        height, width = self.height // 4, self.width // 4
        if height == 0 or width == 0:
            small = self.linear(self.pixels).transpose(1, 2, 0)
        else:
            small = np.empty((height, width, 3), np.float32)
            for row in range(height):
                planes = self.linear(self.pixels[4 * row : 4 * row + 4, : 4 * width])
                small[row] = planes.reshape(3, 4, width, 4).mean(axis=(1, 3)).T
        return np.ascontiguousarray(upright(small, self.orientation))


def _conversion(profile: bytes | None, pixels: NDArray[Any]) -> Callable[[NDArray[Any]], Float32]:
    """A function from code values (rows, w[, 3]) to working planes (3, rows, w), pixel by pixel.

    littlecms decides every value, in float, relative colorimetric. It is slow, though, so where its
    answers for single channels show that the profile is three curves and a matrix, as most are,
    those are used; grey needs its curve alone.
    """
    engine = partial(_by_engine, profile)
    if pixels.dtype.kind != "u":
        return engine
    ramp = np.arange(np.iinfo(pixels.dtype).max + 1, dtype=pixels.dtype)[None]
    if pixels.ndim == 2:
        return partial(_by_table, engine(ramp)[:, 0])
    black = np.zeros((1, ramp.size, 3), pixels.dtype)
    columns, curves = [], []
    for channel in range(3):
        lone = black.copy()
        lone[..., channel] = ramp
        response = engine(lone)[:, 0].astype(np.float64)
        column = response[:, -1]
        columns.append(column)
        curves.append(column @ response / (column @ column))
    matrix = np.stack(columns, axis=1).astype(np.float32)
    shaper = partial(_by_curves, np.stack(curves).astype(np.float32), matrix)
    sample = np.random.default_rng(1).integers(0, ramp.size, (16, 64, 3)).astype(pixels.dtype)
    return shaper if np.abs(shaper(sample) - engine(sample)).max() < 1e-4 else engine


def _by_engine(profile: bytes | None, codes: NDArray[Any]) -> Float32:
    import imagecodecs

    if codes.ndim == 2 and profile is None:
        codes = np.repeat(codes[..., None], 3, axis=2)
    linear: Float32 = imagecodecs.cms_transform(
        np.ascontiguousarray(codes),
        profile or imagecodecs.cms_profile("srgb"),
        _working_profile(),
        colorspace="rgb" if codes.ndim == 3 else "gray",
        outcolorspace="rgb",
        outdtype="float32",
    )
    return linear.transpose(2, 0, 1)


def _by_table(table: Float32, codes: NDArray[Any]) -> Float32:
    return table[:, codes]


def _by_curves(curves: Float32, matrix: Float32, codes: NDArray[Any]) -> Float32:
    # plane by plane: a matrix product's last bits could depend on how many rows there are
    r, g, b = (curve[codes[..., channel]] for channel, curve in enumerate(curves))
    return np.stack([row[0] * r + row[1] * g + row[2] * b for row in matrix])


def _working_profile() -> bytes:
    import imagecodecs

    space = SPACES["working"]
    profile: bytes = imagecodecs.cms_profile(
        "rgb",
        whitepoint=(*space.white, 1.0),
        primaries=(*space.red, 1.0, *space.green, 1.0, *space.blue, 1.0),
        gamma=1.0,
    )
    return profile
