"""What one bag of a delivery holds, and what changed since the one before. Opens nothing."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pipeline.errors import printable
from pipeline.moments import day_of
from pipeline.records import PackedBag, PackedFile, bag_name

FOLDER = "packed"
"""Where bags lie in a job."""
What = Literal["new", "replaced", "unchanged", "withdrawn"]
HEADS: Mapping[What, str] = {
    "new": "New",
    "replaced": "Replaced",
    "withdrawn": "Withdrawn: in the bag before, and not in this one",
    "unchanged": "Unchanged",
}


@dataclass(frozen=True, slots=True)
class Change:
    """One frame's file in this bag and the one before; ``file`` is None where it is withdrawn."""

    what: What
    file: PackedFile | None
    before: PackedFile | None

    @property
    def frame(self) -> str:
        """Whose file it is."""
        either = self.file or self.before
        assert either is not None
        return either.frame

    @property
    def in_words(self) -> str:
        """``new, v2``; ``replaced, v1 → v2``."""
        if self.file is None or self.before is None or self.what == "unchanged":
            either = self.file or self.before
            return f"{self.what}, v{either.version}" if either else self.what
        before = "" if self.before.version == self.file.version else f"v{self.before.version} → "
        return f"{self.what}, {before}v{self.file.version}"


@dataclass(frozen=True, slots=True)
class Parcel:
    """All that is said of one bag to whoever gets it.

    ``texts`` maps frames to what their pictures show, where that is written, ``colours`` to how
    far products in the delivered file are from their colours, where it holds any. Why other frames
    are not inside is the photographer's business, and not said.
    """

    job: str
    client: str
    sender: str
    delivery: str
    number: int
    at: str
    files: tuple[PackedFile, ...]
    previous: PackedBag | None
    texts: Mapping[str, str] = field(default_factory=dict)
    colours: Mapping[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """What the bag is called."""
        return bag_name(self.delivery, self.number)

    @property
    def title(self) -> str:
        """``lamps, web``."""
        return f"{self.job}, {self.delivery}"

    @property
    def changes(self) -> list[Change]:
        """What became of every file since the bag before, in the order of this bag."""
        return changes(self.previous.files if self.previous else (), self.files)


def changes(before: Iterable[PackedFile], now: Iterable[PackedFile]) -> list[Change]:
    """What became of each frame's file: those that are there now first, in their order."""
    earlier = {file.frame: file for file in before}
    found = []
    for file in now:
        old = earlier.pop(file.frame, None)
        what: What = "new" if old is None else "unchanged" if old == file else "replaced"
        found.append(Change(what, file, old))
    return [*found, *(Change("withdrawn", None, old) for old in earlier.values())]


def size_in_words(size_bytes: int) -> str:
    """``412 bytes``, ``38 kB``, ``1.2 MB``, ``3.4 GB``: decimal units (IEC 80000-13)."""
    if size_bytes < 1000:
        return f"{size_bytes} bytes"
    for unit, factor in (("kB", 1e3), ("MB", 1e6)):
        if size_bytes < 999.5 * factor:
            value = size_bytes / factor
            return f"{value:.0f} {unit}" if unit == "kB" or value >= 99.5 else f"{value:.1f} {unit}"
    return f"{size_bytes / 1e9:.1f} GB"


def counted_changes(found: Sequence[Change]) -> str:
    """``2 new, 1 replaced, 9 unchanged``."""
    counts = {what: sum(change.what == what for change in found) for what in HEADS}
    return ", ".join(f"{count} {what}" for what, count in counts.items() if count)


def changes_as_text(parcel: Parcel) -> str:
    """``changes.txt``: a heading for each kind of change, a block for each file."""
    found = parcel.changes
    since = f"since {parcel.previous.name}" if parcel.previous else "the first bag of this delivery"
    title = f"{parcel.title}: what {parcel.name} brings"
    lines = [title, "=" * len(title), "", f"Packed {day_of(parcel.at)}; {since}."]
    lines += [f"{counted_changes(found)}.", ""]
    for what, head in HEADS.items():
        chosen = [change for change in found if change.what == what]
        if chosen:
            lines += [head, "-" * len(head), ""]
        for change in chosen:
            lines += [*_block(change), ""]
    return "\n".join(map(printable, lines)).rstrip() + "\n"


def _block(change: Change) -> Iterable[str]:
    file = change.file or change.before
    assert file is not None
    version = f"v{file.version}"
    if change.what == "replaced" and change.before is not None:
        version = f"v{change.before.version} → v{file.version}"
        if change.before.version == file.version:
            version = f"v{file.version}, as it was, written anew"
    yield file.file
    yield f"  frame {file.frame}, {version}"
    if change.what == "replaced" and change.before and change.before.file != file.file:
        yield f"  was called {change.before.file}"
    yield f"  {file.width} × {file.height} pixels, {file.size_bytes} bytes"
    yield f"  sha256 {file.sha256}"


def changes_as_json(parcel: Parcel) -> str:
    """``changes.json``: the same for scripts."""
    value = {
        "job": parcel.job,
        "client": parcel.client,
        "delivery": parcel.delivery,
        "bag": parcel.name,
        "packed_at": parcel.at,
        "since": parcel.previous.name if parcel.previous else None,
        "files": changes_plainly(parcel.changes),
    }
    return json.dumps(value, ensure_ascii=False, indent=1) + "\n"


def changes_plainly(found: Iterable[Change]) -> list[dict[str, Any]]:
    """Changes as plain JSON values."""
    return [
        {
            "change": change.what,
            "frame": change.frame,
            **_plainly(change.file or change.before),
            "before": _plainly(change.before) if change.what == "replaced" else None,
        }
        for change in found
    ]


def _plainly(file: PackedFile | None) -> dict[str, Any]:
    assert file is not None
    keys = ("file", "version", "width", "height", "size_bytes", "sha256")
    return {key: getattr(file, key) for key in keys}
