"""One YAML 1.2 file, read within bounds, as plain values that remember their lines.

Knows nothing of jobs or recipes. Values are composed here from the parser's events, so that
aliases, duplicate keys and bottomless nesting are refused before they can cost anything, and
``NO`` or ``12:30:00`` stay the text that a person wrote.
"""

from __future__ import annotations

import math
import re
import stat
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    CollectionStartEvent,
    DocumentEndEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    StreamEndEvent,
    StreamStartEvent,
)
from ruamel.yaml.reader import ReaderError

from pipeline.errors import InvalidInput, Problem
from pipeline.records import Origin

# The parser needs about 12 µs an event and at most 1 µs a byte: together half a second at worst.
MAX_BYTES = 1 << 18
MAX_EVENTS = 20_000
MAX_DEPTH = 32
MAX_KEY_CHARACTERS = 128
MAX_INTEGER = 2**53
MAX_DIGITS = 40
WRITTEN_OUT = "values written out"

Place = tuple[str | int, ...]
"""Where a value stands in a document: keys and indices from the top, ``("look", 2, "tone")``."""

# YAML 1.2.2, section 10.3.2, core schema
_NULL = frozenset(("", "~", "null", "Null", "NULL"))
_BOOLEANS = {
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}
_INTEGER = re.compile(r"[-+]?[0-9]+\Z")
_OCTAL_OR_HEXADECIMAL = re.compile(r"0o[0-7]+\Z|0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)\Z|\.(?:nan|NaN|NAN)\Z")
_MAY_BE_NUMBER = frozenset("+-.0123456789")
# an escape such as "\ud800" in quotes makes text that no file name or terminal can hold
_SURROGATE = re.compile("[\ud800-\udfff]")

_TAB_INDENT = re.compile(r"^ *\t[ \t]*[^\s#]", re.MULTILINE)


def dotted(place: Place) -> str:
    """``("look", 2, "tone", "contrast")`` as a person reads it: ``look[2].tone.contrast``."""
    text = ""
    for part in place:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


@dataclass(frozen=True, slots=True)
class Document:
    """What a file says. Mappings are dicts in the order written, sequences are tuples.

    ``file`` is the name to show to people, ``root`` the folder that paths in the file are relative
    to and may not leave. ``lines`` gives the line, from 1, of every place; an entry of a mapping
    stands where its key does.
    """

    file: str
    root: Path
    value: Any
    lines: Mapping[Place, int]

    def line(self, place: Place) -> int:
        """The line of a place, or of the nearest place above it that was written."""
        while place not in self.lines and place:
            place = place[:-1]
        return self.lines.get(place, 0)

    def origin(self, place: Place) -> Origin:
        """File and line of a place."""
        return Origin(self.file, self.line(place))

    def problem(self, place: Place, found: str, allowed: str = "") -> Problem:
        """A problem at a place of this document."""
        return Problem(self.file, self.line(place), dotted(place), found, allowed)


def inside(root: Path, written: str) -> Path:
    """The file that ``written`` names inside ``root``; it need not exist.

    Raises ``ValueError`` with what is wrong where it would lead out of ``root``.
    """
    if not written.isprintable() or not written:
        raise ValueError("an empty path or a control character")
    if "\\" in written or PureWindowsPath(written).drive:
        raise ValueError("a path with a drive or a backslash")
    if PurePosixPath(written).is_absolute() or ".." in PurePosixPath(written).parts:
        raise ValueError("a path that leaves the folder")
    path = root / written
    if not path.resolve().is_relative_to(root.resolve()):
        raise ValueError("a link that leaves the folder")
    return path


def read(path: Path, shown: str, root: Path) -> Document:
    """Read one file inside ``root``; ``shown`` is its name in messages.

    Raises ``InvalidInput`` with the one problem that kept it from being read.
    """
    if not path.resolve().is_relative_to(root.resolve()):
        raise _refused(shown, 0, "a link that leaves the folder", "files inside it")
    return parse(_decoded(_bytes(path, shown), shown), shown, root)


def parse(text: str, shown: str, root: Path) -> Document:
    """The document that a text holds; as ``read`` of a file that holds it."""
    if tab := _TAB_INDENT.search(text):
        line = text.count("\n", 0, tab.start()) + 1
        raise _refused(shown, line, "a tab in the indentation", "spaces")
    value, lines = _Composer(text, shown).composed()
    return Document(shown, root, value, lines)


def _refused(shown: str, line: int, found: str, allowed: str, place: Place = ()) -> InvalidInput:
    return InvalidInput([Problem(shown, line, dotted(place), found, allowed)])


def _bytes(path: Path, shown: str) -> bytes:
    try:
        status = path.stat()
        # asked before opening: a named pipe called job.yaml would wait for a writer
        if not stat.S_ISREG(status.st_mode):
            raise _refused(shown, 0, "this is not a regular file", "a text file")
        if status.st_size > MAX_BYTES:
            raise _refused(
                shown, 0, f"the file has {status.st_size:,} bytes", f"at most {MAX_BYTES:,}"
            )
        with path.open("rb") as stream:
            return stream.read(MAX_BYTES)
    except FileNotFoundError:
        raise _refused(shown, 0, "the file does not exist", "") from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise _refused(shown, 0, f"the file cannot be read: {reason}", "") from None


