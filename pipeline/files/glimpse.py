"""What can be seen of an original without developing it: its preview, and its values as recorded.

A camera writes a JPEG of the picture into its raw, which takes a fraction of the time of a
demosaic. Where there is none, neighbouring greens of the mosaic are averaged. Knows nothing of
jobs or the manifest.
"""

from __future__ import annotations

import struct
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UnreadableOriginal
from pipeline.files.dng import MOST_PIXELS, read_dng
from pipeline.files.libraw import FLIP_TO_ORIENTATION, opened_raw
from pipeline.files.originals import read_original
from pipeline.files.picture import is_picture, open_picture
from pipeline.frame import Float32
from pipeline.kernels.orient import upright, upright_shape

LEAST_PREVIEW_PX = 1000
"""Long side of a preview that shows whether a picture is sharp. Ours, no source."""
LOOKED_AT_PX = 3600
"""Long side that is enough: a larger preview is decoded at half its size, or less."""
GREEN = 1


@dataclass(frozen=True, slots=True)
class Values:
    """Samples as recorded, in the sensor's orientation: a mosaic (h, w), or (h, w, 3).

    ``colours``, (p, p), are those of a mosaic's places, 0 to 2 for red, green and blue, in a
    pattern that repeats; None where every pixel has all three. ``black`` is (p, p) as well, or one
    number.
    """

    samples: NDArray[Any]
    colours: NDArray[np.uint8] | None
    black: NDArray[np.float64]
    white: float


@dataclass(frozen=True, slots=True)
class Glimpse:
    """``grey`` is the picture upright, (h, w), 0 to 1 on a scale like that of the eye.

    ``of`` says what it was made from. ``width`` is that of the upright picture at full size.
    ``values`` is None where the file holds no samples that can be read as they were recorded;
    ``light`` is the linear one, (h, w, 3), upright, 1 at the white level, for a picture in an
    output space.
    """

    grey: NDArray[np.uint8] | Float32
    white: float
    of: str
    width: int
    orientation: int
    values: Values | None
    light: Float32 | None = None

    def colours(self) -> Float32 | None:
        """Linear RGB, (h, w, 3), upright, not balanced, of whole patterns of the mosaic.

        None where there are no values.
        """
        if self.light is not None or self.values is None:
            return self.light
        return upright(_means(self.values), self.orientation)


def glimpse(path: Path, expected_digest: str | None = None) -> Glimpse:
    """Look at an original.

    Raises as ``read_original``, and ``UnreadableOriginal`` where it is not a raw file, JPEG or TIFF
    or is damaged.
    """
    data = read_original(path, expected_digest)
    if not data:
        raise UnreadableOriginal("the file is empty")
    return _of_picture(data) if is_picture(data) else _of_raw(data)


def _of_picture(data: bytes) -> Glimpse:
    source = open_picture(data)
    codes = source.pixels
    white = float(np.iinfo(codes.dtype).max) if codes.dtype.kind == "u" else 1.0
    green = codes if codes.ndim == 2 else codes[..., GREEN]
    stored = _no_larger(green.astype(np.float32) / np.float32(white))
    samples = np.repeat(codes[..., None], 3, axis=2) if codes.ndim == 2 else codes
    _, width = upright_shape(source.height, source.width, source.orientation)
    return Glimpse(
        upright(stored, source.orientation),
        1.0,
        "picture",
        width,
        source.orientation,
        Values(samples, None, np.zeros(()), white),
        source.preview(),
    )


def _of_raw(data: bytes) -> Glimpse:
    dng = read_dng(data)
    if dng is not None and dng.mosaic is not None and dng.letters is not None:
        colours = np.array([["RGB".index(letter) for letter in row] for row in dng.letters])
        known = Values(dng.mosaic, colours.astype(np.uint8), dng.black, dng.white)
        height, width = dng.mosaic.shape
        preview = None
        if dng.preview is not None:
            offset, count = dng.preview
            preview = _decoded(memoryview(data)[offset : offset + count])
        if preview is None:
            with suppress(UnreadableOriginal), opened_raw(data) as raw:
                preview = _preview(raw)
        return _put_together(preview, known, (height, width), dng.orientation)
    with opened_raw(data) as raw:
        preview = _preview(raw)
        raw.unpack()
        if dng is not None:
            area, orientation = dng.area, dng.orientation
        else:
            sizes = raw.sizes
            top, left = sizes.top_margin, sizes.left_margin
            area = top, left, top + sizes.height, left + sizes.width
            orientation = FLIP_TO_ORIENTATION.get(sizes.flip, 1)
        values = _unpacked(raw, area, (dng.black, dng.white) if dng else None)
        if values is not None and dng is not None and dng.tilt is not None:
            values = replace(values, samples=dng.tilt.taken_off(values.samples))
        size = area[2] - area[0], area[3] - area[1]
        return _put_together(preview, values, size, orientation)


def _unpacked(
    raw: Any,
    area: tuple[int, int, int, int],
    levels: tuple[NDArray[np.float64], float] | None,
) -> Values | None:
    """The mosaic that LibRaw unpacked, of whatever pattern up to 6 × 6; None where it is none."""
    import rawpy

    top, left, bottom, right = area
    if raw.raw_type is not rawpy.RawType.Flat:
        return None
    period = range(min(6, bottom - top, right - left))
    place = np.array([[raw.raw_color(top + i, left + j) for j in period] for i in period])
    letters = np.array([chr(code) for code in raw.color_desc])[place]
    if not np.isin(letters, list("RGB")).all():
        return None
    colours = np.array([["RGB".index(letter) for letter in row] for row in letters], np.uint8)
    if levels is not None and levels[0].shape == (2, 2):
        black, white = np.tile(levels[0], (3, 3))[: len(period), : len(period)], levels[1]
    else:
        black = np.asarray(raw.black_level_per_channel, np.float64)[place]
        white = float(raw.white_level)
    if len(period) == 6 and (colours == np.tile(colours[:2, :2], (3, 3))).all():
        colours, black = colours[:2, :2], black[:2, :2]
    return Values(raw.raw_image[top:bottom, left:right].copy(), colours, black, white)


