"""Which frames are meant: by rating, or by name.

Plain text that a person wrote, parsed by hand; nothing of it is ever evaluated.
"""

from __future__ import annotations

import fnmatch
import operator
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

MAX_RANGE = 10_000

_RANGE = re.compile(r"\[([0-9]{1,9})-([0-9]{1,9})\]")
_COMPARISON = re.compile(r"\s*rating\s*(>=|<=|==|!=|>|<)\s*(-?[0-9])\s*")
_OPERATORS: Mapping[str, Callable[[int, int], bool]] = {
    ">=": operator.ge,
    "<=": operator.le,
    "==": operator.eq,
    "!=": operator.ne,
    ">": operator.gt,
    "<": operator.lt,
}


@dataclass(frozen=True, slots=True)
class Selection:
    """Which frames are selects: where all comparisons of any of the alternatives hold."""

    text: str
    alternatives: tuple[tuple[tuple[str, int], ...], ...]

    @classmethod
    def parse(cls, text: str) -> Selection:
        """``rating >= 4``, joined by ``and`` and ``or``; ``ValueError`` for anything else."""
        alternatives = []
        for alternative in re.split(r"\bor\b", text):
            comparisons = []
            for comparison in re.split(r"\band\b", alternative):
                match = _COMPARISON.fullmatch(comparison)
                if not match or not -1 <= int(match[2]) <= 5:
                    raise ValueError(f'"{comparison.strip()}" is no comparison')
                comparisons.append((match[1], int(match[2])))
            alternatives.append(tuple(comparisons))
        return cls(text, tuple(alternatives))

    def matches(self, rating: int) -> bool:
        """Whether a frame of this rating (-1 to 5) is a select."""
        return any(
            all(_OPERATORS[sign](rating, number) for sign, number in comparisons)
            for comparisons in self.alternatives
        )


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