def _decoded(data: bytes, shown: str) -> str:
    """UTF-8, with or without the byte order mark that some editors put in front of it."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")):
        raise _refused(shown, 0, "the file is UTF-16 or UTF-32", "UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{data[error.start]:02x} is not UTF-8"
        raise _refused(shown, line, found, "text saved as UTF-8") from None


class _Composer:
    """Builds the values of one document from the parser's events and counts what they cost."""

    def __init__(self, text: str, shown: str) -> None:
        self.text = text
        self.shown = shown
        self.lines: dict[Place, int] = {}
        self.events = self._bounded()

    def composed(self) -> tuple[Any, dict[Place, int]]:
        value: Any = None
        documents = 0
        for event in self.events:
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self._refused(event, (), "a second document", "one document a file")
                if event.tags or (event.version and tuple(event.version) != (1, 2)):
                    raise self._refused(
                        event, (), "a YAML directive", "YAML 1.2 without directives"
                    )
            elif not isinstance(event, StreamStartEvent | StreamEndEvent | DocumentEndEvent):
                value = self._value(event, (), 0)
        return value, self.lines

    def _bounded(self) -> Iterator[Event]:
        """The parser's events; whatever it stumbles over becomes one problem."""
        try:
            for count, event in enumerate(YAML(typ="safe", pure=True).parse(self.text)):
                if count > MAX_EVENTS:
                    raise self._refused(event, (), "the file holds too many values", "fewer")
                yield event
        except MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            line = mark.line + 1 if mark else 0
            if error.problem and "'\\t'" in error.problem:
                raise _refused(self.shown, line, "a tab", "spaces") from None
            found = f"this is not YAML: {error.problem or error.context}"
            raise _refused(self.shown, line, found, "") from None
        except ReaderError as error:
            line = self.text.count("\n", 0, error.position) + 1
            found = f"the character U+{ord(self.text[error.position]):04X} cannot stand in YAML"
            raise _refused(self.shown, line, found, "text without control characters") from None
        except (YAMLError, ValueError) as error:
            raise _refused(self.shown, 0, f"this is not YAML: {error}", "") from None

    def _refused(self, event: Event, place: Place, found: str, allowed: str) -> InvalidInput:
        return _refused(self.shown, event.start_mark.line + 1, found, allowed, place)

    def _value(self, event: Event, place: Place, depth: int) -> Any:
        if place not in self.lines:
            self.lines[place] = event.start_mark.line + 1
        if isinstance(event, AliasEvent):
            raise self._refused(event, place, f"the alias *{event.anchor:.40}", WRITTEN_OUT)
        assert isinstance(event, ScalarEvent | CollectionStartEvent), event
        if event.anchor is not None:
            raise self._refused(event, place, f"the anchor &{event.anchor:.40}", WRITTEN_OUT)
        if event.ctag is not None:
            tag = str(event.ctag).replace("tag:yaml.org,2002:", "!!")
            raise self._refused(event, place, f"the tag {tag:.40}", "values without tags")
        if isinstance(event, ScalarEvent):
            return self._scalar(event, place)
        if depth == MAX_DEPTH:
            raise self._refused(event, (), "nested too deeply", f"{MAX_DEPTH} levels")
        if isinstance(event, MappingStartEvent):
            return self._mapping(place, depth)
        return self._sequence(place, depth)

    def _sequence(self, place: Place, depth: int) -> tuple[Any, ...]:
        items: list[Any] = []
        for event in self.events:
            if isinstance(event, SequenceEndEvent):
                break
            items.append(self._value(event, (*place, len(items)), depth + 1))
        return tuple(items)

    def _mapping(self, place: Place, depth: int) -> dict[str, Any]:
        items: dict[str, Any] = {}
        for event in self.events:
            if isinstance(event, MappingEndEvent):
                break
            key = self._key(event, place)
            inside = (*place, key)
            if key in items:
                first = self.lines[inside]
                found = f"`{key}` is written twice (first in line {first})"
                raise self._refused(event, inside, found, "each key once")
            self.lines[inside] = event.start_mark.line + 1
            items[key] = self._value(next(self.events), inside, depth + 1)
        return items

    def _key(self, event: Event, place: Place) -> str:
        if not isinstance(event, ScalarEvent):
            raise self._refused(event, place, "a key that is not plain text", "a word as key")
        if event.anchor is not None or event.ctag is not None:
            raise self._refused(event, place, "a key with an anchor or a tag", "a word as key")
        key = str(event.value)
        if event.style is None and key == "<<":
            raise self._refused(event, place, "the merge key <<", WRITTEN_OUT)
        if not 0 < len(key) <= MAX_KEY_CHARACTERS or not key.isprintable():
            found = f"a key of {len(key):,} characters"
            raise self._refused(event, place, found, f"1 to {MAX_KEY_CHARACTERS}, printable")
        return key

    def _scalar(self, event: ScalarEvent, place: Place) -> str | int | float | bool | None:
        """A plain scalar's meaning in YAML 1.2's core schema; quoted ones are text."""
        text = str(event.value)
        if event.style is not None:
            if _SURROGATE.search(text):
                raise self._refused(event, place, "half of a character", "whole characters")
            return text
        if text in _NULL:
            return None
        if text in _BOOLEANS:
            return _BOOLEANS[text]
        if text[0] not in _MAY_BE_NUMBER:
            return text
        if _NOT_FINITE.match(text):
            raise self._refused(event, place, text, "a finite number")
        whole = _INTEGER.match(text) or _OCTAL_OR_HEXADECIMAL.match(text)
        if not whole and not _FLOAT.match(text):
            return text
        number: int | float = math.inf
        if len(text) <= MAX_DIGITS:
            number = float(text) if not whole else int(text, 0 if text[:2] in ("0o", "0x") else 10)
        if abs(number) > (MAX_INTEGER if whole else sys.float_info.max):
            found = f"the number {text:.20}{'...' if len(text) > 20 else ''}"
            raise self._refused(event, place, found, "a smaller and shorter one")
        return number
