"""What an ICC profile says of itself before any colour goes through it: its header and its tags.

Enough to tell a person who writes a job whether files can be made for it. Nothing is computed here;
the colour engine is the files' business. ICC.1:2022, clauses 7 to 9.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

HEADER_BYTES, MOST_TAGS = 128, 100
"""A header's length; more tags than any profile has use for, a limit of ours."""
_CLASSES = {b"prtr": "output", b"mntr": "display"}
_INKS: Mapping[bytes, Literal["RGB", "CMYK"]] = {b"RGB ": "RGB", b"CMYK": "CMYK"}
_MATRIX = frozenset((b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"))
_TABLES = {
    "perceptual": b"B2A0",
    "relative-colorimetric": b"B2A1",
    "saturation": b"B2A2",
    "absolute-colorimetric": b"B2A1",
}


@dataclass(frozen=True, slots=True)
class OutputProfile:
    """A profile that files can be made for: what their codes are, and its file's digest.

    ``tables`` are the intents that it has colours of its own for; where it has none, colour engines
    take the perceptual ones, or of three curves and a matrix the colorimetric ones.
    """

    codes: Literal["RGB", "CMYK"]
    tables: frozenset[str]
    digest: str

    def instead_of(self, intent: str) -> str | None:
        """The intent whose colours stand for those of ``intent``; None where it has its own."""
        if intent in self.tables:
            return None
        return "perceptual" if "perceptual" in self.tables else "relative-colorimetric"


def read_output_profile(path: Path, digest: str) -> OutputProfile:
    """A file as a profile that pictures can be delivered in.

    Raises ``ValueError`` with what is wrong with it, ``OSError`` where it cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES + 4 + 12 * MOST_TAGS)
    if len(head) < HEADER_BYTES + 4 or head[36:40] != b"acsp":
        raise ValueError("it is not an ICC profile")
    (claimed,) = struct.unpack_from(">I", head)
    if claimed > size:
        raise ValueError(f"it is cut short: {size} of {claimed} bytes are there")
    if head[12:16] not in _CLASSES:
        raise ValueError(f"it is of the class {_word(head[12:16])}, which is not for output")
    if head[16:20] not in _INKS:
        raise ValueError(f"it is for {_word(head[16:20])}, not for RGB or CMYK")
    (count,) = struct.unpack_from(">I", head, HEADER_BYTES)
    if not 0 < count <= MOST_TAGS:
        raise ValueError(f"its table claims {count} tags")
    tags = set()
    for entry in range(count):
        at = HEADER_BYTES + 4 + 12 * entry
        if at + 12 > len(head):
            raise ValueError("it is cut short: its table of tags is not whole")
        name, start, length = struct.unpack_from(">4sII", head, at)
        if start + length > size:
            raise ValueError(f"it is cut short: its tag {_word(name)} ends behind the file")
        tags.add(name)
    tables = frozenset(intent for intent, tag in _TABLES.items() if tag in tags)
    if {b"A2B0", b"B2A0"} <= tags:
        return OutputProfile(_INKS[head[16:20]], tables, digest)
    if head[16:20] == b"RGB " and tags >= _MATRIX:
        colorimetric = frozenset(("relative-colorimetric", "absolute-colorimetric"))
        return OutputProfile("RGB", colorimetric, digest)
    raise ValueError("it has no tables in both directions, so that no picture can be put into it")


def _word(signature: bytes) -> str:
    """A signature of four bytes as text."""
    text = signature.decode("ascii", errors="replace").strip()
    return text if text and text.isprintable() else ascii(signature)
