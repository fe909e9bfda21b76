"""Opens an original: a raw file, or a JPEG or TIFF picture, told apart by content.

The bytes are read once, hashed, and decoded from memory, so that what was checked is what is
developed. Knows nothing of jobs, recipes or the manifest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UnreadableOriginal
from pipeline.files.dng import DNG, read_dng
from pipeline.files.libraw import FLIP_TO_ORIENTATION, opened_raw
from pipeline.files.originals import read_original
from pipeline.files.picture import is_picture, open_picture
from pipeline.frame import Float32, Light, Source
from pipeline.kernels.camera import (
    Camera,
    camera_to_working_matrix,
    single_matrix_camera,
    white_of_neutral,
)
from pipeline.kernels.demosaic import (
    Mosaic,
    demosaic_strip,
    demosaic_window,
    with_surroundings,
)
from pipeline.kernels.highlights import BLOCK, restore_highlights, surrounding_colours
from pipeline.kernels.orient import upright

Float64 = NDArray[np.float64]
AS_SHOT: Float32 = np.ones(3, np.float32)
SAME_WHITE = 1e-4
"""Difference of a channel, as a share of green, by which two whites are one."""


def open_original(path: Path, expected_digest: str | None = None, threads: int = 1) -> Source:
    """The pixels of an original.

    Raises as ``read_original``, and ``UnreadableOriginal`` where it is not a raw file, JPEG or
    TIFF.
    """
    data = read_original(path, expected_digest)
    if not data:
        raise UnreadableOriginal("the file is empty")
    return open_picture(data) if is_picture(data) else _open_raw(data, threads)


def _open_raw(data: bytes, threads: int) -> Source:
    dng = read_dng(data, threads)
    if dng is not None and dng.mosaic is not None and dng.letters is not None:
        light = _light(dng.camera, dng.neutral, dng.baseline_stops)
        return _bayer_source(
            dng.mosaic, dng.letters, dng.black, dng.white, dng.neutral, dng.orientation, light
        )
    with opened_raw(data) as raw:
        raw.unpack()
        return _source(raw, dng)


def _source(raw: Any, dng: DNG | None) -> Source:
    import rawpy

    sizes = raw.sizes
    if dng is not None:
        light = _light(dng.camera, dng.neutral, dng.baseline_stops)
        neutral, orientation = dng.neutral, dng.orientation
        # LibRaw moves an active area with odd margins by one, away from where black levels count
        top, left, bottom, right = dng.area
    else:
        camera, neutral = _known_camera(raw)
        light = _light(camera, neutral)
        orientation = FLIP_TO_ORIENTATION.get(sizes.flip, 1)
        top, left = sizes.top_margin, sizes.left_margin
        bottom, right = top + sizes.height, left + sizes.width
    if raw.raw_type is not rawpy.RawType.Flat or not _two_by_two(raw):
        return _decoded_by_libraw(raw, neutral, orientation, light)
    place = np.array([[raw.raw_color(top + i, left + j) for j in (0, 1)] for i in (0, 1)])
    letters = np.array([chr(code) for code in raw.color_desc])[place]
    if sorted(letters.flat) != ["B", "G", "G", "R"] or letters[0, 0] == letters[0, 1]:
        return _decoded_by_libraw(raw, neutral, orientation, light)
    if dng is not None:
        black, white = dng.black, dng.white
    else:
        black = np.asarray(raw.black_level_per_channel, np.float64)[place]
        white = float(raw.white_level)
    samples = raw.raw_image[top:bottom, left:right].copy()
    if dng is not None and dng.tilt is not None:
        samples = dng.tilt.taken_off(samples)
    return _bayer_source(samples, letters, black, white, neutral, orientation, light)


def _two_by_two(raw: Any) -> bool:
    try:
        return bool(np.shape(raw.raw_pattern) == (2, 2))
    except NotImplementedError:  # a layout that rawpy has no name for
        return False


def _bayer_source(
    samples: NDArray[np.uint16],
    letters: NDArray[np.str_],
    black_levels: Float64,
    white: float,
    neutral: Float64,
    orientation: int,
    light: Light,
) -> RawSource:
    """``letters`` and ``black_levels`` are (2, 2), by place in the mosaic."""
    gains = dict(zip("RGB", 1 / neutral, strict=True))
    gain = np.array([[gains[letter] for letter in row] for row in letters])
    black = np.asarray(black_levels, np.float32)
    scale = np.asarray(gain / (white - black_levels.max()), np.float32)
    # DNG scales by the highest black, so places with a lower one reach a little above their gain
    levels = [((white - black) * scale)[letters == letter].min() for letter in "RGB"]
    clip = np.array(levels, np.float32)
    red_row, red_column = (int(index[0]) for index in np.nonzero(letters == "R"))
    samples.flags.writeable = False  # as a view of a file is: kernels are compiled for one kind
    nothing = np.empty((0, 0, 3), np.float32)
    planes = np.array([["RGB".index(letter) for letter in row] for row in letters])

    def seen(taken_for: Float32) -> _Decoding:
        mosaic, small = with_surroundings(
            Mosaic(
                samples,
                black,
                np.asarray(scale / taken_for[planes], np.float32),
                red_row,
                red_column,
                np.asarray(clip / taken_for, np.float32),
                colours=nothing,
            )
        )
        return _Decoding(partial(demosaic_strip, mosaic), partial(demosaic_window, mosaic), small)

    if not samples.any():
        raise UnreadableOriginal("it holds no picture: every sample is zero")
    height, width = samples.shape
    return RawSource(height, width, orientation, light, seen)


def _known_camera(raw: Any) -> tuple[Camera, Float64]:
    """The camera and as-shot neutral of a file that is not a DNG, from LibRaw's own tables."""
    matrix = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
    if not matrix.any():
        raise UnreadableOriginal("no colour matrix is known for its camera")
    gains = np.asarray(raw.camera_whitebalance[:3], np.float64)
    if gains.min() <= 0:
        gains = np.asarray(raw.daylight_whitebalance[:3], np.float64)
    return single_matrix_camera(matrix), gains[1] / gains


