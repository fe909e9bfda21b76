"""Spots and other small holes, filled in a frame's own pixels before anything else is done to it.

So masks look at the healed picture, and whatever follows treats what was filled like the rest.
Nothing here opens a file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.edits import EDITS
from pipeline.frame import Float32, Light, Source
from pipeline.kernels.heal import heal, reach_px
from pipeline.kernels.masks import Box, Grid
from pipeline.kernels.orient import (
    sensor_view,
    sensor_window,
    upright,
    upright_shape,
)
from pipeline.masking import Ellipse, Mask, Sight, density_of
from pipeline.records import ResolvedStep
from pipeline.steps import STEPS

LEAST_DENSITY = 1 / 512
"""What nobody could see."""
TOLD_BY = 0.012
"""Radius, as a share of the long side, of what a spot is found again by in another frame."""
WIDEST = 0.12
"""Of a hole, as a share of the frame's long side: what is larger is no spot."""


class _Hole(NamedTuple):
    """Pixels of the upright frame to fill, and how much of the filling counts, (rows, columns).

    ``source`` is how many rows down and columns right to take it from, where a person said so.
    """

    name: str
    box: Box
    weight: Float32
    source: tuple[int, int] | None


class _Patch(NamedTuple):
    """What is added to a window of the stored picture."""

    box: Box
    change: Float32


def healed(
    source: Source,
    steps: Sequence[ResolvedStep],
    painted: Mapping[str, NDArray[Any]],
    others: Callable[[str], Source] | None = None,
) -> Source:
    """A source with all holes filled that its steps and local edits ask for; itself where none do.

    ``painted`` maps each file that a mask names to its codes; ``others`` opens the frames that
    masks and spots follow. Raises ``ValueError`` with a sentence for a hole that is too wide, a
    source that cannot be used, or what is not found again.
    """
    grid = Grid.over(*upright_shape(source.height, source.width, source.orientation))
    sight = _sight(source, painted, others)
    holes = [*_joined(_spots(steps, grid, sight), grid), *_masked(steps, grid, sight)]
    if not holes:
        return source
    return _Healed(source, [_patch(source, hole, holes, grid) for hole in holes])


def _sight(
    source: Source,
    painted: Mapping[str, NDArray[Any]],
    others: Callable[[str], Source] | None,
) -> Sight:
    """What masks see here: what is followed is found again in the pictures as they were stored."""
    picture = cache(lambda: np.ascontiguousarray(source.preview().transpose(2, 0, 1)))
    elsewhere = None
    if others is not None:
        elsewhere = cache(lambda name: _sight(others(name), painted, None))
    return Sight(painted, picture, elsewhere=elsewhere)


class _Disc(NamedTuple):
    x: float
    y: float
    radius: float
    source: tuple[int, int] | None


def _spots(steps: Sequence[ResolvedStep], grid: Grid, sight: Sight) -> Iterator[_Disc]:
    """The declared spots, in pixels."""
    for step in steps:
        if step.stage in ("local", "hold"):
            continue
        kind = STEPS[step.step]
        if kind.spots is None:
            continue
        for spot in kind.spots(kind.parameters.model_validate(step.parameters)):
            x, y = grid.pixels(spot.at)
            radius = max(spot.radius / 100 * grid.long_side, 1.0)
            source = None
            if spot.source is not None:
                from_x, from_y = grid.pixels(spot.source)
                source = round(from_y - y), round(from_x - x)
            if spot.follows is not None:
                x, y = _found_again(spot.at, spot.follows, radius, grid, sight)
            yield _Disc(x, y, radius, source)


def _found_again(
    at: tuple[float, float], frame: str, radius: float, grid: Grid, sight: Sight
) -> tuple[float, float]:
    """Where a place in another frame's picture lies in this one, in pixels."""
    reach = max(radius, TOLD_BY * grid.long_side)
    radii = reach / grid.width, reach / grid.height
    mask = Mask(ellipse=Ellipse(centre=at, radii=radii), follows=frame)
    small = Grid.over(grid.height, grid.width, sight.small().shape[1:])
    try:
        density = density_of(mask, small, sight).at(small.box)
    except ValueError as error:
        raise ValueError(f"spotting: {error}") from error
    rows, columns = np.indices(density.shape)
    total = max(float(density.sum()), 1e-6)
    x = float((density * (columns + 0.5)).sum()) / total * small.across
    return x, float((density * (rows + 0.5)).sum()) / total * small.down


def _joined(discs: Iterator[_Disc], grid: Grid) -> Iterator[_Hole]:
    """Discs as holes; those that touch are one hole, unless a person chose a source for one."""
    groups: list[list[_Disc]] = []
    for disc in discs:
        touching = [
            group
            for group in groups
            if disc.source is None
            and any(
                other.source is None
                and math.hypot(disc.x - other.x, disc.y - other.y) < disc.radius + other.radius + 2
                for other in group
            )
        ]
        groups = [group for group in groups if group not in touching]
        groups.append([disc, *(other for group in touching for other in group)])
    for group in groups:
        box = Box(0, 0, 0, 0)
        for disc in group:
            reach = disc.radius
            box = box.join(
                grid.around(disc.y - reach, disc.y + reach, disc.x - reach, disc.x + reach)
            )
        if box.empty:
            continue
        weight = np.zeros(box.shape, np.float32)
        for disc in group:
            right, below = grid.distances(box, disc.x, disc.y)
            weight[np.hypot(right[None], below[:, None]) <= disc.radius] = 1
        if weight.any():
            yield _Hole("spotting", box, weight, group[0].source)


