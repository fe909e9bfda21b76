"""Raw files with a picture inside, as cameras write them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tifffile

from tests.dng import write_dng


def with_preview(path: Path, preview: np.ndarray, mosaic: np.ndarray) -> Path:
    """A DNG whose first directory is a JPEG preview, the raw in one under it (DNG 1.7.1.0)."""
    write_dng(path, mosaic, black=256, white=4095)
    with tifffile.TiffFile(path) as file:
        copied = [
            (tag.code, int(tag.dtype), tag.count, tag.value, True)
            for tag in file.pages[0].tags
            if tag.code >= 50706 and tag.code not in (50713, 50714, 50717, 50710, 50711)
        ]
    cfa = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50714, 5, 1, (256, 1), True),
        (50717, 4, 1, 4095, True),
    ]
    with tifffile.TiffWriter(path) as writer:
        common = {"metadata": None, "software": False}
        writer.write(
            preview,
            photometric="rgb",
            compression="jpeg",
            compressionargs={"level": 92},
            rowsperstrip=len(preview),
            subfiletype=1,
            subifds=1,
            extratags=copied,
            **common,
        )
        writer.write(mosaic, photometric="cfa", subfiletype=0, extratags=cfa, **common)
    return path
