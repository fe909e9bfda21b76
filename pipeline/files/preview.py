"""A frame small and upright, for the eye: from its master, its embedded preview, or its pixels.

Of a file no more is read than that takes, so that nothing here proves what a file holds.
"""

from __future__ import annotations

import io
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UnreadableOriginal
from pipeline.files.dng import jpeg_place
from pipeline.files.picture import ORIENTATION
from pipeline.kernels.orient import upright

if TYPE_CHECKING:
    from PIL.Image import Image

QUALITY = 85
LEAST_SHARE = 0.5
"""Of the size that is asked for: a smaller preview is passed over for the frame's own pixels."""


def small_master(path: Path, long_edge_px: int) -> bytes:
    """A master as a small sRGB JPEG; raises ``UnreadableOriginal``."""
    from pipeline.files.proofread import CannotMeasure, read_back

    try:
        return read_back(path).thumbnail(long_edge_px)
    except CannotMeasure as error:
        raise UnreadableOriginal(f"its master: {error}") from error


def small_original(path: Path, long_edge_px: int) -> bytes:
    """An original as a small sRGB JPEG, upright, its long edge ``long_edge_px`` or less.

    Raises ``UnreadableOriginal`` where neither a preview nor its own pixels can be read.
    """
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            raise UnreadableOriginal("the original was replaced by something else")
        with path.open("rb") as file:
            is_jpeg = file.read(3) == b"\xff\xd8\xff"
        if is_jpeg:
            return _encoded(_reduced(path, long_edge_px))
        preview = _embedded(path, long_edge_px)
    except FileNotFoundError:
        raise UnreadableOriginal("the original is missing") from None
    except OSError as error:
        raise UnreadableOriginal(f"it cannot be read ({error.strerror})") from error
    return _encoded(_developed(path, long_edge_px) if preview is None else preview)


def _embedded(path: Path, long_edge_px: int) -> NDArray[np.uint8] | None:
    """A preview in a raw file, the largest or a smaller one that will do; None without any."""
    import rawpy

    from pipeline.files.libraw import FLIP_TO_ORIENTATION

    try:
        with rawpy.RawPy() as raw:
            raw.open_file(os.fspath(path))
            sizes = raw.sizes
            orientation = FLIP_TO_ORIENTATION.get(sizes.flip, 1)
            lies = sizes.width > sizes.height
            if smallest := _smallest_jpeg(path, long_edge_px):
                return _reduced(io.BytesIO(smallest), long_edge_px, orientation, lies=lies)
            thumb = raw.extract_thumb()
    except (
        rawpy.LibRawNoThumbnailError,
        rawpy.LibRawUnsupportedThumbnailError,
        rawpy.LibRawFileUnsupportedError,  # a TIFF picture, or what its own reader will refuse
    ):
        return None
    except rawpy.LibRawError as error:
        reason = error.args[0] if error.args else error
        text = reason.decode(errors="replace") if isinstance(reason, bytes) else str(reason)
        raise UnreadableOriginal(f"it is damaged or cut short ({text.strip().lower()})") from error
    if thumb.format == rawpy.ThumbFormat.JPEG:
        picture = _reduced(io.BytesIO(thumb.data), long_edge_px, orientation, lies=lies)
    else:
        from PIL import Image

        stored = Image.fromarray(np.asarray(thumb.data))
        stored.thumbnail((long_edge_px, long_edge_px), reducing_gap=1.5)
        picture = upright(np.asarray(stored.convert("RGB")), orientation)
    return picture if max(picture.shape) >= LEAST_SHARE * long_edge_px else None


def _smallest_jpeg(path: Path, long_edge_px: int) -> bytes | None:
    """The smallest JPEG of at least a size in a raw that is laid out as TIFF (TIFF 6.0; TIFF/EP).

    LibRaw gives the largest, which takes ten times as long. None where nothing is found: it is a
    saving and no more.
    """
    import tifffile
    from PIL import Image

    try:
        with tifffile.TiffFile(path) as file:
            pages = [page for first in file.pages for page in (first, *(first.pages or ()))]
            places = sorted(filter(None, map(jpeg_place, pages)), key=lambda place: place[1])
            for offset, count in places:
                file.filehandle.seek(offset)
                data = bytes(file.filehandle.read(count))
                with suppress(Exception), Image.open(io.BytesIO(data), formats=["JPEG"]) as found:
                    if max(found.size) >= long_edge_px and len(data) == count:
                        return data
    except Exception:  # no TIFF, or a header that LibRaw may make sense of
        return None
    return None


def _reduced(
    file: Path | io.BytesIO, long_edge_px: int, orientation: int = 1, *, lies: bool | None = None
) -> NDArray[np.uint8]:
    """A JPEG, decoded no larger than it takes, (h, w, 3) in sRGB, upright.

    ``orientation`` is that of the file around it, which counts unless the JPEG says another of its
    own. One that does not lie as the sensor does (``lies``: wider than high) was turned already.
    """
    from PIL import Image, UnidentifiedImageError

    which = "it" if lies is None else "its preview"
    try:
        with Image.open(file) as picture:
            own = picture.getexif().get(ORIENTATION)
            # LibRaw gives a preview without Exif the orientation of the file
            if (
                isinstance(own, int)
                and 1 <= own <= 8
                and (lies is None or own not in (1, orientation))
            ):
                orientation = own
            elif orientation >= 5 and lies is not None and (picture.width > picture.height) != lies:
                orientation = 1
            profile = picture.info.get("icc_profile")
            # by way of a size that the decoder reaches by leaving frequencies out (ITU-T T.81)
            picture.thumbnail((long_edge_px, long_edge_px), reducing_gap=1.5)
            pixels = _in_srgb(picture, profile)
    except UnidentifiedImageError as error:
        raise UnreadableOriginal(f"{which} is no picture, or damaged") from error
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise UnreadableOriginal(f"{which} is damaged or cut short") from error
    return upright(pixels, orientation)


def _in_srgb(picture: Image, profile: bytes | None) -> NDArray[np.uint8]:
    """(h, w, 3); what a broken profile means nobody knows, and the eye can do without it."""
    import imagecodecs

    pixels = np.asarray(picture.convert("RGB"))
    if profile is None or picture.mode != "RGB":
        return pixels
    try:
        srgb = imagecodecs.cms_profile("srgb")
        converted: NDArray[np.uint8] = imagecodecs.cms_transform(
            pixels, profile, srgb, colorspace="rgb", outcolorspace="rgb", outdtype="uint8"
        )
    except Exception:  # whatever the colour engine finds in it
        return pixels
    return converted


def _developed(path: Path, long_edge_px: int) -> NDArray[np.uint8]:
    """An original's own pixels as the camera saw them, at a quarter of their size or less."""
    import cv2

    from pipeline.files.raw import open_original
    from pipeline.kernels.spaces import SPACES, between_matrix

    source = open_original(path)
    small: NDArray[Any] = source.preview()
    scale = long_edge_px / max(small.shape[:2])
    if scale < 1:
        height, width = (max(1, round(side * scale)) for side in small.shape[:2])
        small = cv2.resize(small, (width, height), interpolation=cv2.INTER_AREA)
    to_srgb = between_matrix("working", "srgb") @ source.light.to_working(source.light.as_shot)
    linear = np.clip(np.nan_to_num(small @ to_srgb.T), 0, 1)
    return np.round(255 * SPACES["srgb"].transfer.encode(linear)).astype(np.uint8)


def _encoded(pixels: NDArray[np.uint8]) -> bytes:
    import imagecodecs

    return bytes(imagecodecs.jpeg8_encode(np.ascontiguousarray(pixels), level=QUALITY))
