"""Opens a raw file with LibRaw, and puts into words what it finds wrong."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from pipeline.errors import UnreadableOriginal
from pipeline.files.dng import LEAST_SIDE, MOST_PIXELS

FLIP_TO_ORIENTATION = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}
"""LibRaw's flip to Exif's Orientation."""


@contextmanager
def opened_raw(data: bytes) -> Iterator[Any]:
    """The file as ``rawpy.RawPy``, of a size that can be, nothing unpacked yet.

    Raises ``UnreadableOriginal``, also for what LibRaw finds inside of the ``with`` block.
    """
    import rawpy

    try:
        with rawpy.RawPy() as raw:
            raw.open_buffer(io.BytesIO(data))
            sizes = raw.sizes
            if sizes.raw_height * sizes.raw_width > MOST_PIXELS:
                raise UnreadableOriginal(
                    f"its header claims {sizes.raw_width} × {sizes.raw_height} pixels; at most "
                    f"{MOST_PIXELS // 1_000_000} million are read"
                )
            if min(sizes.height, sizes.width) < LEAST_SIDE:
                raise UnreadableOriginal(f"{sizes.width} × {sizes.height} pixels are not a picture")
            yield raw
    except rawpy.LibRawFileUnsupportedError as error:
        raise UnreadableOriginal("it is not a raw file, JPEG or TIFF that can be read") from error
    except rawpy.LibRawError as error:
        reason = error.args[0] if error.args else error
        text = reason.decode(errors="replace") if isinstance(reason, bytes) else str(reason)
        raise UnreadableOriginal(f"it is damaged or cut short ({text.strip().lower()})") from error
