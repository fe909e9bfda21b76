"""Reads a DNG: levels, matrices, as-shot neutral and, where it is simple, the mosaic itself.

LibRaw keeps no DNG matrices and rounds black levels, so the tags are read here. A 2 × 2 mosaic of
16-bit samples, plain or in lossless JPEG, is decoded here too, in half of LibRaw's time. DNG
Specification 1.7.1.0; knows nothing of what becomes of the pixels.
"""

from __future__ import annotations

import io
import math
import struct
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UnreadableOriginal
from pipeline.kernels.camera import LIGHT_SOURCE_KELVIN, Calibration, Camera, neutral_of
from pipeline.kernels.spaces import D65

Float64 = NDArray[np.float64]

DNG_VERSION = 50706
ORIENTATION = 274
BLACK_REPEAT, BLACK, WHITE, ACTIVE_AREA = 50713, 50714, 50717, 50829
ANALOG_BALANCE, AS_SHOT_NEUTRAL, AS_SHOT_WHITE_XY = 50727, 50728, 50729
BASELINE_EXPOSURE, BASELINE_EXPOSURE_OFFSET = 50730, 51109
BLACK_BY_COLUMN, BLACK_BY_ROW = 50715, 50716
"""BlackLevelDeltaH and BlackLevelDeltaV."""
CAMERA_SIGNATURE, PROFILE_SIGNATURE = 50931, 50932
# ColorMatrix, ForwardMatrix, CameraCalibration and CalibrationIlluminant of the two lights
LIGHT_TAGS = ((50721, 50964, 50723, 50778), (50722, 50965, 50724, 50779))
CFA, LINEAR_RAW = 32803, 34892
CFA_PATTERN = 33422
UNCOMPRESSED, OLD_JPEG, JPEG = 1, 6, 7
JPEG_OFFSET, JPEG_BYTES = 513, 514
"""JPEGInterchangeFormat and its length (TIFF 6.0, section 22), which hold previews."""
PREVIEWS = (1, 65537)
"""NewSubFileType of a preview, and of one that is not the first choice (DNG 1.7.1.0)."""
# LinearizationTable, RowInterleaveFactor, ColumnInterleaveFactor: left to LibRaw
OTHER_LAYOUTS = {50712, 50975, 52547}

MOST_PIXELS = 400_000_000
"""Larger sensors do not exist; a header that claims more is broken or hostile."""
LEAST_SIDE = 4
MOST_BASELINE_STOPS = 8.0


