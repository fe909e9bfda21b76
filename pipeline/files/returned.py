"""What a retoucher sent back, as pixels for the finish stage."""

from __future__ import annotations

import io
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import NotAsRecorded, UnreadableOriginal
from pipeline.files.encode import XMP
from pipeline.files.picture import PictureSource, read_tiff
from pipeline.frame import Float32, Light
from pipeline.hashing import digest_bytes
from pipeline.kernels.encode import decode_romm16
from pipeline.kernels.orient import upright
from pipeline.kernels.spaces import D65, SPACES, XY, between_matrix


def read_returned(path: Path, digest: str) -> NDArray[np.uint16]:
    """The codes of a 16-bit RGB TIFF that was accepted, (height, width, 3), upright.

    Its bytes are compared with the digest that was recorded before anything in it is believed.
    Raises ``NotAsRecorded`` where it is gone or differs.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise NotAsRecorded(
            f"{path}: the retouched file cannot be read ({error.strerror})"
        ) from error
    if digest_bytes(data) != digest:
        raise NotAsRecorded(f"{path}: the retouched file is not what was recorded")
    try:
        pixels, _, orientation = read_tiff(data)
    except UnreadableOriginal as error:
        raise NotAsRecorded(f"{path}: the retouched file cannot be read, {error}") from error
    if pixels.dtype != np.uint16 or pixels.ndim != 3:
        raise NotAsRecorded(f"{path}: the retouched file is not RGB with 16 bits a channel")
    return np.ascontiguousarray(upright(pixels, orientation))


def said_in(data: bytes) -> tuple[bytes | None, int, int]:
    """The XMP packet of a TIFF's first page, how many pages there are, and the first's channels."""
    import tifffile

    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = file.pages[0]
        packet = page.tags.get(XMP)
        xmp = None if packet is None else bytes(packet.value)
        return xmp, len(file.pages), int(page.samplesperpixel)


def open_returned(path: Path, digest: str, space: str) -> PictureSource:
    """A retouched file as a source of linear working pixels, from codes of ``space``."""
    return as_source(read_returned(path, digest), space)


def as_source(pixels: NDArray[np.uint16], space: str) -> PictureSource:
    """Upright codes of ``space``, (height, width, 3), as a source of linear working pixels.

    ROMM RGB that nothing is done to comes out of ``develop`` code by code as it went in.
    """
    linear = _from_romm if space == "romm-rgb" else partial(_from_space, *_tables(space))
    return PictureSource(pixels=pixels, linear=linear, orientation=1, light=_AS_IT_IS)


def _from_romm(codes: NDArray[Any]) -> Float32:
    planes: Float32 = np.empty((3, codes.shape[0] * codes.shape[1]), np.float32)
    decode_romm16(codes.reshape(-1, 3), *planes)
    return planes.reshape(3, *codes.shape[:2])


def _tables(space: str) -> tuple[Float32, Float32]:
    curve = SPACES[space].transfer.decode(np.arange(65536) / 65535).astype(np.float32)
    return curve, between_matrix(space, "working").astype(np.float32)


def _from_space(curve: Float32, matrix: Float32, codes: NDArray[Any]) -> Float32:
    # plane by plane: a matrix product's last bits could depend on how many rows there are
    r, g, b = (curve[codes[..., channel]] for channel in range(3))
    return np.stack([row[0] * r + row[1] * g + row[2] * b for row in matrix])


def _unchanged(_white: XY) -> NDArray[np.float64]:
    return np.eye(3)


def _white_of(_rgb: tuple[float, float, float]) -> XY:
    return D65


_AS_IT_IS = Light(D65, _unchanged, _white_of)
