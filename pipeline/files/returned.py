"""What a retoucher sent back, as pixels for the finish stage."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import NotAsRecorded, UnreadableOriginal
from pipeline.files.encode import XMP
from pipeline.files.picture import ORIENTATION, PictureSource, read_tiff
from pipeline.frame import Float32, Light
from pipeline.hashing import digest_bytes
from pipeline.kernels.encode import decode_romm16
from pipeline.kernels.orient import upright
from pipeline.kernels.spaces import D65, SPACES, XY, between_matrix

NEW_SUBFILE_TYPE, REDUCED = 254, 1
TOP = 65535


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


@dataclass(frozen=True, slots=True)
class Opened:
    """A TIFF that can be read to its last strip: its first page, and what it says of itself.

    ``pixels`` are upright, without what is beside the colours. ``extras`` says what that is for
    each such channel, as TIFF 6.0 does (ExtraSamples): 0 unspecified, 1 transparency that the
    colours were multiplied by, 2 transparency that they were not. ``pages`` counts those after the
    first that are no smaller pictures of it.
    """

    pixels: NDArray[Any]
    profile: bytes | None
    xmp: bytes | None
    colours: int
    extras: tuple[int, ...]
    pages: int


def opened(data: bytes) -> Opened:
    """Raises ``UnreadableOriginal``."""
    import tifffile

    pixels, profile, orientation = read_tiff(data)
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = file.pages[0]
        packet = page.tags.get(XMP)
        further = [each for each in file.pages[1:] if not _subfile(each) & REDUCED]
        colours = 1 if pixels.ndim == 2 else 3
        extras = tuple(int(kind) for kind in page.extrasamples)
        extras += (0,) * (int(page.samplesperpixel) - colours - len(extras))
        return Opened(
            pixels=upright(pixels, orientation),
            profile=profile,
            xmp=None if packet is None else bytes(packet.value),
            colours=colours,
            extras=extras,
            pages=len(further),
        )


def _subfile(page: Any) -> int:
    tag = page.aspage().tags.get(NEW_SUBFILE_TYPE)
    return 0 if tag is None else int(tag.value)


def flattened(data: bytes, picture: Opened) -> tuple[NDArray[np.uint16], float]:
    """16-bit colours of the first page laid on white, and the share of pixels that were not opaque.

    Codes are mixed as they are, which is common practice, no source. Further channels that are no
    transparency are left out.
    """
    import tifffile

    which = next((k for k, kind in enumerate(picture.extras) if kind in (1, 2)), None)
    if which is None:
        return picture.pixels, 0.0
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        page = file.pages[0]
        samples = page.asarray()
        if page.planarconfig == 2:
            samples = samples.transpose(1, 2, 0)
        turned = page.tags.get(ORIENTATION)
    alpha = upright(samples[..., picture.colours + which], int(turned.value) if turned else 1)
    share = float(np.mean(alpha < TOP))
    if not share:
        return picture.pixels, 0.0
    cover = alpha[..., None].astype(np.float32) / TOP
    colours = picture.pixels * (cover if picture.extras[which] == 2 else np.float32(1))
    laid = np.rint(colours + TOP * (1 - cover)).clip(0, TOP)
    return np.where(cover == 1, picture.pixels, laid).astype(np.uint16), share


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
