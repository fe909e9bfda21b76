"""Bags: folders that list their files with checksums, by RFC 8493 (BagIt 1.0); written, and read.

Bags by others are read too, of versions 1.0 and 0.97. A bag tells whether its files arrived whole;
it keeps nobody from altering a file and its checksum (RFC 8493, section 5). Knows nothing of jobs.
"""

from __future__ import annotations

import codecs
import hashlib
import os
import re
import stat
import textwrap
import unicodedata
import zlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path, PurePosixPath
from typing import BinaryIO
from zipfile import ZIP_STORED, BadZipFile, ZipFile

from pipeline.errors import printable
from pipeline.files.landing import (
    Content,
    Summing,
    land,
    land_file,
    part_folder,
    refusal,
    remove_folder,
)
from pipeline.hashing import CHUNK_BYTES
from pipeline.records import Artifact

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
DECLARED_IN, PAYLOAD, INFO, TO_FETCH = "bagit.txt", "data", "bag-info.txt", "fetch.txt"
PAYLOAD_SUMS, TAG_SUMS = "manifest-sha256.txt", "tagmanifest-sha256.txt"
VERSIONS = ("0.97", "1.0")
INFO_COLUMNS = 79
MAX_TAG_BYTES = 1 << 28
"""Of a list that is read into memory: some million files."""

_LIST = re.compile(r"(tag)?manifest-([A-Za-z0-9_-]+)\.txt\Z")
_SUM = re.compile(r"([0-9A-Fa-f]+)[ \t]+(\*?)(.+)\Z", re.DOTALL)
_FETCH = re.compile(r"(\S+)[ \t]+(\d+|-)[ \t]+(.+)\Z", re.DOTALL)
_OXUM = re.compile(r"(\d+)\.(\d+)\Z")
_ENCODED = re.compile("%(0[Aa]|0[Dd]|25)")
_LINE_END = re.compile("\r\n|\r|\n")


# --- writing ---


@dataclass(slots=True)
class NewBag:
    """A bag that is being written into ``folder``, inside ``root``: files first, then ``seal``."""

    folder: Path
    root: Path
    sums: dict[str, str] = field(default_factory=dict)
    size_bytes: int = 0

    def add(self, path: str, content: Content) -> Artifact:
        """Land a file under ``data/``; raises ``CannotWrite``."""
        artifact = self._land(f"{PAYLOAD}/{path}", content, self.sums)
        self.size_bytes += artifact.size_bytes
        return artifact

    def seal(self, info: Sequence[tuple[str, str]]) -> str:
        """Write the tag files, ``bag-info.txt`` with these labels and values among them.

        Returns the SHA-256 of the last, which stands for the whole bag.
        """
        oxum = f"{self.size_bytes}.{len(self.sums)}"
        tags: dict[str, str] = {}
        self._land(DECLARED_IN, DECLARATION, tags)
        self._land(INFO, _info_text([*info, ("Payload-Oxum", oxum)]), tags)
        self._land(PAYLOAD_SUMS, _list_text(self.sums), tags)
        last: dict[str, str] = {}
        self._land(TAG_SUMS, _list_text(tags), last)
        return last[TAG_SUMS]

    def _land(self, path: str, content: Content, sums: dict[str, str]) -> Artifact:
        summing = Summing(content)
        artifact = land(self.folder / path, summing, self.root)
        sums[path] = summing.sha256.hexdigest()
        return artifact


def _list_text(sums: Mapping[str, str]) -> bytes:
    """Two spaces and the path: what ``sha256sum -c`` reads too."""
    return "".join(f"{sums[path]}  {encoded(path)}\n" for path in sorted(sums)).encode()