def _light(camera: Camera, neutral: Float64, baseline_stops: float = 0.0) -> Light:
    # a camera that leaves room for highlights records less than it means
    native: Float64 = neutral * np.float64(2.0**baseline_stops)

    def to_working(white: tuple[float, float]) -> Float64:
        return np.asarray(camera_to_working_matrix(camera, white) * native, np.float64)

    def white_of(rgb: tuple[float, float, float]) -> tuple[float, float]:
        return white_of_neutral(camera, np.asarray(rgb) * neutral)

    try:
        light = Light(white_of((1.0, 1.0, 1.0)), to_working, white_of)
        to_working(light.as_shot)  # refused here, not in the middle of a run
    except (ValueError, np.linalg.LinAlgError) as error:
        raise UnreadableOriginal(f"its colour data make no sense: {error}") from error
    return light


class _Decoding(NamedTuple):
    """A raw's pixels. ``rows(top, out)`` fills ``out``, (3, rows, width), with linear balanced RGB.

    ``part(top, left, out)`` does so from a column on, where that is quicker.
    ``small`` is the same at a quarter scale, (h, w, 3), not yet upright.
    """

    rows: Callable[[int, Float32], None]
    part: Callable[[int, int, Float32], None] | None
    small: Float32


@dataclass(slots=True)
class RawSource:
    """A raw, decoded by ``seen(taken_for)``, which balances for what is taken for white.

    ``taken_for`` (3,) is that in as-shot balanced RGB, green 1; pixels are given as shot again.
    Decoding begins when the first pixels are asked for, by whichever thread.
    """

    height: int
    width: int
    orientation: int
    light: Light
    seen: Callable[[Float32], _Decoding]
    taken_for: Float32 = field(default_factory=lambda: AS_SHOT)
    _known: _Decoding | None = field(default=None, init=False)
    _one_at_a_time: Lock = field(default_factory=Lock, init=False)

    def under(self, neutral: tuple[float, float, float]) -> Source:
        taken_for = np.asarray(neutral, np.float32) / np.float32(neutral[1])
        if np.abs(taken_for - self.taken_for).max() < SAME_WHITE:
            return self
        return replace(self, taken_for=taken_for)

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        rows = out[:, : bottom - top, : self.width]
        self._decoding().rows(top, rows)
        self._as_shot(rows)

    def window(self, top: int, bottom: int, left: int, right: int) -> Float32:
        decoding = self._decoding()
        if decoding.part is None:
            whole = np.empty((3, bottom - top, self.width), np.float32)
            decoding.rows(top, whole)
            out = np.ascontiguousarray(whole[:, :, left:right])
        else:
            out = np.empty((3, bottom - top, right - left), np.float32)
            decoding.part(top, left, out)
        self._as_shot(out)
        return out

    def preview(self) -> Float32:
        small = self._decoding().small * self.taken_for
        return np.ascontiguousarray(upright(small, self.orientation))

    def _decoding(self) -> _Decoding:
        with self._one_at_a_time:
            if self._known is None:
                self._known = self.seen(self.taken_for)
            return self._known

    def _as_shot(self, planes: Float32) -> None:
        if self.taken_for is not AS_SHOT:
            planes *= self.taken_for[:, None, None]