def _preview(raw: Any) -> NDArray[np.uint8] | None:
    """The preview inside, (h, w), as stored; None where there is none that is large enough."""
    import rawpy

    try:
        found = raw.extract_thumb()
    except rawpy.LibRawError:
        return None
    if found.format == rawpy.ThumbFormat.BITMAP:
        picture = np.asarray(found.data)
        if max(picture.shape[:2]) < LEAST_PREVIEW_PX:
            return None
        return np.asarray(_no_larger(np.ascontiguousarray(picture[..., GREEN])), np.uint8)
    return _decoded(memoryview(found.data))


def _decoded(jpeg: memoryview) -> NDArray[np.uint8] | None:
    """A JPEG's grey, (h, w), as stored; None where it is not large enough, or damaged."""
    import cv2

    height, width = _jpeg_size(jpeg)
    if max(height, width) < LEAST_PREVIEW_PX or height * width > MOST_PIXELS:
        return None
    # a JPEG is decoded at a half or a quarter of its size in a fraction of the time
    by = next(by for by in (1, 2, 4, 8) if max(height, width) <= by * LOOKED_AT_PX or by == 8)
    reduced = {
        1: cv2.IMREAD_GRAYSCALE,
        2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
        4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
        8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
    }[by]
    grey = cv2.imdecode(np.frombuffer(jpeg, np.uint8), reduced | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if grey is None else np.asarray(grey, np.uint8)


def _jpeg_size(data: memoryview) -> tuple[int, int]:
    """Height and width by a JPEG's frame header (ITU-T T.81, B.2.2); 0, 0 where it has none."""
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height, width = struct.unpack_from(">HH", data, at + 5)
            return int(height), int(width)
        at += 1 if marker == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return 0, 0


def _put_together(
    preview: NDArray[np.uint8] | None,
    values: Values | None,
    size: tuple[int, int],
    orientation: int,
) -> Glimpse:
    height, width = size
    grey: NDArray[Any]
    of, white = "preview", 255.0
    if preview is not None:
        # some cameras turn their previews, some do not: the sides tell
        turned = orientation >= 5 and (preview.shape[0] > preview.shape[1]) != (height > width)
        grey = preview if turned else upright(preview, orientation)
    elif values is not None:
        of, white, grey = "raw values", 1.0, upright(_greens(values), orientation)
    else:
        raise UnreadableOriginal(
            "it has no preview inside, and its samples are not those of a mosaic; nothing of it can"
            " be measured"
        )
    _, upright_width = upright_shape(height, width, orientation)
    return Glimpse(grey, white, of, upright_width, orientation, values)


def _greens(values: Values) -> Float32:
    """Means of the greens in blocks of 2 × 2, or 3 × 3 where the pattern is of 6 × 6.

    Their square root: noise is then the same everywhere (Anscombe, "The transformation of Poisson,
    binomial and negative-binomial data", Biometrika 35, 1948).
    """
    samples, colours = values.samples, values.colours
    assert colours is not None  # what has all colours at every pixel is no raw mosaic
    period = len(colours)
    block = 3 if period == 6 else 2
    height, width = (side // period * period for side in samples.shape)
    sums: Float32 = np.zeros((height // block, width // block), np.float32)
    counts = np.zeros((period // block, period // block), np.float32)
    steps = period // block
    for i, j in np.argwhere(colours == GREEN):
        part = samples[i:height:period, j:width:period]
        sums[i // block :: steps, j // block :: steps] += part - np.float32(values.black[i, j])
        counts[i // block, j // block] += 1
    scale = np.float32(1 / (values.white - float(values.black.max())))
    for i in range(steps):
        for j in range(steps):
            sums[i::steps, j::steps] *= scale / counts[i, j]
    return _no_larger(np.sqrt(np.clip(sums, 0, 1)))


def _means(values: Values) -> Float32:
    """The mean of each colour in every whole pattern of a mosaic, (h, w, 3), 1 at white."""
    samples, colours = values.samples, values.colours
    assert colours is not None  # what has all colours at every pixel is no raw mosaic
    period = len(colours)
    height, width = (side // period * period for side in samples.shape)
    sums: Float32 = np.zeros((height // period, width // period, 3), np.float32)
    for (i, j), colour in np.ndenumerate(colours):
        part = samples[i:height:period, j:width:period]
        sums[..., colour] += part - np.float32(values.black[i, j])
    counts = np.bincount(colours.ravel(), minlength=3)
    sums /= (counts * (values.white - float(values.black.max()))).astype(np.float32)
    return sums


def _no_larger(picture: NDArray[Any]) -> NDArray[Any]:
    """A picture brought to ``LOOKED_AT_PX`` by whole steps, so that like sizes stay alike."""
    import cv2

    by = -(-max(picture.shape) // LOOKED_AT_PX)
    if by == 1:
        return picture
    size = picture.shape[1] // by, picture.shape[0] // by
    whole = np.ascontiguousarray(picture[: size[1] * by, : size[0] * by])
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA))