def _info_text(info: Sequence[tuple[str, str]]) -> bytes:
    """Labels and values, long ones folded (RFC 8493, section 2.2.2)."""
    lines = []
    for label, value in info:
        plain = " ".join(printable(word) for word in value.split())
        lines += textwrap.wrap(
            f"{label}: {plain}",
            INFO_COLUMNS,
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return "".join(f"{line}\n" for line in lines).encode()


def encoded(path: str) -> str:
    """A path as a list of checksums holds it (RFC 8493, section 2.1.3)."""
    return path.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def decoded(path: str) -> str:
    """The path that ``encoded`` was given; any other percent sign stays."""
    return _ENCODED.sub(lambda match: chr(int(match[1], 16)), path)


def zip_bag(bag: Path, final: Path, root: Path) -> None:
    """Write a landed bag as one ZIP file, stored, the bag's folder in it (RFC 8493, section 4).

    It appears whole under its name, read-only, or not at all. Raises ``CannotWrite``.
    """
    part = part_folder(final.parent, root)
    try:
        with ZipFile(part / final.name, "x", ZIP_STORED, strict_timestamps=False) as archive:
            for path in sorted(path for path in bag.rglob("*") if path.is_file()):
                archive.write(path, f"{bag.name}/{path.relative_to(bag).as_posix()}")
        land_file(part / final.name, final)
    except OSError as error:
        raise refusal(final, error) from error
    finally:
        remove_folder(part, root)


# --- reading ---


@dataclass(frozen=True, slots=True, order=True)
class Flaw:
    """One thing about a bag in words; one that is not ``grave`` leaves it valid."""

    path: str
    what: str
    grave: bool = True

    def __str__(self) -> str:
        return printable(f"{self.path}: {self.what}")


@dataclass(slots=True)
class Examined:
    """What a bag says of itself, and what is wrong with it.

    ``info`` holds the labels and values of its ``bag-info.txt``, in order, unfolded.
    """

    version: str = ""
    info: list[tuple[str, str]] = field(default_factory=list)
    flaws: list[Flaw] = field(default_factory=list)

    @property
    def valid(self) -> bool:
        """Whether it is complete and every checksum is right (RFC 8493, section 3)."""
        return not any(flaw.grave for flaw in self.flaws)


def examine(bag: Path, heard: Callable[[], None] = lambda: None) -> Examined:
    """Read a whole bag again. Writes nothing, fetches nothing, opens nothing outside ``bag``.

    ``heard`` is called after each file whose checksums were compared.
    """
    return _Reading(bag, heard).examined()


def examine_zip(path: Path, bag: Path) -> list[Flaw]:
    """What is wrong with a ZIP of a bag: it does not hold what the bag's folder holds."""
    there = {
        f"{bag.name}/{file.relative_to(bag).as_posix()}": file
        for file in bag.rglob("*")
        if file.is_file()
    }
    flaws = []
    try:
        with ZipFile(path) as archive:
            names = Counter(archive.namelist())
            for name in sorted({*names, *there}):
                if name not in there:
                    flaws.append(Flaw(name, "is in the ZIP file, and not in the bag"))
                elif names[name] != 1:
                    flaws.append(Flaw(name, f"is in the ZIP file {names[name]} times"))
                elif not _alike(archive, name, there[name]):
                    flaws.append(Flaw(name, "is not in the ZIP file as it is in the bag"))
    except (BadZipFile, OSError, EOFError, NotImplementedError) as error:
        flaws.append(Flaw(path.name, f"cannot be read as a ZIP file: {error}"))
    return flaws


def _alike(archive: ZipFile, name: str, file: Path) -> bool:
    try:
        with archive.open(name) as packed, file.open("rb") as stream:
            while True:
                one, other = packed.read(CHUNK_BYTES), stream.read(CHUNK_BYTES)
                if one != other or not one:
                    return one == other
    except (BadZipFile, OSError, EOFError, zlib.error):
        return False


class _Stop(Exception):
    """Nothing more can be said of the bag."""


@dataclass(frozen=True, slots=True)
class _List:
    """A manifest or tag manifest that was read: the checksums by path."""

    name: str
    algorithm: str
    sums: Mapping[str, str]


class _Reading:
    def __init__(self, bag: Path, heard: Callable[[], None]) -> None:
        self.bag = bag
        self.heard = heard
        self.found = Examined()
        self.encoding = "utf-8"

    def examined(self) -> Examined:
        try:
            self._declaration()
            self._all()
        except _Stop:
            pass
        self.found.flaws.sort(key=lambda flaw: (not flaw.grave, flaw))
        return self.found

    def _flaw(self, path: str, what: str, *, grave: bool = True) -> None:
        self.found.flaws.append(Flaw(path, what, grave))

    @property
    def _strict(self) -> bool:
        """Whether the rules are those of 1.0, which is stricter than what came before."""
        return self.found.version != "0.97"

    # --- tag files ---

    def _declaration(self) -> None:
        """``bagit.txt``: exactly two lines (RFC 8493, section 2.1.1)."""
        data = self._tag_bytes(DECLARED_IN)
        if data is None:
            self._flaw(DECLARED_IN, "is missing, so that this is no bag")
            raise _Stop
        if data.startswith(codecs.BOM_UTF8):
            self._flaw(DECLARED_IN, "begins with a byte-order mark")
            data = data.removeprefix(codecs.BOM_UTF8)
        lines = _lines(data.decode("utf-8", "replace"))
        values = []
        for label, line in zip(("BagIt-Version", "Tag-File-Character-Encoding"), lines):  # noqa: B905
            match = re.match(rf"([ \t]*){label}([ \t]*):([ \t]*)(.*?)([ \t]*)\Z", line)
            if not match:
                break
            if (match[1], match[2], match[3], match[5]) != ("", "", " ", ""):
                what = f'has whitespace in a wrong place: "{line}"; allowed: "{label}: {match[4]}"'
                self._flaw(DECLARED_IN, what)
            values.append(match[4])
        if len(lines) != 2 or len(values) != 2:
            what = "has to be two lines, BagIt-Version: M.N and Tag-File-Character-Encoding: NAME"
            self._flaw(DECLARED_IN, what)
        if not values:
            raise _Stop
        self.found.version = values[0]
        if self.found.version not in VERSIONS:
            allowed = " and ".join(VERSIONS)
            self._flaw(DECLARED_IN, f'says version "{values[0]}"; {allowed} are read here')
            raise _Stop
        self.encoding = values[1] if len(values) == 2 else "utf-8"
        try:
            "a".encode(self.encoding)
        except (LookupError, ValueError):
            what = f'says the character encoding "{self.encoding}", which is not known'
            self._flaw(DECLARED_IN, what)
            raise _Stop from None

    def _tag_bytes(self, name: str) -> bytes | None:
        """A tag file's bytes, None where there is none; stops at one that cannot be read."""
        path = self.bag / name
        try:
            status = path.lstat()
            if not stat.S_ISREG(status.st_mode):
                self._flaw(name, "is no file of its own")
                raise _Stop
            if status.st_size > MAX_TAG_BYTES:
                self._flaw(name, f"is larger than {MAX_TAG_BYTES >> 20} MB")
                raise _Stop
            return path.read_bytes()
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            self._flaw(name, f"cannot be read: {error.strerror}")
            raise _Stop from None

    def _tag_lines(self, name: str) -> list[str] | None:
        data = self._tag_bytes(name)
        if data is None:
            return None
        try:
            return _lines(data.decode(self.encoding))
        except UnicodeError:
            self._flaw(name, f"is not text in {self.encoding}, as {DECLARED_IN} says")
            return []

    def _lists(self, names: Sequence[str], *, of_tags: bool) -> list[_List]:
        lists = []
        for name in names:
            match = _LIST.match(name)
            if match and bool(match[1]) == of_tags:
                lists.append(self._list(name, match[2], of_tags=of_tags))
        return lists

    def _list(self, name: str, algorithm: str, *, of_tags: bool) -> _List:
        """A list of checksums: a sum, whitespace, a path on each line (sections 2.1.3, 2.2.1)."""
        sums: dict[str, str] = {}
        for number, line in enumerate(self._tag_lines(name) or (), 1):
            match = _SUM.match(line)
            if not match:
                self._flaw(name, f"line {number} is no checksum with a path: {_short(line)}")
                continue
            if match[2]:
                self._flaw(name, f"line {number} has an asterisk before the path", grave=False)
            path = self._path(name, number, match[3])
            if path is None:
                continue
            inside = path.startswith(f"{PAYLOAD}/")
            if inside == of_tags:
                where = "inside" if inside else "outside"
                self._flaw(name, f"line {number} names a file {where} {PAYLOAD}/: {_short(path)}")
                continue
            if of_tags and (listed := _LIST.match(path)) and listed[1]:
                self._flaw(name, f"line {number} lists a tag manifest: {_short(path)}")
                continue
            value = match[1].lower()
            if path in sums:
                alike = sums[path] == value
                also = "" if alike else " with two checksums"
                what = f"line {number} lists {_short(path)} a second time{also}"
                self._flaw(name, what, grave=self._strict or not alike)
                continue
            sums[path] = value
        return _List(name, re.sub("[^a-z0-9]", "", algorithm.lower()), sums)

    def _path(self, name: str, number: int, written: str) -> str | None:
        """The path that a list names, or None where it leaves the bag."""
        path = written
        if path.startswith("./"):
            self._flaw(name, f"line {number} has ./ before the path", grave=False)
            path = path[2:]
        if _leaves(path):
            self._flaw(name, f"line {number} names a path that leaves the bag: {_short(path)}")
            return None
        if self._strict:
            if "%" in _ENCODED.sub("", path):
                what = f"line {number} has a percent sign that is not encoded: {_short(path)}"
                self._flaw(name, what, grave=False)
            path = decoded(path)
        elif not os.path.lexists(self.bag / path):  # 0.97 left the percent sign itself as it was
            path = re.sub("%0[Aa]", "\n", re.sub("%0[Dd]", "\r", path))
        return path

    def _info(self) -> None:
        """``bag-info.txt``: labels and values, folded lines joined (section 2.2.2)."""
        info = self.found.info
        for number, line in enumerate(self._tag_lines(INFO) or (), 1):
            if line[:1] in (" ", "\t"):
                if not info:
                    self._flaw(INFO, f"line {number} continues a line that is not there")
                    continue
                label, value = info[-1]
                info[-1] = (label, f"{value} {line.strip()}".strip())
                continue
            label, colon, value = line.partition(":")
            if not colon or not label.strip():
                self._flaw(INFO, f"line {number} is no label with a value: {_short(line)}")
                continue
            if label != label.strip():
                what = f"line {number} has whitespace before the colon: {_short(line)}"
                self._flaw(INFO, what, grave=self._strict)
            elif value[:1] not in (" ", "\t", ""):
                what = f"line {number} has no space after the colon: {_short(line)}"
                self._flaw(INFO, what, grave=False)
            info.append((label.strip(), value.strip()))

    def _fetches(self) -> dict[str, str]:
        """``fetch.txt``: files that are elsewhere, with their URLs; nothing is fetched (2.2.3)."""
        urls = {}
        for number, line in enumerate(self._tag_lines(TO_FETCH) or (), 1):
            match = _FETCH.match(line)
            if not match:
                what = f"line {number} is no URL with a length and a path: {_short(line)}"
                self._flaw(TO_FETCH, what)
                continue
            path = self._path(TO_FETCH, number, match[3])
            if path is None:
                continue
            if not path.startswith(f"{PAYLOAD}/"):
                what = f"line {number} names a file outside {PAYLOAD}/: {_short(path)}"
                self._flaw(TO_FETCH, what)
                continue
            urls[path] = match[1]
        return urls

    # --- files ---

    def _all(self) -> None:
        names = self._names()
        payload_lists = self._lists(names, of_tags=False)
        tag_lists = self._lists(names, of_tags=True)
        self._info()
        urls = self._fetches()
        if not payload_lists:
            self._flaw("manifest-ALGORITHM.txt", "is missing: no list of the payload is there")
        there = self._payload()
        self._oxum(there)
        self._complete(payload_lists, there, urls)
        self._tags_complete(tag_lists, names, [each.name for each in payload_lists])
        self._compare([*payload_lists, *tag_lists], there)

    def _names(self) -> list[str]:
        """What lies beside ``data/``."""
        return sorted(entry.name for entry in os.scandir(self.bag) if entry.name != PAYLOAD)

    def _payload(self) -> dict[str, int]:
        """The sizes of all files under ``data/``, by path."""
        there: dict[str, int] = {}
        top = self.bag / PAYLOAD
        if not top.is_dir() or top.is_symlink():
            self._flaw(f"{PAYLOAD}/", "is missing" if not top.exists() else "is no folder")
            return there

        def refused(error: OSError) -> None:
            name = Path(error.filename).relative_to(self.bag).as_posix()
            self._flaw(name, f"cannot be read: {error.strerror}")

        for folder, folders, files in os.walk(top, onerror=refused):
            linked = [name for name in folders if (Path(folder) / name).is_symlink()]
            for name in (*files, *linked):
                path = Path(folder) / name
                inside = path.relative_to(self.bag).as_posix()
                status = path.lstat()
                if stat.S_ISREG(status.st_mode):
                    there[inside] = status.st_size
                else:
                    self._flaw(inside, "is no file of its own")
        return there

    def _oxum(self, there: Mapping[str, int]) -> None:
        """Octets and files as ``bag-info.txt`` counts them (section 2.2.2)."""
        said = [value for label, value in self.found.info if label.lower() == "payload-oxum"]
        if len(said) > 1:
            self._flaw(INFO, "says Payload-Oxum more than once")
        for value in said[:1]:
            match = _OXUM.match(value)
            octets, files = sum(there.values()), len(there)
            if not match:
                self._flaw(INFO, f"says Payload-Oxum {_short(value)}; allowed: OCTETS.FILES")
            elif (int(match[1]), int(match[2])) != (octets, files):
                what = f"says {value} (Payload-Oxum), and {octets}.{files} is there"
                self._flaw(INFO, what)

    def _complete(
        self, lists: Sequence[_List], there: Mapping[str, int], urls: Mapping[str, str]
    ) -> None:
        """Every listed file is there, every file is listed (section 3)."""
        listed = {path for each in lists for path in each.sums}
        for path in sorted(listed - there.keys()):
            if path in urls:
                what = f"is not in the bag: it has to be fetched from {_short(urls[path])}"
                self._flaw(path, what)
            elif near := _same_letters(path, there):
                what = "is there under the same letters in another Unicode form"
                self._flaw(near, what, grave=False)
            elif not os.path.lexists(self.bag / path):
                self._flaw(path, "is missing")
        for path in sorted(urls.keys() - listed):
            self._flaw(TO_FETCH, f"names a file that no manifest lists: {_short(path)}")
        forms = {unicodedata.normalize("NFC", path) for path in listed}
        for path in sorted(there.keys() | listed):
            lacking = [each.name for each in lists if path not in each.sums]
            if path not in listed:
                if lists and unicodedata.normalize("NFC", path) not in forms:
                    self._flaw(path, "is in no manifest: it was added later, or never counted")
            elif lacking:
                self._flaw(path, f"is not in {', '.join(lacking)}", grave=self._strict)

    def _tags_complete(
        self, lists: Sequence[_List], names: Sequence[str], payload_lists: Sequence[str]
    ) -> None:
        for each in lists:
            for path in sorted(each.sums):
                if not os.path.lexists(self.bag / path):
                    self._flaw(path, "is missing")
            for name in sorted(set(payload_lists) - each.sums.keys()):
                self._flaw(name, f"is not in {each.name}", grave=self._strict)
        listed = {path for each in lists for path in each.sums}
        beside = {path.partition("/")[0] for path in listed}
        for name in names:
            own = _LIST.match(name)
            if lists and name not in beside and not own:
                self._flaw(name, "is in no tag manifest", grave=False)

    def _compare(self, lists: Sequence[_List], there: Mapping[str, int]) -> None:
        """Every file once, with all the checksums that are given for it."""
        wanted: dict[str, list[tuple[_List, str]]] = {}
        for each in lists:
            if each.algorithm not in _algorithms():
                what = "cannot be checked: its algorithm is not known here"
                alone = all(other.algorithm not in _algorithms() for other in lists)
                self._flaw(each.name, what, grave=alone)
                continue
            for path, value in each.sums.items():
                wanted.setdefault(path, []).append((each, value))
        for path, sums in sorted(wanted.items()):
            real = path if path in there else _same_letters(path, there) or path
            try:
                found = self._summed(real, {each.algorithm for each, _ in sums})
            except (FileNotFoundError, NotADirectoryError):
                continue  # named already
            except OSError as error:
                self._flaw(path, f"cannot be read: {error.strerror}")
                continue
            if found is None:
                continue
            wrong = [each.name for each, value in sums if found[each.algorithm] != value]
            if wrong:
                self._flaw(path, f"is damaged: its checksum is not the one in {', '.join(wrong)}")
            self.heard()

    def _summed(self, path: str, algorithms: set[str]) -> dict[str, str] | None:
        place = self.bag / path
        if not stat.S_ISREG(place.lstat().st_mode):
            if not path.startswith(f"{PAYLOAD}/"):  # the payload's were named already
                self._flaw(path, "is no file of its own")
            return None
        if not place.resolve().is_relative_to(self.bag.resolve()):
            self._flaw(path, "leads out of the bag")
            return None
        with place.open("rb") as stream:
            return summed(stream, algorithms)


def summed(stream: BinaryIO, algorithms: set[str]) -> dict[str, str]:
    """The checksums of an open file from where it stands, by algorithm."""
    hashers = {name: hashlib.new(_algorithms()[name]) for name in algorithms}
    while chunk := stream.read(CHUNK_BYTES):
        for hasher in hashers.values():
            hasher.update(chunk)
    return {name: hasher.hexdigest() for name, hasher in hashers.items()}


@cache
def _algorithms() -> dict[str, str]:
    """Checksums of a fixed length by their names in bags: lower case, no marks (2.4)."""
    return {
        re.sub("[^a-z0-9]", "", name): name
        for name in hashlib.algorithms_guaranteed
        if not name.startswith("shake")
    }


def _lines(text: str) -> list[str]:
    """Lines that end in LF, CR or CRLF; empty ones at the end are none."""
    lines = _LINE_END.split(text)
    while lines and not lines[-1]:
        lines.pop()
    return lines


def _leaves(path: str) -> bool:
    """Whether a path could lead out of a bag on any system (section 5)."""
    parts = re.split(r"[/\\]", path)
    return (
        PurePosixPath(path).is_absolute()
        or path.startswith(("~", "\\"))
        or re.match("[A-Za-z]:", path) is not None
        or ".." in parts
        or "\0" in path
    )


def _same_letters(path: str, there: Mapping[str, int]) -> str | None:
    """A file whose name differs from ``path`` in its Unicode form alone."""
    wanted = unicodedata.normalize("NFC", path)
    if wanted.isascii():
        return None
    return next((each for each in there if unicodedata.normalize("NFC", each) == wanted), None)


def _short(text: str) -> str:
    return f"{text[:77]}..." if len(text) > 80 else text
