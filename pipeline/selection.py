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


def as_patterns(frames: Collection[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and ranges that mean just these frames, whatever others come; and those none can mean.

    A range holds no number that is not among ``frames``: a later card may bring that one.
    """
    families = dict[tuple[str, str, int], list[str]]()
    for name in frames:
        if match := _NUMBERED.fullmatch(name):
            families.setdefault((match[1], match[3], len(match[2])), []).append(match[2])
    patterns = []
    for (before, after, _), numbers in families.items():
        for run in _runs(sorted(numbers)):
            first, last = run[0], run[-1]
            if len(run) == 1 or len(run) > MAX_RANGE:
                patterns += [f"{before}{number}{after}" for number in run]
                continue
            same = next(at for at, (a, b) in enumerate(zip(first, last, strict=True)) if a != b)
            patterns.append(f"{before}{first[:same]}[{first[same:]}-{last[same:]}]{after}")
    others = sorted(name for name in frames if not _NUMBERED.fullmatch(name))
    single = [name for name in others if _means_itself(name)]
    unlistable = [name for name in others if name not in single]
    return tuple(sorted([*patterns, *single])), tuple(unlistable)


def _runs(numbers: Sequence[str]) -> Iterator[list[str]]:
    """Numbers, in order, cut apart wherever one is left out."""
    for _, run in groupby(enumerate(numbers), key=lambda each: int(each[1]) - each[0]):
        yield [number for _, number in run]


def _means_itself(name: str) -> bool:
    try:
        return FramePattern.parse(name).names == {name}
    except ValueError:
        return False
