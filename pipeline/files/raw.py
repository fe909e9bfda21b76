"""Opens an original: a raw file, or a JPEG or TIFF picture, told apart by content.

The bytes are read once, hashed, and decoded from memory, so that what was checked is what is
developed. Knows nothing of jobs, recipes or the manifest.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import NotAsRecorded, UnreadableOriginal
from pipeline.files.dng import DNG, read_dng
from pipeline.files.picture import is_picture, open_picture
from pipeline.frame import Float32, Light, Source
from pipeline.hashing import digest_bytes
from pipeline.kernels.camera import (
    Camera,
    camera_to_working_matrix,
    single_matrix_camera,
    white_of_neutral,
)
from pipeline.kernels.demosaic import bin_mosaic, demosaic_strip
from pipeline.kernels.orient import upright

Float64 = NDArray[np.float64]

MOST_BYTES = 4 << 30
MOST_PIXELS = 400_000_000
"""Larger sensors do not exist; a header that claims more is broken or hostile."""
FLIP_TO_ORIENTATION = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}
"""LibRaw's flip to Exif's Orientation."""


def open_original(path: Path, expected_digest: str | None = None) -> Source:
    """The pixels of an original.

    Raises ``NotAsRecorded`` where the file's digest is not ``expected_digest``, and
    ``UnreadableOriginal`` where it cannot be read or is not a raw file, JPEG or TIFF.
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise UnreadableOriginal(f"it is {size >> 30} GB large; at most 4 GB are read")
        data = path.read_bytes()
    except OSError as error:
        raise UnreadableOriginal(f"it cannot be read: {error.strerror or error}") from error
    if expected_digest is not None and digest_bytes(data) != expected_digest:
        raise NotAsRecorded(f"{path.name} is not the file that was recorded: its content changed")
    if not data:
        raise UnreadableOriginal("the file is empty")
    return open_picture(data) if is_picture(data) else _open_raw(data)


def _open_raw(data: bytes) -> Source:
    import rawpy

    dng = read_dng(data)
    try:
        with rawpy.RawPy() as raw:
            raw.open_buffer(io.BytesIO(data))
            sizes = raw.sizes
            if sizes.raw_height * sizes.raw_width > MOST_PIXELS:
                raise UnreadableOriginal(
                    f"its header claims {sizes.raw_width} × {sizes.raw_height} pixels; at most "
                    f"{MOST_PIXELS // 1_000_000} million are read"
                )
            if min(sizes.height, sizes.width) < 2:
                raise UnreadableOriginal(f"{sizes.width} × {sizes.height} pixels are not a picture")
            raw.unpack()
            return _source(raw, dng)
    except rawpy.LibRawFileUnsupportedError as error:
        raise UnreadableOriginal("it is not a raw file, JPEG or TIFF that can be read") from error
    except rawpy.LibRawError as error:
        reason = error.args[0] if error.args else error
        text = reason.decode(errors="replace") if isinstance(reason, bytes) else str(reason)
        raise UnreadableOriginal(f"it is damaged or cut short ({text.strip().lower()})") from error