def _masked(steps: Sequence[ResolvedStep], grid: Grid, sight: Sight) -> Iterator[_Hole]:
    """What local edits heal, each connected part a hole."""
    for step in steps:
        if step.stage != "local" or step.step != "heal":
            continue
        value = EDITS["heal"].settled(step.parameters["heal"])
        if value is False:
            continue
        density = density_of(Mask.model_validate(step.parameters["mask"]), grid, sight)
        if density.box.empty:
            continue
        from scipy import ndimage

        weight = density.at(density.box)
        parts, _ = ndimage.label(weight > LEAST_DENSITY)
        taken = None
        if value is not True:
            across, down = grid.pixels(value.source)
            taken = round(down), round(across)
        for number, (rows, columns) in enumerate(ndimage.find_objects(parts), 1):
            box = Box(
                density.box.top + rows.start,
                density.box.top + rows.stop,
                density.box.left + columns.start,
                density.box.left + columns.stop,
            )
            part = np.where(parts[rows, columns] == number, weight[rows, columns], 0)
            yield _Hole(step.label, box, part.astype(np.float32), taken)


def _patch(source: Source, hole: _Hole, holes: Sequence[_Hole], grid: Grid) -> _Patch:
    widest = max(hole.box.shape)
    if widest > WIDEST * grid.long_side:
        raise ValueError(
            f"{hole.name}: a hole of {100 * widest / grid.long_side:.0f} % of the long side; at "
            f"most {100 * WIDEST:.0f} % are healed, more is work for a retoucher"
        )
    reach = reach_px(widest / 2)
    if hole.source is not None:
        reach = max(reach, *(abs(length) + widest for length in hole.source))
    around = hole.box.grown(reach).meet(grid.box)
    size = source.height, source.width
    on_sensor = sensor_window(around, *size, source.orientation)
    stored = source.window(*on_sensor).transpose(1, 2, 0)
    picture = np.ascontiguousarray(upright(stored, source.orientation).transpose(2, 0, 1))
    marked = [np.zeros(around.shape, bool) for _ in range(2)]
    for other in holes:
        part = other.box.meet(around)
        if not part.empty:
            covered = other.weight[part.within(other.box)] > 0
            marked[other is not hole][part.within(around)] |= covered
    own, others = marked
    try:
        filled = heal(picture, own, others & ~own, hole.source)
    except ValueError as error:
        raise ValueError(f"{hole.name}: {error}") from error
    inside = hole.box.within(around)
    change = (filled - picture)[:, *inside] * hole.weight
    laid = sensor_view(change.transpose(1, 2, 0), source.orientation).transpose(2, 0, 1)
    box = Box(*sensor_window(hole.box, *size, source.orientation))
    return _Patch(box, np.ascontiguousarray(laid))


@dataclass(slots=True)
class _Healed:
    """A source, and what is added to it; a ``Source`` itself."""

    source: Source
    patches: Sequence[_Patch]
    width: int = field(init=False)
    height: int = field(init=False)
    orientation: int = field(init=False)
    light: Light = field(init=False)

    def __post_init__(self) -> None:
        self.width, self.height = self.source.width, self.source.height
        self.orientation, self.light = self.source.orientation, self.source.light

    def strip(self, top: int, bottom: int, out: Float32) -> None:
        self.source.strip(top, bottom, out)
        self._add(out, Box(top, bottom, 0, self.width))

    def window(self, top: int, bottom: int, left: int, right: int) -> Float32:
        out = self.source.window(top, bottom, left, right)
        self._add(out, Box(top, bottom, left, right))
        return out

    def preview(self) -> Float32:
        small = self.source.preview().copy()
        view = sensor_view(small, self.orientation)
        by = round(self.height / view.shape[0])
        for box, change in self.patches:
            first, start = box.top // by, box.left // by
            last, stop = -(-box.bottom // by), -(-box.right // by)
            laid = np.zeros((3, (last - first) * by, (stop - start) * by), np.float32)
            top, left = box.top - first * by, box.left - start * by
            laid[:, top : top + change.shape[1], left : left + change.shape[2]] = change
            means = laid.reshape(3, last - first, by, stop - start, by).mean(axis=(2, 4))
            part = view[first:last, start:stop]
            part += means[:, : part.shape[0], : part.shape[1]].transpose(1, 2, 0)
        return small

    def _add(self, out: Float32, window: Box) -> None:
        for box, change in self.patches:
            part = box.meet(window)
            if not part.empty:
                rows, columns = part.within(window)
                out[:, rows, columns] += change[:, *part.within(box)]