def _decoded_by_libraw(raw: Any, neutral: Float64, orientation: int, light: Light) -> Source:
    """X-Trans, linear raw and other layouts: LibRaw's demosaic, linear, nothing automatic.

    ``adjust_maximum_thr=0`` keeps exposure from depending on content; with highlight mode 1 LibRaw
    scales the largest gain to 1 and clips nothing, which is undone here.
    """
    import rawpy

    gains = 1 / neutral
    pixels = raw.postprocess(
        output_color=rawpy.ColorSpace.raw,
        output_bps=16,
        gamma=(1, 1),
        user_wb=[*gains.tolist(), float(gains[1])],
        user_flip=0,
        no_auto_bright=True,
        adjust_maximum_thr=0.0,
        highlight_mode=rawpy.HighlightMode.Ignore,
    )
    if pixels.ndim != 3 or pixels.shape[2] != 3:
        raise UnreadableOriginal("its sensor does not have three colours")
    height, width = pixels.shape[:2]
    whole = pixels[: height // BLOCK * BLOCK, : width // BLOCK * BLOCK]
    blocks = whole.reshape(height // BLOCK, BLOCK, width // BLOCK, BLOCK, 3)
    mean, most = blocks.mean(axis=(1, 3), dtype=np.float32), blocks.max(axis=(1, 3))

    def seen(taken_for: Float32) -> _Decoding:
        scale = np.asarray(gains.max() / 65535 / taken_for, np.float32)
        clip = np.asarray(gains / taken_for, np.float32)
        small = mean * scale
        colours = surrounding_colours(small, (most * scale / clip).max(axis=2), clip)
        return _Decoding(_Decoded(pixels, scale, colours, clip).rows, None, small)

    return RawSource(height, width, orientation, light, seen)


@dataclass(frozen=True, slots=True)
class _Decoded:
    """Pixels (h, w, 3), uint16, that are linear and balanced once scaled."""

    pixels: NDArray[np.uint16]
    scale: Float32
    colours: Float32 | None
    clip: Float32

    def rows(self, top: int, out: Float32) -> None:
        part = self.pixels[top : top + out.shape[1]].transpose(2, 0, 1)
        np.multiply(part, self.scale[:, None, None], out=out)
        if self.colours is not None:
            restore_highlights(out, top, self.colours, self.clip)