def _source(raw: Any, dng: DNG | None) -> Source:
    import rawpy

    sizes = raw.sizes
    if dng is not None:
        camera, neutral, orientation = dng.camera, dng.neutral, dng.orientation
    else:
        camera, neutral = _known_camera(raw)
        orientation = FLIP_TO_ORIENTATION.get(sizes.flip, 1)
    try:
        light = _light(camera, neutral)
    except (ValueError, np.linalg.LinAlgError) as error:
        raise UnreadableOriginal(f"its colour data make no sense: {error}") from error
    if raw.raw_type is not rawpy.RawType.Flat or np.shape(raw.raw_pattern) != (2, 2):
        return _decoded_by_libraw(raw, neutral, orientation, light)
    # LibRaw moves an active area with odd margins by one, away from where DNG's black levels count
    top, left = (dng.area[:2]) if dng else (sizes.top_margin, sizes.left_margin)
    bottom, right = dng.area[2:] if dng else (top + sizes.height, left + sizes.width)
    place = [[raw.raw_color(top + i, left + j) for j in (0, 1)] for i in (0, 1)]
    letters = [[chr(raw.color_desc[index]) for index in row] for row in place]
    if sorted(letters[0] + letters[1]) != ["B", "G", "G", "R"] or letters[0][0] == letters[0][1]:
        return _decoded_by_libraw(raw, neutral, orientation, light)
    if dng is not None:
        black, white = dng.black, dng.white
    else:
        black = np.array([[raw.black_level_per_channel[i] for i in row] for row in place], float)
        white = float(raw.white_level)
    gain = np.array([[1 / neutral["RGB".index(letter)] for letter in row] for row in letters])
    return BayerSource(
        mosaic=raw.raw_image[top:bottom, left:right].copy(),
        black=black.astype(np.float32),
        scale=(gain / (white - black.max())).astype(np.float32),
        red=next((i, j) for i in (0, 1) for j in (0, 1) if letters[i][j] == "R"),
        orientation=orientation,
        light=light,
    )


def _known_camera(raw: Any) -> tuple[Camera, Float64]:
    """The camera and as-shot neutral of a file that is not a DNG, from LibRaw's own tables."""
    matrix = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
    if not matrix.any():
        raise UnreadableOriginal("no colour matrix is known for its camera")
    gains = np.asarray(raw.camera_whitebalance[:3], np.float64)
    if gains.min() <= 0:
        gains = np.asarray(raw.daylight_whitebalance[:3], np.float64)
    return single_matrix_camera(matrix), gains[1] / gains


def _light(camera: Camera, neutral: Float64) -> Light:
    def to_working(white: tuple[float, float]) -> Float64:
        return camera_to_working_matrix(camera, white) * neutral

    def white_of(rgb: tuple[float, float, float]) -> tuple[float, float]:
        return white_of_neutral(camera, np.asarray(rgb) * neutral)

    light = Light(white_of((1.0, 1.0, 1.0)), to_working, white_of)
    to_working(light.as_shot)  # what cannot be inverted is refused here, not in the middle of a run
    return light


@dataclass(slots=True)
class BayerSource:
    """A Bayer mosaic, demosaicked strip by strip. Fields as in ``demosaic_strip``."""

    mosaic: NDArray[np.uint16]
    black: Float32
    scale: Float32
    red: tuple[int, int]
    orientation: int
    light: Light
    width: int = field(init=False)
    height: int = field(init=False)

    def __post_init__(self) -> None:
        self.height, self.width = self.mosaic.shape[:2]

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        demosaic_strip(self.mosaic, self.black, self.scale, self.red, top, out[:, : bottom - top])

    def preview(self) -> Float32:
        small = bin_mosaic(self.mosaic, self.black, self.scale, self.red)
        return np.ascontiguousarray(upright(small, self.orientation))


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
    return DecodedSource(pixels, float(gains.max()) / 65535, orientation, light)


@dataclass(slots=True)
class DecodedSource:
    """Pixels (h, w, 3), uint16, that are linear and balanced once scaled."""

    pixels: NDArray[np.uint16]
    scale: float
    orientation: int
    light: Light
    width: int = field(init=False)
    height: int = field(init=False)

    def __post_init__(self) -> None:
        self.height, self.width = self.pixels.shape[:2]

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        rows = self.pixels[top:bottom].transpose(2, 0, 1)
        np.multiply(rows, np.float32(self.scale), out=out[:, : bottom - top, : self.width])

    def preview(self) -> Float32:
        height, width = self.height // 4, self.width // 4
        if height == 0 or width == 0:
            small = self.pixels.astype(np.float32)
        else:
            blocks = self.pixels[: height * 4, : width * 4].reshape(height, 4, width, 4, 3)
            small = blocks.mean(axis=(1, 3), dtype=np.float32)
        return np.ascontiguousarray(upright(small * np.float32(self.scale), self.orientation))
