"""Which frames are meant by a name, a range or a glob that a person wrote."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

MAX_RANGE = 10_000

_RANGE = re.compile(r"\[([0-9]{1,9})-([0-9]{1,9})\]")


@dataclass(frozen=True, slots=True)
class FramePattern:
    """One way to name frames: a name, a range ``QL00[02-19]``, or a glob with ``*`` and ``?``."""

    text: str
    names: frozenset[str]

    @classmethod
    def parse(cls, text: str) -> FramePattern:
        """Raises ``ValueError`` with what is wrong."""
        ranges = list(_RANGE.finditer(text))
        if "*" in text or "?" in text:
            if ranges:
                raise ValueError("a range and * or ? in one")
            return cls(text, frozenset())
        if not ranges:
            return cls(text, frozenset((text,)))
        if len(ranges) > 1:
            raise ValueError("two ranges in one")
        first, last = ranges[0].groups()
        if len(first) != len(last) or not int(first) <= int(last) < int(first) + MAX_RANGE:
            raise ValueError(f"the range [{first}-{last}]")
        before, after = text[: ranges[0].start()], text[ranges[0].end() :]
        numbers = range(int(first), int(last) + 1)
        return cls(text, frozenset(f"{before}{n:0{len(first)}}{after}" for n in numbers))

    def matches(self, frame: str) -> bool:
        """Whether the pattern names this frame."""
        if self.names:
            return frame in self.names
        return fnmatch.fnmatchcase(frame, self.text.replace("[", "[[]"))

    def among(self, frames: Collection[str]) -> frozenset[str]:
        """Those of ``frames`` that the pattern names."""
        if self.names:
            return self.names & frozenset(frames)
        return frozenset(filter(self.matches, frames))


_NUMBERED = re.compile(r"([^*?\[\]]*?)([0-9]{1,9})([^0-9*?\[\]]*)")


def as_patterns(
    frames: Collection[str], known: Collection[str]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and ranges that mean just these of the ``known`` frames; and those that none can mean.

    A range goes over numbers that no frame has: those were deleted in the camera.
    """
    ours, families = frozenset(frames), dict[tuple[str, str, int], list[str]]()
    for name in sorted(known):
        if match := _NUMBERED.fullmatch(name):
            families.setdefault((match[1], match[3], len(match[2])), []).append(name)
    patterns = []
    for (before, after, _), names in families.items():
        for run in _runs(names, ours):
            if len(run) == 1:
                patterns += run
                continue
            first, last = (name[len(before) : len(name) - len(after)] for name in (run[0], run[-1]))
            same = next(at for at, (a, b) in enumerate(zip(first, last, strict=True)) if a != b)
            within = int(last) - int(first) < MAX_RANGE
            joined = f"{before}{first[:same]}[{first[same:]}-{last[same:]}]{after}"
            patterns += [joined] if within else run
    numbered = {name for names in families.values() for name in names}
    single = [name for name in sorted(ours - numbered) if _means_itself(name, known)]
    unlistable = ours - numbered - set(single)
    return tuple(sorted([*patterns, *single])), tuple(sorted(unlistable))


def _runs(names: Sequence[str], ours: Collection[str]) -> Iterator[list[str]]:
    """Neighbours in a list that all are ours."""
    for mine, run in groupby(names, key=lambda name: name in ours):
        if mine:
            yield list(run)


def _means_itself(name: str, known: Collection[str]) -> bool:
    try:
        return FramePattern.parse(name).among(known) == {name}
    except ValueError:
        return False
