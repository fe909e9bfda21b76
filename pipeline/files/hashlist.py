"""ASC MHL generations (ASC Media Hash List 2.0): a folder's files by their hashes, for anybody to
verify with any tool that reads the standard.

A generation lists what was not listed before, with XXH128; the chain names every generation with
its C4 identifier (SMPTE ST 2114: SHA-512 in base 58). What others wrote into a history stays.
"""

from __future__ import annotations

import hashlib
import platform
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import escape, quoteattr

from pipeline import __version__
from pipeline.errors import NotAsRecorded, printable
from pipeline.files.landing import land

FOLDER = "ascmhl"
CHAIN = "ascmhl_chain.xml"
ALWAYS_IGNORED = (".DS_Store", FOLDER, f"{FOLDER}/")
GENERATION = re.compile(r"(\d{4,})(?:_.+)?\.mhl", re.DOTALL)
BASE_58 = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
MOST_BYTES = 1 << 28
"""Of one file of a history; a million files take about as much."""


@dataclass(frozen=True, slots=True)
class Hashed:
    """A file of the folder: its hash (32 hex digits of XXH128), and its time in nanoseconds."""

    name: str
    size_bytes: int
    xxh128: str
    modified_ns: int


@dataclass(frozen=True, slots=True)
class _Chained:
    number: int
    name: str
    c4: str | None


def c4(data: bytes) -> str:
    """The C4 identifier of bytes: ``c4`` and 88 digits to the base 58 (SMPTE ST 2114)."""
    number = int.from_bytes(hashlib.sha512(data).digest())
    digits = ""
    while number:
        number, digit = divmod(number, 58)
        digits = BASE_58[digit] + digits
    return "c4" + digits.rjust(88, BASE_58[0])


def listed(folder: Path) -> set[str]:
    """The paths that the folder's history lists, relative to it; none where it has no history.

    Raises ``NotAsRecorded`` where a generation is missing, changed, or no XML.
    """
    return {
        path.text or ""
        for generation in _generations(folder)
        for hashed in generation.iter()
        if _tag(hashed) == "hash"
        for path in hashed
        if _tag(path) == "path"
    }


def _generations(folder: Path) -> Iterator[ElementTree.Element]:
    """Every generation of a folder's history, proven by the chain."""
    for generation in _chain(folder):
        path = folder / FOLDER / generation.name
        data = _read(path)
        if generation.c4 is not None and c4(data) != generation.c4:
            raise NotAsRecorded(f"{path}: it is not what {CHAIN} beside it says it is")
        yield _parsed(path, data)


def add_generation(
    folder: Path, files: Sequence[Hashed], ignored: Sequence[str], at: datetime
) -> Path:
    """Write the next generation of the folder's history, then the chain; the generation's path.

    ``ignored`` are patterns of files that may change or come without notice. ``at`` is when the
    files were hashed. Raises ``NotAsRecorded`` as ``listed``, ``CannotWrite``.
    """
    # a verifier goes by the patterns of the latest generation alone
    patterns = [
        element.text or ""
        for generation in _generations(folder)
        for element in generation.iter()
        if _tag(element) == "pattern"
    ]
    ignored = list(dict.fromkeys((*ALWAYS_IGNORED, *patterns, *ignored)))
    at = at.astimezone(UTC).replace(microsecond=0)
    history = folder / FOLDER
    chain = _chain(folder)
    number = max((each.number for each in chain), default=0) + 1
    _remove_unchained(history, number, {each.name for each in chain})
    title = re.sub(r"[^\w .()-]", "_", folder.resolve().name) or "originals"
    name = f"{number:04}_{title}_{at:%Y-%m-%d_%H%M%SZ}.mhl"
    data = _generation(files, ignored, at).encode()
    land(history / name, data, folder)
    entry = (
        f'  <hashlist sequencenr="{number}">\n    <path>{escape(name)}</path>\n'
        f"    <c4>{c4(data)}</c4>\n  </hashlist>\n"
    ).encode()
    end = b"</ascmhldirectory>"
    if chain:
        before, _, after = _read(history / CHAIN).rpartition(end)
    else:
        head = '<?xml version="1.0" encoding="UTF-8"?>\n'
        before = f'{head}<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">\n'.encode()
        after = b"\n"
    land(history / CHAIN, before + entry + end + after, folder)
    return history / name


def _generation(files: Sequence[Hashed], ignored: Sequence[str], at: datetime) -> str:
    hashed = at.isoformat()
    patterns = "".join(f"      <pattern>{escape(pattern)}</pattern>\n" for pattern in ignored)
    hashes = "".join(
        f"    <hash>\n"
        f'      <path size="{file.size_bytes}"'
        f" lastmodificationdate={quoteattr(_second(file.modified_ns))}>{escape(file.name)}</path>\n"
        f'      <xxh128 action="original" hashdate="{hashed}">{file.xxh128}</xxh128>\n'
        f"    </hash>\n"
        for file in sorted(files, key=lambda each: each.name)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">\n'
        f"  <creatorinfo>\n    <creationdate>{hashed}</creationdate>\n"
        f"    <hostname>{escape(printable(platform.node()) or 'unknown')}</hostname>\n"
        f'    <tool version="{__version__}">Safelight</tool>\n  </creatorinfo>\n'
        "  <processinfo>\n    <process>transfer</process>\n"
        f"    <ignore>\n{patterns}    </ignore>\n  </processinfo>\n"
        f"  <hashes>\n{hashes}  </hashes>\n</hashlist>\n"
    )


def _second(time_ns: int) -> str:
    try:
        return datetime.fromtimestamp(time_ns // 1_000_000_000, UTC).isoformat()
    except (ValueError, OverflowError, OSError):  # a year that no calendar has
        return datetime.fromtimestamp(0, UTC).isoformat()


def _chain(folder: Path) -> list[_Chained]:
    path = folder / FOLDER / CHAIN
    if not path.exists():
        if any((folder / FOLDER).glob("0001*.mhl")) and not _only_ours(folder / FOLDER):
            raise NotAsRecorded(f"{path}: missing, though there are generations beside it")
        return []
    chained = []
    for element in _parsed(path, _read(path)):
        parts = {_tag(each): each.text or "" for each in element}
        name = parts.get("path", "")
        number = element.get("sequencenr", "")
        if not GENERATION.fullmatch(name) or "/" in name or not number.isdecimal():
            raise NotAsRecorded(f"{path}: it names {name!r}, which is no generation")
        chained.append(_Chained(int(number), name, parts.get("c4")))
    return chained


def _only_ours(history: Path) -> bool:
    """Whether all that is there is a first generation whose chain a killed run did not reach."""
    found = list(history.glob("*.mhl"))
    return len(found) == 1 and _is_ours(found[0])


def _is_ours(generation: Path) -> bool:
    return b">Safelight</tool>" in _read(generation)[:4096]


def _remove_unchained(history: Path, number: int, chained: set[str]) -> None:
    """Remove a generation of ours that was written when a run was killed before the chain."""
    for path in history.glob(f"{number:04}_*.mhl"):
        if path.name not in chained and _is_ours(path):
            path.unlink()


def _tag(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise NotAsRecorded(f"{path}: it is too large for a list of hashes")
        return path.read_bytes()
    except OSError as error:
        raise NotAsRecorded(f"{path}: cannot be read: {error.strerror}") from error


def _parsed(path: Path, data: bytes) -> ElementTree.Element:
    try:
        if b"<!DOCTYPE" in data:  # a hash list has none; entities could expand without end
            raise ElementTree.ParseError("a document type")
        return ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise NotAsRecorded(f"{path}: it is no list of hashes: {error}") from error
