"""How a delivered picture is framed: the part of the master that it shows, how many pixels that
gets, and the border around it. Knows numbers only.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, NamedTuple

MILLIMETRES_AN_INCH = 25.4


class Box(NamedTuple):
    """A part of a picture in whole pixels; ``right`` and ``bottom`` are the first outside."""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def width(self) -> int:
        return self.right - self.left

    @property
    def height(self) -> int:
        return self.bottom - self.top


class Border(NamedTuple):
    """Around the picture and inside the file's size; ``share`` is of the file's long edge."""

    share: float
    colour: Literal["white", "black"]


class Print(NamedTuple):
    """A size on paper. With both edges the file has just that size, turned as the picture is."""

    width_mm: float | None
    height_mm: float | None
    ppi: int

    def edges(self, width: float, height: float) -> tuple[float | None, float | None]:
        """Pixels across and down for a picture of such a shape; None where one follows."""
        edges = [
            None if edge is None else edge / MILLIMETRES_AN_INCH * self.ppi
            for edge in (self.width_mm, self.height_mm)
        ]
        across, down = edges
        if across and down and (across > down) != (width > height) and width != height:
            return down, across
        return across, down


@dataclass(frozen=True, slots=True)
class Size:
    """How large a file is to be: one of these, or none for as large as the picture is.

    ``width`` and ``height`` are what it has to fit in; with a ``print`` of both edges it is to be
    cut to their shape. It is never made larger than what it shows unless ``enlarge`` is set.
    """

    long_edge: int | None = None
    short_edge: int | None = None
    width: int | None = None
    height: int | None = None
    megapixels: float | None = None
    print: Print | None = None
    scale: float | None = None
    enlarge: bool = False

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Size:
        """The size in a delivery's settings, which say more than that."""
        asked = {item.name: settings[item.name] for item in fields(cls) if item.name in settings}
        if paper := asked.get("print"):
            asked["print"] = Print(paper.get("width_mm"), paper.get("height_mm"), paper["ppi"])
        return cls(**asked)

    def factor(self, width: float, height: float) -> float:
        """From the pixels of what is shown, border included, to those of the file."""
        across, down = self.print.edges(width, height) if self.print else (self.width, self.height)
        factors = [
            asked / has
            for asked, has in (
                (self.long_edge, max(width, height)),
                (self.short_edge, min(width, height)),
                (across, width),
                (down, height),
            )
            if asked is not None
        ]
        if self.megapixels is not None:
            factors.append((self.megapixels * 1e6 / (width * height)) ** 0.5)
        if self.scale is not None:
            factors.append(self.scale)
        factor = min(factors, default=1.0)
        return factor if self.enlarge else min(factor, 1.0)


def inner_size(
    width: int, height: int, size: Size, border: Border | None = None
) -> tuple[int, int, int]:
    """Pixels across and down of the picture in the file, and of the border on each side.

    ``width`` and ``height`` are those of the part of the master that is shown. The long edge of the
    file is what was asked, to the pixel; at least 1 pixel is left.
    """
    long_side = max(width, height)
    around = border.share * long_side / (1 - 2 * border.share) if border else 0.0
    factor = size.factor(width + 2 * around, height + 2 * around)
    border_px = round(around * factor)
    longest = max(1, round((long_side + 2 * around) * factor) - 2 * border_px)
    shortest = min(longest, max(1, round(min(width, height) * factor)))
    return (*((longest, shortest) if width >= height else (shortest, longest)), border_px)


def shape_of(size: Size, aspect: float | None, border: Border | None, part: Box) -> float | None:
    """Width over height to which ``part`` of a picture is to be cut; None where it stays whole."""
    if aspect is not None or size.print is None:
        return aspect
    across, down = size.print.edges(part.width, part.height)
    if across is None or down is None:
        return None
    around = 2 * border.share * max(across, down) if border else 0.0
    return (across - around) / (down - around)


def cut(part: Box, shape: float, focal: tuple[float, float], keep: Iterable[Box] = ()) -> Box:
    """The largest box of a shape (width over height) inside ``part``.

    Its middle is as near to ``focal`` (pixels across and down) as the part lets it be. It is moved,
    as little as that takes, so that it holds the boxes to ``keep``, the first ones before the
    others, as far as they fit; of one that is larger than it, it holds the middle.
    """
    width = min(part.width, max(1, round(part.height * shape)))
    height = min(part.height, max(1, round(part.width / shape)))
    left, top = focal[0] - width / 2, focal[1] - height / 2
    lefts, tops = (part.left, part.right - width), (part.top, part.bottom - height)
    for box in keep:
        lefts = _narrowed(lefts, box.left, box.right, width)
        tops = _narrowed(tops, box.top, box.bottom, height)
    x, y = (
        round(min(max(start, low), high)) for start, (low, high) in ((left, lefts), (top, tops))
    )
    return Box(x, y, x + width, y + height)


def _narrowed(starts: tuple[int, int], first: int, last: int, length: int) -> tuple[int, int]:
    """Those starts of a window of a length that show what lies between two places."""
    low, high = starts
    if last - first > length:  # it cannot all be shown: its middle is
        middle = min(max((first + last - length) // 2, low), high)
        return middle, middle
    return (
        min(max(low, last - length), high),
        max(min(high, first), low),
    )


def parsed_aspect(text: str) -> float:
    """Width over height of a shape such as ``4:5``; raises ``ValueError``."""
    across, _, down = text.partition(":")
    if not (high := float(down)):
        raise ValueError("no height")
    shape = float(across) / high
    if not 1 / 20 <= shape <= 20:
        raise ValueError("more than twenty to one")
    return shape
