"""Reads what a DNG says about itself: levels, matrices, as-shot neutral, active area.

LibRaw decodes the samples but keeps no DNG matrices and rounds black levels; both are read here
from the tags. DNG Specification 1.7.1.0; knows nothing of pixels.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
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
CAMERA_SIGNATURE, PROFILE_SIGNATURE = 50931, 50932
# ColorMatrix, ForwardMatrix, CameraCalibration and CalibrationIlluminant of the two lights
LIGHT_TAGS = ((50721, 50964, 50723, 50778), (50722, 50965, 50724, 50779))
CFA, LINEAR_RAW = 32803, 34892


@dataclass(frozen=True, slots=True)
class DNG:
    """``neutral`` is (3,) with green 1; ``black`` is (2, 2), by place in the active area.

    ``area`` is top, left, bottom and right of the active area in the stored picture.
    """

    camera: Camera
    neutral: Float64
    black: Float64
    white: float
    area: tuple[int, int, int, int]
    orientation: int


def read_dng(data: bytes) -> DNG | None:
    """The tags of a DNG; None for any other file.

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
            main = next((page for page in (first, *(first.pages or ())) if _is_main(page)), None)
            if main is None:
                raise UnreadableOriginal("a DNG without a raw picture inside")
            for offset, count in zip(main.dataoffsets, main.databytecounts, strict=True):
                if count <= 0 or offset + count > len(data):
                    raise UnreadableOriginal("it is cut short: a part of the picture is missing")
            camera = _camera(first)
            black = _black(main)
            white = float(np.max(_numbers(main, WHITE, (2.0**main.bitspersample - 1,))))
            if not 0 <= black.max() < white:
                raise UnreadableOriginal(
                    f"its black level {black.max():g} is not below its white level {white:g}"
                )
            orientation = int(_numbers(first, ORIENTATION, (1,))[0])
            return DNG(
                camera=camera,
                neutral=_neutral(first, camera),
                black=black,
                white=white,
                area=_area(main),
                orientation=orientation if 1 <= orientation <= 8 else 1,
            )
    except UnreadableOriginal:
        raise
    except Exception as error:  # a broken header leads tifffile and the maths into anything
        raise UnreadableOriginal(f"its DNG header makes no sense ({error})") from error


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
    if not (0 <= top < bottom <= height and 0 <= left < right <= width):
        raise UnreadableOriginal("its active area does not lie inside its picture")
    return top, left, bottom, right


def _black(page: Any) -> Float64:
    rows, columns = (int(n) for n in _numbers(page, BLACK_REPEAT, (1, 1)))
    levels = _numbers(page, BLACK, (0.0,))
    # several samples a pixel (linear raw) are decoded by LibRaw, which takes care of their levels
    levels = levels[: rows * columns].reshape(rows, columns)
    rows_of, columns_of = max(2, rows), max(2, columns)
    tiled = np.tile(levels, (rows_of // rows, columns_of // columns))
    # longer patterns than the mosaic's own are cut down to their mean at each of its places
    return np.array([[tiled[i::2, j::2].mean() for j in (0, 1)] for i in (0, 1)])


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
