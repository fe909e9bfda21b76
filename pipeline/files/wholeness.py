"""Tells a picture that was cut short by what it says of itself; nothing is decoded.

TIFF (6.0) and what is built on it, such as DNG, name the place of every strip and tile; a JPEG
(ITU-T T.81) ends with a marker. Of other formats nothing is known here.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

SUB_IFDS = 330
EXTENTS = ((273, 279), (324, 325), (513, 514))
"""Offsets and byte counts: of strips, of tiles, of a JPEG preview (TIFF 6.0)."""
KINDS = {3: "H", 4: "I", 13: "I"}
MOST_IFDS = 64
MOST_VALUES = 1 << 20


def is_cut_short(path: Path) -> bool:
    """Whether bytes are missing that the file says it has; False where it does not say.

    Raises ``OSError``.
    """
    with path.open("rb") as stream:
        size = stream.seek(0, 2)
        stream.seek(0)
        head = stream.read(4)
        if head[:2] == b"\xff\xd8":
            return not _has_end(stream)
        if head in (b"II*\0", b"MM\0*"):
            order = "<" if head[:1] == b"I" else ">"
            try:
                return any(end > size for end in _ends(stream, order))
            except struct.error:  # a directory that the file does not hold
                return True
    return False


def _ends(stream: BinaryIO, order: str) -> Iterator[int]:
    """Where each piece of the picture ends, in bytes from the start."""
    stream.seek(4)
    waiting, seen = list(struct.unpack(f"{order}I", stream.read(4))), set[int]()
    while waiting and len(seen) < MOST_IFDS:
        place = waiting.pop()
        if place == 0 or place in seen:
            continue
        seen.add(place)
        stream.seek(place)
        (count,) = struct.unpack(f"{order}H", stream.read(2))
        entries = stream.read(12 * count + 4)
        values: dict[int, tuple[int, ...]] = {}
        for start in range(0, 12 * count, 12):
            tag, kind, number = struct.unpack_from(f"{order}HHI", entries, start)
            wanted = tag == SUB_IFDS or any(tag in pair for pair in EXTENTS)
            if not wanted or kind not in KINDS or number > MOST_VALUES:
                continue
            form = f"{order}{number}{KINDS[kind]}"
            raw = entries[start + 8 : start + 12]
            if (length := struct.calcsize(form)) > 4:
                stream.seek(struct.unpack(f"{order}I", raw)[0])
                raw = stream.read(length)
            values[tag] = struct.unpack_from(form, raw)
        for offsets, counts in EXTENTS:
            pieces = zip(values.get(offsets, ()), values.get(counts, ()), strict=False)
            yield from (offset + length for offset, length in pieces if length)
        waiting += values.get(SUB_IFDS, ())
        waiting += struct.unpack_from(f"{order}I", entries, 12 * count)


def _has_end(stream: BinaryIO) -> bool:
    """Whether the end marker comes after the start of the scan; a thumbnail's comes before."""
    stream.seek(0)
    data = stream.read()
    place = 2
    while data[place : place + 1] == b"\xff" and place + 4 <= len(data):
        if data[place + 1] == 0xFF:  # filling
            place += 1
        elif data[place + 1] == 0xDA:  # in a scan's data, 0xFF stands before 0 or a marker
            return data.find(b"\xff\xd9", place) >= 0
        else:
            place += 2 + int.from_bytes(data[place + 2 : place + 4])
    return False