@dataclass(frozen=True, slots=True)
class Tilt:
    """What black lies above its 2 × 2 levels at each row and column of the active area, and at the
    places of a pattern that repeats all over it, in whole codes."""

    rows: NDArray[np.int32]
    columns: NDArray[np.int32]
    pattern: NDArray[np.int32]

    def taken_off(self, samples: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """The active area's samples as if its black were level; none goes below 0."""
        level = np.empty_like(samples)
        repeats = -(-len(self.columns) // self.pattern.shape[1])
        lines = np.tile(self.pattern, repeats)[:, : len(self.columns)] + self.columns
        for row, more in enumerate(self.rows):
            level[row] = np.clip(samples[row] - (lines[row % len(lines)] + more), 0, 65535)
        return level


@dataclass(frozen=True, slots=True)
class DNG:
    """``neutral`` is (3,) with green 1; ``black`` is (2, 2), by place in the active area.

    ``baseline_stops`` is how much brighter than its samples the maker means the picture to be.

    ``area`` is top, left, bottom and right of the active area in the stored picture. ``tilt`` is
    how its black differs by row and column, None for not at all; ``white`` is then that of level
    samples. ``mosaic`` is the active area's samples, level, and ``letters``, (2, 2), their colours;
    None where LibRaw must decode.

    ``preview`` is the largest JPEG among its previews, as offset and bytes; None without any.
    """

    camera: Camera
    neutral: Float64
    black: Float64
    white: float
    baseline_stops: float
    area: tuple[int, int, int, int]
    tilt: Tilt | None
    orientation: int
    mosaic: NDArray[np.uint16] | None
    letters: NDArray[np.str_] | None
    preview: tuple[int, int] | None


def read_dng(data: bytes, threads: int = 1) -> DNG | None:
    """The tags of a DNG, and its samples where they can be had here; None for any other file.

    Raises ``UnreadableOriginal`` for a DNG that lacks what it needs.
    """
    import tifffile

    if data[:4] not in (b"II*\0", b"MM\0*"):
        return None
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            first = file.pages[0]
            if DNG_VERSION not in first.tags:
                return None
            pages = (first, *(first.pages or ()))
            main = next((page for page in pages if _is_main(page)), None)
            if main is None:
                raise UnreadableOriginal("a DNG without a raw picture inside")
            area = _area(main)
            for offset, size in zip(main.dataoffsets, main.databytecounts, strict=True):
                if size <= 0 or offset + size > len(data):
                    raise UnreadableOriginal("it is cut short: a part of the picture is missing")
            camera = _camera(first)
            black, tilt, highest = _black(main, area)
            white = float(np.max(_numbers(main, WHITE, (2.0**main.bitspersample - 1,))))
            white -= highest - float(black.max())
            if not 0 <= black.max() < white:
                raise UnreadableOriginal(
                    f"its black level {black.max():g} is not below its white level {white:g}"
                )
            orientation = int(_numbers(first, ORIENTATION, (1,))[0])
            letters = _letters(main)
            mosaic = None if letters is None else _mosaic(main, data, area, threads)
            if mosaic is not None and tilt is not None:
                mosaic = tilt.taken_off(mosaic)
            return DNG(
                camera=camera,
                neutral=_neutral(first, camera),
                black=black,
                white=white,
                baseline_stops=_baseline_stops(first),
                area=area,
                tilt=tilt,
                orientation=orientation if 1 <= orientation <= 8 else 1,
                mosaic=mosaic,
                letters=letters,
                preview=_preview(pages, len(data)),
            )
    except UnreadableOriginal:
        raise
    except Exception as error:  # a broken header leads tifffile and the maths into anything
        raise UnreadableOriginal(f"its DNG header makes no sense ({error})") from error


def jpeg_place(page: Any) -> tuple[int, int] | None:
    """Where a directory's JPEG lies, and its bytes; None for the raw picture and all else."""
    if page.photometric in (CFA, LINEAR_RAW):
        return None
    offset, size = page.tags.get(JPEG_OFFSET), page.tags.get(JPEG_BYTES)
    if offset is not None and size is not None:
        return int(offset.value), int(size.value)
    if page.compression in (OLD_JPEG, JPEG) and len(page.dataoffsets) == 1:
        return int(page.dataoffsets[0]), int(page.databytecounts[0])
    return None


def _preview(pages: tuple[Any, ...], size_bytes: int) -> tuple[int, int] | None:
    """The largest JPEG that is whole in itself: one without tables of its own is left to LibRaw."""
    places = [
        place
        for page in pages
        if page.subfiletype in PREVIEWS and page.jpegtables is None
        for place in [jpeg_place(page)]
        if place is not None and min(place) > 0 and sum(place) <= size_bytes
    ]
    return max(places, key=lambda place: place[1], default=None)


def _baseline_stops(page: Any) -> float:
    # the second comes with the profile inside and adds to the first
    tags = BASELINE_EXPOSURE, BASELINE_EXPOSURE_OFFSET
    stops = sum(float(_numbers(page, code, (0.0,))[0]) for code in tags)
    if abs(stops) > MOST_BASELINE_STOPS:
        raise UnreadableOriginal(f"its baseline exposure of {stops:g} stops makes no sense")
    return stops


def _is_main(page: Any) -> bool:
    return bool(page.photometric in (CFA, LINEAR_RAW) and not page.subfiletype & 1)


def _numbers(page: Any, code: int, default: tuple[float, ...] = ()) -> Float64:
    """A tag's numbers; rationals, which tifffile gives as pairs, become quotients."""
    tag = page.tags.get(code)
    if tag is None:
        return np.array(default, np.float64)
    values = np.atleast_1d(np.asarray(tag.value, np.float64))
    if tag.dtype in (5, 10):
        values = values.reshape(-1, 2)
        values = values[:, 0] / values[:, 1]
    if not np.isfinite(values).all():
        raise UnreadableOriginal(f"its tag {code} holds a number that is not finite")
    return values


def _text(page: Any, code: int) -> str:
    tag = page.tags.get(code)
    value = b"" if tag is None else tag.value
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)


def _area(page: Any) -> tuple[int, int, int, int]:
    width, height = int(page.imagewidth), int(page.imagelength)
    top, left, bottom, right = (
        int(n) for n in _numbers(page, ACTIVE_AREA, (0, 0, height, width))[:4]
    )
    if width * height > MOST_PIXELS:
        raise UnreadableOriginal(
            f"its header claims {width} × {height} pixels; at most "
            f"{MOST_PIXELS // 1_000_000} million are read"
        )
    if not (0 <= top < bottom <= height and 0 <= left < right <= width):
        raise UnreadableOriginal("its active area does not lie inside its picture")
    if min(bottom - top, right - left) < LEAST_SIDE:
        raise UnreadableOriginal(f"{right - left} × {bottom - top} pixels are not a picture")
    return top, left, bottom, right


def _letters(page: Any) -> NDArray[np.str_] | None:
    """The colours of a 2 × 2 mosaic of red, green and blue in whole words or lossless JPEG."""
    whole_words = page.compression == UNCOMPRESSED and page.bitspersample == 16
    if page.photometric != CFA or page.dtype != "uint16" or OTHER_LAYOUTS & set(page.tags.keys()):
        return None
    if page.samplesperpixel != 1 or not (whole_words or page.compression == JPEG):
        return None
    tag = page.tags.get(CFA_PATTERN)
    pattern = b"" if tag is None else bytes(tag.value)
    if len(pattern) != 4 or sorted(pattern) != [0, 1, 1, 2] or pattern[0] == pattern[1]:
        return None
    return np.array([["RGB"[code] for code in pattern[:2]], ["RGB"[code] for code in pattern[2:]]])


def _mosaic(
    page: Any, data: bytes, area: tuple[int, int, int, int], threads: int
) -> NDArray[np.uint16]:
    import imagecodecs

    top, left, bottom, right = area
    height, width = page.imagelength, page.imagewidth
    if page.compression == UNCOMPRESSED:
        offset = page.dataoffsets[0]
        if page.is_contiguous and offset % 2 == 0 and offset + 2 * height * width <= len(data):
            # a view of the file's bytes: a copy would cost as much as everything else here
            stored = np.frombuffer(data, page.parent.byteorder + "u2", height * width, offset)
            whole = stored.reshape(height, width)
        else:
            whole = page.asarray(maxworkers=1)
        return np.ascontiguousarray(whole[top:bottom, left:right], np.uint16)
    rows, columns = (
        (page.tilelength, page.tilewidth) if page.is_tiled else (page.rowsperstrip, width)
    )
    mosaic = np.empty((height, width), np.uint16)
    across = -(-width // columns)

    def decode(index: int, offset: int, size: int) -> None:
        # components and lines may be cut in any way: in memory the samples lie in their order
        coded = data[offset : offset + size]
        start = coded.find(b"\xff\xc3")  # the frame header tells how much memory decoding takes
        lines, line, components = struct.unpack_from(">HHB", coded, start + 5)
        if start < 0 or lines * line * components > rows * columns:
            raise UnreadableOriginal("its tiles are not of the size that its header says")
        samples = imagecodecs.ljpeg_decode(coded).reshape(-1, columns)
        y, x = index // across * rows, index % across * columns
        part = mosaic[y : y + rows, x : x + columns]
        part[:] = samples[: part.shape[0], : part.shape[1]]

    with ThreadPoolExecutor(threads) as pool:  # the decoder leaves Python to others meanwhile
        list(pool.map(decode, count(), page.dataoffsets, page.databytecounts))
    return np.ascontiguousarray(mosaic[top:bottom, left:right])


def _black(page: Any, area: tuple[int, int, int, int]) -> tuple[Float64, Tilt | None, float]:
    """Black at the mosaic's places, (2, 2), how it differs from there, and the highest of all.

    Chapter "Mapping Raw Values to Linear Reference Values".
    """
    rows, columns = (int(n) for n in _numbers(page, BLACK_REPEAT, (1, 1)))
    levels = _numbers(page, BLACK, (0.0,))
    # several samples a pixel (linear raw) are decoded by LibRaw, which takes care of their levels
    levels = levels[: rows * columns].reshape(rows, columns)
    # repeated until it is whole for the mosaic too
    pattern = np.tile(levels, (math.lcm(rows, 2) // rows, math.lcm(columns, 2) // columns))
    black = np.array([[pattern[i::2, j::2].mean() for j in (0, 1)] for i in (0, 1)])
    rest = pattern - np.tile(black, (pattern.shape[0] // 2, pattern.shape[1] // 2))
    down = _by_line(page, BLACK_BY_ROW, area[2] - area[0], "rows")
    across = _by_line(page, BLACK_BY_COLUMN, area[3] - area[1], "columns")
    highest = float(levels.max() + down.max() + across.max())
    if not (rest.any() or down.any() or across.any()):
        return black, None, highest
    whole = (np.rint(values).astype(np.int32) for values in (down, across, rest))
    return black, Tilt(*whole), highest


def _by_line(page: Any, code: int, count: int, lines: str) -> Float64:
    """A level for each row or column of the active area; fractions of codes."""
    levels = _numbers(page, code, (0.0,) * count)
    if levels.size != count:
        raise UnreadableOriginal(
            f"it has black levels for {levels.size} {lines}; its active area has {count}"
        )
    if np.abs(levels).max() > 65535:
        raise UnreadableOriginal(f"the black levels of its {lines} make no sense")
    return levels


def _matrix(page: Any, code: int) -> Float64 | None:
    values = _numbers(page, code)
    if values.size == 0:
        return None
    if values.size != 9:
        raise UnreadableOriginal(f"it is not from a camera with three colours (tag {code})")
    return values.reshape(3, 3)


def _camera(page: Any) -> Camera:
    # a unit's own calibration counts only for the profile that it was measured with; both
    # signatures are empty where they are not written
    own = _text(page, CAMERA_SIGNATURE) == _text(page, PROFILE_SIGNATURE)
    calibrations = []
    for color_tag, forward_tag, individual_tag, light_tag in LIGHT_TAGS:
        color = _matrix(page, color_tag)
        if color is None:
            continue
        if np.linalg.cond(color) > 1e6:
            raise UnreadableOriginal("its colour matrix cannot be inverted")
        individual = _matrix(page, individual_tag) if own else None
        calibrations.append(
            Calibration(
                kelvin=LIGHT_SOURCE_KELVIN.get(int(_numbers(page, light_tag, (0,))[0]), 0.0),
                color=color,
                forward=_matrix(page, forward_tag),
                individual=np.eye(3) if individual is None else individual,
            )
        )
    if not calibrations:
        raise UnreadableOriginal("a DNG without a colour matrix")
    # a light that cannot be placed in temperature cannot be interpolated with another
    placed = sorted((c for c in calibrations if c.kelvin), key=lambda c: c.kelvin)
    balance = _numbers(page, ANALOG_BALANCE, (1.0, 1.0, 1.0))
    return Camera(tuple(placed) or (calibrations[0],), balance[:3])


def _neutral(page: Any, camera: Camera) -> Float64:
    """What the camera recorded of neutral, green 1; daylight where the file does not say."""
    neutral = _numbers(page, AS_SHOT_NEUTRAL)
    if neutral.size == 0:
        x, y = _numbers(page, AS_SHOT_WHITE_XY, D65)[:2]
        return neutral_of(camera, (float(x), float(y)))
    if neutral.size != 3 or neutral.min() <= 0:
        raise UnreadableOriginal(
            f"its as-shot neutral {neutral.tolist()} is not three positive numbers"
        )
    balanced: Float64 = neutral / neutral[1]
    return balanced
