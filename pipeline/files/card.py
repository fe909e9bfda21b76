"""Finds what a card or a folder holds: pictures, what belongs to each, movies, and the rest.

Only names and kinds of files are looked at, never what is in them; no link is followed.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pipeline.errors import InvalidInput, Problem
from pipeline.files.copying import shown
from pipeline.files.hashlist import FOLDER as HASH_LISTS
from pipeline.files.originals import PICTURE_SUFFIXES, RAW_SUFFIXES, twin
from pipeline.records import CompanionKind

JPEG_SUFFIXES = frozenset({".jpg", ".jpeg"})
SIDECAR_SUFFIX = ".xmp"
# fmt: off
MOVIE_SUFFIXES = frozenset((
    ".3gp", ".avi", ".crm", ".m2ts", ".m4v", ".mov", ".mp4", ".mpeg", ".mpg", ".mts", ".mxf",
    ".nev",
))
# fmt: on
"""Common practice, no source: the suffixes under which cameras write movies."""

Kind = Literal["raw", "jpeg", "other", "sidecar", "movie"]


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture that becomes a frame, and the JPEG and sidecars that belong to it."""

    picture: Path
    companions: tuple[tuple[Path, CompanionKind], ...] = ()


@dataclass(slots=True)
class Found:
    """What sources hold. ``left`` is what stays there and why, ``failed`` what cannot be listed."""

    shots: list[Shot] = field(default_factory=list)
    movies: list[Path] = field(default_factory=list)
    left: dict[Path, str] = field(default_factory=dict)
    failed: dict[Path, str] = field(default_factory=dict)

    @property
    def files(self) -> int:
        """How many there are to take in."""
        return len(self.movies) + sum(1 + len(shot.companions) for shot in self.shots)


def look_through(sources: Sequence[Path], except_in: Sequence[Path] = ()) -> Found:
    """All that the sources are or hold, at any depth, sorted, each once.

    Inside a folder what is hidden is left out, and so are hash lists. A JPEG belongs to the raw of
    its folder and stem, a sidecar to the picture of its folder and stem or whole name. What lies in
    the resolved folders ``except_in`` does not count. Raises ``InvalidInput`` with every source
    that is not there or is nothing to take in.
    """
    found = Found()
    problems: list[Problem] = []
    paths: dict[Path, Path] = {}
    for source in sources:
        try:
            mode = source.stat().st_mode
            if stat.S_ISDIR(mode):
                os.scandir(source).close()
                for path in _walk(source, found):
                    paths.setdefault(path.resolve(), path)
            elif stat.S_ISREG(mode) and _kind(source):
                paths.setdefault(source.resolve(), source)
            else:
                suffixes = RAW_SUFFIXES | PICTURE_SUFFIXES | MOVIE_SUFFIXES | {SIDECAR_SUFFIX}
                allowed = f"a folder, or a file with {' '.join(sorted(suffixes))}"
                problems.append(Problem(shown(source), 0, "", "not a picture by its name", allowed))
        except OSError as error:
            problems.append(Problem(shown(source), 0, "", _cannot(error), ""))
    if problems:
        raise InvalidInput(problems)
    ours = [
        path
        for real, path in paths.items()
        if not any(real.is_relative_to(kept) for kept in except_in)
    ]
    _sort_out(sorted(ours), found)
    return found


def _walk(top: Path, found: Found) -> Iterator[Path]:
    def cannot_list(error: OSError) -> None:
        found.failed[Path(error.filename)] = _cannot(error)

    for folder, below, names in os.walk(top, onerror=cannot_list):
        below[:] = sorted(name for name in below if name[0] != "." and name != HASH_LISTS)
        for path in (Path(folder, name) for name in (*names, *below) if not name.startswith(".")):
            try:
                mode = path.lstat().st_mode
            except OSError as error:
                found.failed[path] = _cannot(error)
                continue
            if stat.S_ISLNK(mode):
                found.left[path] = "a link, which is not followed"
            elif stat.S_ISREG(mode) and _kind(path):
                yield path
            elif not stat.S_ISDIR(mode):
                regular = stat.S_ISREG(mode)
                found.left[path] = "no picture, sidecar or movie" if regular else "not a file"


def _sort_out(paths: Sequence[Path], found: Found) -> None:
    """Put what belongs together into shots."""
    by_kind: dict[Kind, list[Path]] = {}
    for path in paths:
        if kind := _kind(path):
            by_kind.setdefault(kind, []).append(path)
    found.movies = by_kind.get("movie", [])
    companions: dict[Path, list[tuple[Path, CompanionKind]]] = {}
    # the first is preferred: a sidecar beside a raw and its JPEG is about the frame, the raw
    pictures = {path: path for path in by_kind.get("raw", [])}
    raws = _by_name(pictures)
    for path in by_kind.get("jpeg", []):
        if raw := _of_name(raws, path, path.stem):
            companions.setdefault(raw, []).append((path, "jpeg"))
            pictures[path] = raw
        else:
            pictures[path] = path
    pictures |= {path: path for path in by_kind.get("other", [])}
    named = _by_name(pictures)
    whole = {(path.parent, twin(path.name)): path for path in pictures}
    for path in by_kind.get("sidecar", []):
        picture = whole.get((path.parent, twin(path.stem))) or _of_name(named, path, path.stem)
        if picture is None:
            found.left[path] = "a sidecar of no picture here"
        else:
            companions.setdefault(pictures[picture], []).append((path, "sidecar"))
    found.shots = [
        Shot(path, tuple(companions.get(path, ())))
        for path, frame in sorted(pictures.items())
        if path == frame
    ]


Names = dict[tuple[Path, str], list[Path]]


def _by_name(paths: dict[Path, Path]) -> Names:
    names: Names = {}
    for path in paths:
        names.setdefault((path.parent, twin(path.stem)), []).append(path)
    return names


def _of_name(names: Names, beside: Path, stem: str) -> Path | None:
    """The file of a stem, letter for letter, or else in another case or composition."""
    found = names.get((beside.parent, twin(stem)), [])
    return next((path for path in found if path.stem == stem), found[0] if found else None)


def _kind(path: Path) -> Kind | None:
    suffix = path.suffix.lower() if path.suffix.isascii() else ""
    if suffix in RAW_SUFFIXES:
        return "raw"
    if suffix in JPEG_SUFFIXES:
        return "jpeg"
    if suffix in PICTURE_SUFFIXES:
        return "other"
    if suffix == SIDECAR_SUFFIX:
        return "sidecar"
    return "movie" if suffix in MOVIE_SUFFIXES else None


def _cannot(error: OSError) -> str:
    return f"it cannot be read: {error.strerror or error}"
