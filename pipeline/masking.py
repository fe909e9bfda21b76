"""Masks as a person writes them: the models, how names are looked up, what geometry can refuse.

Places are shares of the upright frame's width and height, before any crop. What becomes of a mask's
pixels is for ``kernels.masks``; this module reads no pixels and no files.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeAlias, TypeVar

from pydantic import AfterValidator, Field, model_validator

from pipeline import wording
from pipeline.step import Parameters

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.frame import Float32
    from pipeline.kernels.masks import Density, Fit, Grid

NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
MOST_CORNERS = 256
MOST_CURVES = 64
MOST_PARTS = 16
RATIO_TOLERANCE = 0.01
"""Between a painted mask's sides and a frame's: sizes are whole pixels, and a raw has a margin."""
WIDEST_RATIO = 3.0
"""Of a frame's sides, where its size is not known yet: a panorama."""

LEAST_CONFIDENCE = 0.65
"""From which a mask that was carried is believed: nothing in the demo shoot's burst that overlapped
the truth by less than 0.8 reached 0.55 (tests/test_follow.py). Ours, no source."""

Coordinate = Annotated[float, Field(ge=-1, le=2)]
Place = Annotated[tuple[Coordinate, Coordinate], Field(strict=False)]
Radius = Annotated[float, Field(gt=0, le=3)]
Lightness = Annotated[float, Field(ge=0, le=100)]
Opponent = Annotated[float, Field(ge=-150, le=150)]
Lab = Annotated[tuple[Lightness, Opponent, Opponent], Field(strict=False)]

T = TypeVar("T")

Extent = Literal["nothing", "something", "everything"]
Point: TypeAlias = tuple[float, float]
Inside: TypeAlias = tuple[str | int, ...]
"""A place inside a mask: keys and indices."""


class Ellipse(Parameters):
    """An ellipse; the line drawn is where the density is one half."""

    centre: Place = Field(description="shares of width and height, from the upper left corner")
    radii: Annotated[tuple[Radius, Radius], Field(strict=False)] = Field(
        description="half its width and half its height, as shares of the frame's"
    )
    angle_deg: float = Field(
        0.0, ge=-360, le=360, description="turned clockwise by so many degrees"
    )
    feather: float = Field(
        0.0, ge=0, le=2, description="width of the fade as a share of the radii; 2: from the middle"
    )


class Gradient(Parameters):
    """A fade along a line."""

    start: Place = Field(alias="from", description="where the density is 0, and beyond")
    end: Place = Field(alias="to", description="where the density is 1, and beyond")

    @model_validator(mode="after")
    def _two_places(self) -> Gradient:
        if math.dist(self.start, self.end) < 1e-4:
            raise ValueError("from and to are one place")
        return self


class Curved(Parameters):
    """A closed outline of cubic curves."""

    start: Place = Field(description="where the outline begins and ends")
    curves: Annotated[
        tuple[Annotated[tuple[Place, Place, Place], Field(strict=False)], ...],
        Field(strict=False, min_length=1, max_length=MOST_CURVES),
    ] = Field(description="for each curve its first handle, its second handle and its end")

    @model_validator(mode="after")
    def _crosses_not(self) -> Curved:
        _refuse_crossings(list(_roughly(self.start, self.curves)))
        return self


class Tones(Parameters):
    """A band of scene luminance, in stops above the pivot grey of 18 %."""

    low: float | None = Field(None, alias="from", ge=-16, le=16, description="default: no end")
    high: float | None = Field(None, alias="to", ge=-16, le=16, description="default: no end")
    soft: float = Field(1.0, ge=0, le=8, description="width of each shoulder, in stops")

    @model_validator(mode="after")
    def _a_band(self) -> Tones:
        if self.low is None and self.high is None:
            raise ValueError("give from, to or both")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("from must lie below to")
        return self


MOST_STROKES = 32
Stroke = Annotated[tuple[Place, ...], Field(strict=False, min_length=1, max_length=MOST_CORNERS)]
StrokeLines = Annotated[tuple[Stroke, ...], Field(strict=False, max_length=MOST_STROKES)]


class Subject(Parameters):
    """A thing in the picture, cut out along its edge."""

    box: Annotated[tuple[Place, Place], Field(strict=False)] | None = Field(
        None, description="upper left and lower right corner of a box around it, not too loose"
    )
    inside: StrokeLines = Field((), description="strokes on it, each a list of places")
    outside: StrokeLines = Field((), description="strokes beside it")
    width: float = Field(0.5, ge=0.1, le=5, description="of strokes, percent of the long side")

    @model_validator(mode="after")
    def _can_be_told(self) -> Subject:
        if self.box is None and not self.inside:
            raise ValueError("give a box around it, or strokes inside")
        if self.box is not None:
            (left, top), (right, bottom) = self.box
            if right - left < 0.005 or bottom - top < 0.005:
                raise ValueError("box is the upper left corner, then the lower right one")
            if max(left, top) <= 0.005 and min(right, bottom) >= 0.995:
                raise ValueError("the box leaves nothing of the background outside")
        return self

    @property
    def around(self) -> tuple[Point, Point]:
        """The box inside the frame; from strokes alone as large again on every side."""
        if self.box is not None:
            (left, top), (right, bottom) = self.box
        else:
            across, down = zip(*(at for line in self.inside for at in line), strict=True)
            wide, high = (max(max(v) - min(v), 0.02) for v in (across, down))
            left, top = min(across) - wide, min(down) - high
            right, bottom = max(across) + wide, max(down) + high
        return (max(left, 0.0), max(top, 0.0)), (min(right, 1.0), min(bottom, 1.0))


class Sharp(Parameters):
    """What is in focus: where the picture is blurred by little."""

    blur_px: float = Field(
        2.0,
        ge=0.5,
        le=10,
        description="standard deviation of the blur at which the density is one half, in pixels",
    )
    soft: float = Field(
        1.0, ge=0.05, le=2, description="width of the fade, as a share of blur_px; 2: from none"
    )
    reach: float = Field(
        1.0,
        ge=0.1,
        le=5,
        description="how far around plain places are judged by, percent of the long side",
    )


class Colour(Parameters):
    """Scene colours near a Lab value, measured as ΔE00 under D50."""

    lab: Lab = Field(description="L*, a*, b* under D50; a perfect diffuser has L* 100")
    within: float = Field(10.0, ge=0.5, le=60, description="ΔE00 at which the density is one half")
    soft: float = Field(4.0, ge=0, le=60, description="ΔE00 over which it goes from 1 to 0")

    @model_validator(mode="after")
    def _has_a_middle(self) -> Colour:
        if self.soft > 2 * self.within:
            raise ValueError("soft is more than twice within, so that nothing would be full")
        return self


def _outline(points: tuple[Point, ...]) -> tuple[Point, ...]:
    _refuse_crossings(points)
    return points


Corners = Annotated[
    tuple[Place, ...],
    Field(strict=False, min_length=3, max_length=MOST_CORNERS),
    AfterValidator(_outline),
]
Parts = Annotated[tuple["Mask", ...], Field(strict=False, min_length=1, max_length=MOST_PARTS)]

SHAPES = (
    "ellipse",
    "gradient",
    "polygon",
    "path",
    "painted",
    "tones",
    "colour",
    "sharp",
    "subject",
    "whole",
    "named",
)
READ_SCENE = ("tones", "colour", "sharp", "subject")
"""Shapes that depend on what the picture shows."""
CARRIED = ("ellipse", "gradient", "polygon", "path", "painted", "subject")
"""Shapes by place, which can be carried from one frame to another."""
COMBINATIONS = ("all", "any", "not", "minus", "times")
EDGES = ("snap", "grow", "shrink", "feather")
"""What is done to an edge, in this order."""


class Mask(Parameters):
    """One shape, or one way to combine masks; and what is done to its edge."""

    ellipse: Ellipse | None = Field(None, description="an ellipse")
    gradient: Gradient | None = Field(None, description="a fade along a line")
    polygon: Corners | None = Field(None, description="the corners of a closed outline")
    path: Curved | None = Field(None, description="a closed outline of cubic curves")
    painted: Annotated[str, Field(max_length=500)] | None = Field(
        None, description="path of a PNG or TIFF of one channel, such as masks/lamp.png; white: 1"
    )
    tones: Tones | None = Field(None, description="a band of scene luminance")
    colour: Colour | None = Field(None, description="scene colours near one")
    sharp: Sharp | None = Field(None, description="what is in focus; {} for the usual measure")
    subject: Subject | None = Field(None, description="a thing, cut out along its edge")
    whole: Literal[True] | None = Field(None, description="true: the whole frame")
    named: Annotated[str, Field(pattern=NAME_PATTERN)] | None = Field(
        None, description="the name of a mask under masks: of the frame, its setup or the recipe"
    )
    all_of: Parts | None = Field(
        None, alias="all", description="where all of these are: the least of their densities"
    )
    any_of: Parts | None = Field(
        None, alias="any", description="where any of these is: the greatest of their densities"
    )
    inverse: Mask | None = Field(
        None, alias="not", description="where this is not: 1 minus its density"
    )
    minus: Annotated[tuple[Mask, Mask], Field(strict=False)] | None = Field(
        None, description="where the first is and the second is not: the lesser of 1 and 1 - 2"
    )
    times: Parts | None = Field(None, description="their densities multiplied")
    snap: float | None = Field(
        None,
        ge=0,
        le=5,
        description="how far its edge may go to follow the picture's, percent of the long side",
    )
    grow: float | None = Field(None, ge=0, le=500, description="pixels at full size")
    shrink: float | None = Field(None, ge=0, le=500, description="pixels at full size")
    feather: float | None = Field(
        None, ge=0, le=100, description="width of the edge's fade, percent of the long side"
    )

    follows: Annotated[str, Field(max_length=255)] | None = Field(
        None, description="the frame in whose picture the shape lies: it is carried from there"
    )

    @model_validator(mode="after")
    def _one_kind(self) -> Mask:
        kinds = [key for key in self._written() if key not in (*EDGES, "follows")]
        if len(kinds) != 1:
            raise ValueError(
                f"{wording.listed(kinds) or 'no shape'} in one mask; give exactly one of "
                f"{wording.listed((*SHAPES, *COMBINATIONS))}"
            )
        if self.grow and self.shrink:
            raise ValueError("grow or shrink, not both")
        if self.follows and kinds[0] not in CARRIED:
            raise ValueError(f"follows goes with a shape by place: {wording.listed(CARRIED)}")
        return self

    def _written(self) -> list[str]:
        return [
            info.alias or name
            for name, info in type(self).model_fields.items()
            if getattr(self, name) is not None
        ]

    @property
    def kind(self) -> str:
        """Its one shape or combination, as it is written."""
        return next(key for key in self._written() if key not in (*EDGES, "follows"))

    def __str__(self) -> str:
        """In words, shortly: "all of ellipse, not tones (feather 2)"."""
        of = ", ".join(str(part) for _, part in self.parts)
        words = {"not": f"not {of}", "minus": of.replace(", ", " without ", 1)}.get(self.kind)
        if words is None:
            words = f"{self.kind} of {of}" if of else (self.painted or self.kind)
        edges = [f"{key} {getattr(self, key):g}" for key in EDGES if getattr(self, key)]
        edges = [f"from {self.follows}", *edges] if self.follows else edges
        return f"{words} ({', '.join(edges)})" if edges else words

    @property
    def parts(self) -> tuple[tuple[Inside, Mask], ...]:
        """The masks that it is made of, each with its place inside this one."""
        if self.inverse is not None:
            return ((("not",), self.inverse),)
        several = self.all_of or self.any_of or self.minus or self.times or ()
        return tuple(((self.kind, index), part) for index, part in enumerate(several))

    def walk(self, place: Inside = ()) -> Iterator[tuple[Inside, Mask]]:
        """This mask and all that it is made of, each with its place, where this is at ``place``."""
        yield place, self
        for inside, part in self.parts:
            yield from part.walk((*place, *inside))

    @property
    def reads_scene(self) -> bool:
        """Whether it depends on what the picture shows."""
        return not self.by_place or bool(self.followed)

    @property
    def by_place(self) -> bool:
        """Whether it is a place in some picture, whatever that shows there."""
        return not any(part.kind in READ_SCENE or part.snap for _, part in self.walk())

    @property
    def followed(self) -> frozenset[str]:
        """The frames from which something in it is carried."""
        return frozenset(part.follows for _, part in self.walk() if part.follows)

    def carried_from(self, frame: str) -> Mask:
        """The same mask for another frame: what lies by place is carried from ``frame``."""
        if self.kind in CARRIED:
            return self.model_copy(update={"follows": self.follows or frame})
        if self.inverse is not None:
            return self.model_copy(update={"inverse": self.inverse.carried_from(frame)})
        name = {"all": "all_of", "any": "any_of"}.get(self.kind, self.kind)
        if not self.parts:
            return self
        parts = tuple(part.carried_from(frame) for _, part in self.parts)
        return self.model_copy(update={name: parts})


# --- what geometry can say before there are pixels ------------------------------------------------


def _refuse_crossings(points: Sequence[Point]) -> None:
    """Raise a refusal where a closed outline crosses or touches itself, or has no inside."""
    befores = (points[-1], *points[:-1])
    corners = [at for at, before in zip(points, befores, strict=True) if at != before]
    count = len(corners)
    edges = [(corners[i], corners[(i + 1) % count], i) for i in range(count)]
    # from left to right: edges that do not overlap across cannot meet
    edges.sort(key=lambda edge: min(edge[0][0], edge[1][0]))
    for index, (a, b, i) in enumerate(edges):
        right = max(a[0], b[0])
        for c, d, j in edges[index + 1 :]:
            if min(c[0], d[0]) > right:
                break
            neighbours = (i - j) % count in (1, count - 1)
            if (neighbours and _folded_back(a, b, c, d)) or (not neighbours and _meet(a, b, c, d)):
                first, second = sorted((i, j))
                raise wording.refusal(
                    f"an outline that crosses itself: the edge after corner {first + 1} meets that "
                    f"after corner {second + 1}",
                    "corners in order around the outside",
                )
    if abs(_area(corners)) < 1e-9:
        raise wording.refusal("an outline without an inside", "three corners or more, not in line")


def _area(corners: Sequence[Point]) -> float:
    following = (*corners[1:], *corners[:1])
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(corners, following, strict=True)) / 2


def _side(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _between(a: Point, b: Point, c: Point) -> bool:
    """Whether c, which is in line with a and b, lies between them."""
    return min(a[0], b[0]) <= c[0] <= max(a[0], b[0]) and min(a[1], b[1]) <= c[1] <= max(a[1], b[1])


def _meet(a: Point, b: Point, c: Point, d: Point) -> bool:
    """Whether two edges have a point in common."""
    s, t, u, v = _side(a, b, c), _side(a, b, d), _side(c, d, a), _side(c, d, b)
    if ((s > 0) != (t > 0)) and ((u > 0) != (v > 0)) and s and t and u and v:
        return True
    return (
        (s == 0 and _between(a, b, c))
        or (t == 0 and _between(a, b, d))
        or (u == 0 and _between(c, d, a))
        or (v == 0 and _between(c, d, b))
    )


def _folded_back(a: Point, b: Point, c: Point, d: Point) -> bool:
    """Whether two edges that share a corner lie on each other beyond it."""
    shared, one, other = (b, a, d) if b == c else (a, b, c)
    towards = (one[0] - shared[0]) * (other[0] - shared[0]) + (one[1] - shared[1]) * (
        other[1] - shared[1]
    )
    return _side(shared, one, other) == 0 and towards > 0


def _roughly(start: Point, curves: Sequence[tuple[Point, Point, Point]]) -> Iterator[Point]:
    """A path as a polygon of eight edges a curve: near enough to see whether it crosses itself."""
    begin = start
    for one, two, end in curves:
        for step in range(1, 9):
            t = step / 8
            a, b, c, d = (1 - t) ** 3, 3 * (1 - t) ** 2 * t, 3 * (1 - t) * t * t, t**3
            yield (
                a * begin[0] + b * one[0] + c * two[0] + d * end[0],
                a * begin[1] + b * one[1] + c * two[1] + d * end[1],
            )
        begin = end
    if begin != start:
        yield start


FRAME: tuple[Point, ...] = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))


def extent(mask: Mask) -> Extent:
    """Whether a mask without names can be known to select nothing, or everything, in any frame.

    ``something`` where only its pixels can tell. A frame's ratio of sides is not known here.
    """
    parts = [extent(part) for _, part in mask.parts]
    found: Extent = "something"
    match mask:
        case Mask(whole=True):
            found = "everything"
        case Mask(ellipse=Ellipse() as ellipse):
            found = _extent_of_ellipse(ellipse, _margin(mask))
        case Mask(polygon=tuple() as corners):
            found = _extent_of_outline(corners, _margin(mask))
        case Mask(path=Curved() as path):
            outline = list(_roughly(path.start, path.curves))
            found = _extent_of_outline(outline, _margin(mask))
        case Mask(all_of=tuple()) | Mask(times=tuple()):
            found = _extent_of_all(parts)
        case Mask(any_of=tuple()):
            found = _opposite(_extent_of_all([_opposite(part) for part in parts]))
        case Mask(inverse=Mask()):
            found = _opposite(parts[0])
        case Mask(minus=tuple()):
            found = _extent_of_all([parts[0], _opposite(parts[1])])
    return found


def _extent_of_all(parts: Sequence[Extent]) -> Extent:
    if "nothing" in parts:
        return "nothing"
    return "something" if "something" in parts else "everything"


def _opposite(extent: Extent) -> Extent:
    if extent == "something":
        return extent
    return "everything" if extent == "nothing" else "nothing"


def _margin(mask: Mask) -> float:
    """How far an edge may reach beyond the outline, as a share of the shorter side."""
    snap, feather = mask.snap or 0, mask.feather or 0
    # as if the frame were no larger than 500 pixels, where growing reaches furthest
    moved = max(mask.grow or 0, mask.shrink or 0)
    return (feather + 2 * snap) / 100 * WIDEST_RATIO + moved / 500


def _extent_of_ellipse(ellipse: Ellipse, margin: float) -> Extent:
    (x, y), (across, down) = ellipse.centre, ellipse.radii
    reach = 1 + ellipse.feather / 2
    turned = ellipse.angle_deg % 180 != 0
    far_x = (math.hypot(across, down * WIDEST_RATIO) if turned else across) * reach + margin
    far_y = (math.hypot(down, across * WIDEST_RATIO) if turned else down) * reach + margin
    if x + far_x < 0 or x - far_x > 1 or y + far_y < 0 or y - far_y > 1:
        return "nothing"
    farthest = max(math.hypot((cx - x) / across, (cy - y) / down) for cx, cy in FRAME)
    full = not turned and margin == 0 and farthest <= 1 - ellipse.feather / 2
    return "everything" if full else "something"


def _extent_of_outline(points: Sequence[Point], margin: float) -> Extent:
    xs, ys = [at[0] for at in points], [at[1] for at in points]
    if max(xs) + margin < 0 or min(xs) - margin > 1 or max(ys) + margin < 0 or min(ys) - margin > 1:
        return "nothing"
    sides = list(zip(FRAME, (*FRAME[1:], FRAME[0]), strict=True))
    edges = list(zip(points, (*points[1:], points[0]), strict=True))
    free = not any(_meet(*side, *edge) for side in sides for edge in edges)
    around = free and all(_holds(points, corner) for corner in FRAME)
    return "everything" if around and margin == 0 else "something"


def _holds(points: Sequence[Point], at: Point) -> bool:
    """Whether a place lies inside an outline: a ray to the right crosses it an odd time."""
    odd = False
    for (x0, y0), (x1, y1) in zip(points, (*points[1:], points[0]), strict=True):
        if (y0 > at[1]) != (y1 > at[1]) and at[0] < x0 + (at[1] - y0) * (x1 - x0) / (y1 - y0):
            odd = not odd
    return odd


# --- to pixels ------------------------------------------------------------------------------------


def fits(shape: tuple[int, ...], frame: tuple[int, int]) -> bool:
    """Whether a painted mask has a frame's ratio of sides, within a hundredth; heights first."""
    return abs(shape[1] * frame[0] / (shape[0] * frame[1]) - 1) <= RATIO_TOLERANCE


@dataclass
class Sight:
    """What the masks of one frame may look at.

    ``painted`` maps each file that a mask names to its codes. ``picture()`` gives the scene at
    reduced scale, (3, h, w); ``focus()`` its gradient energies, as ``kernels.focus`` has them.
    ``elsewhere(name)`` is the sight of another frame, from which masks are carried.
    ``found`` keeps what was worked out for a mask, so that it is done once for all grids.
    """

    painted: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    picture: Callable[[], Float32] | None = None
    focus: Callable[[], Float32] | None = None
    elsewhere: Callable[[str], Sight] | None = None
    found: dict[tuple[str, Mask], Any] = field(default_factory=dict)

    def small(self) -> Float32:
        """The reduced picture, for a mask that depends on it."""
        assert self.picture is not None, "a mask that depends on the picture"
        return self.picture()

    def once(self, what: str, mask: Mask, make: Callable[[], T]) -> T:
        """What ``make`` gives, made the first time."""
        if (what, mask) not in self.found:
            self.found[what, mask] = make()
        made: T = self.found[what, mask]
        return made


def density_of(mask: Mask, grid: Grid, sight: Sight) -> Density:
    """The density of a mask without names on a grid."""
    from pipeline.kernels import masks

    def shape(on: Grid) -> Density:
        return _shape(mask, on, sight)

    def snapped(on: Grid) -> Density:
        if not mask.snap:
            return shape(on)
        reach_px = mask.snap / 100 * grid.long_side
        fit = sight.once(
            "fit", mask, lambda: masks.snapped_fit(shape, grid, reach_px, sight.small())
        )
        return masks.snapped(fit, on)

    def sized(on: Grid) -> Density:
        by = (mask.grow or 0) - (mask.shrink or 0)
        seen = sight.small() if by and mask.reads_scene else None
        return masks.grown(snapped, on, by, seen) if by else snapped(on)

    if not mask.feather:
        return sized(grid)
    seen = sight.small() if mask.reads_scene else None
    return masks.feathered(sized, grid, mask.feather / 100 * grid.long_side, seen)


def _shape(mask: Mask, grid: Grid, sight: Sight) -> Density:
    """A mask's density before anything is done to its edge."""
    from pipeline.kernels import masks

    if mask.follows:
        return _carried(mask, mask.follows, grid, sight)
    parts = [density_of(part, grid, sight) for _, part in mask.parts]
    match mask:
        case Mask(ellipse=Ellipse() as shape):
            found = masks.ellipse(grid, shape.centre, shape.radii, shape.angle_deg, shape.feather)
        case Mask(gradient=Gradient() as line):
            found = masks.gradient(grid, line.start, line.end)
        case Mask(polygon=tuple() as corners):
            found = masks.polygon(grid, corners)
        case Mask(path=Curved() as path):
            found = masks.polygon(grid, masks.flattened(path.start, path.curves))
        case Mask(painted=str() as file):
            found = masks.painted(grid, sight.painted[file])
        case Mask(tones=Tones() as band):
            found = masks.tones(grid, band.low, band.high, band.soft)
        case Mask(colour=Colour() as near):
            found = masks.colour(grid, near.lab, near.within, near.soft)
        case Mask(sharp=Sharp() as focus):
            found = _in_focus(mask, focus, grid, sight)
        case Mask(subject=Subject() as thing):
            found = _subject(mask, thing, grid, sight)
        case Mask(whole=True):
            found = masks.whole(grid)
        case _:
            found = _combined(mask.kind, parts)
    return found


def _in_focus(mask: Mask, focus: Sharp, grid: Grid, sight: Sight) -> Density:
    from pipeline.kernels import masks
    from pipeline.kernels.focus import BLOCK, blur_of

    def found() -> Float32:
        assert sight.focus is not None, "a mask that depends on the picture"
        radius = max(1, round(focus.reach / 100 * grid.long_side / BLOCK))
        blur = blur_of(sight.focus(), radius)
        values = masks.faded((1 - blur / focus.blur_px) / focus.soft)
        # what was judged by boxes has their edges
        return masks.box_mean(values.astype("f8"), radius).astype("f4")

    return masks.painted(grid, sight.once("focus", mask, found))


def _carried(mask: Mask, frame: str, grid: Grid, sight: Sight) -> Density:
    """A mask that was placed in another frame; ``ValueError`` where it cannot be found again."""
    from pipeline.kernels import masks
    from pipeline.kernels.follow import follow

    def found() -> Float32:
        assert sight.elsewhere is not None, "a mask that depends on the picture"
        there, picture = sight.elsewhere(frame), sight.small()
        before = there.small()
        if before.shape != picture.shape:
            raise ValueError(
                f"a mask that follows {frame}, which has another size or orientation; draw it in "
                "this frame's own file"
            )
        small = masks.Grid.over(*before.shape[1:])
        plain = Mask.model_validate({mask.kind: mask.model_dump(by_alias=True)[mask.kind]})
        density = density_of(plain, small, there).at(small.box, masks.scene_of(before))
        moved = follow(before, picture, density)
        if moved.confidence < LEAST_CONFIDENCE:
            raise ValueError(
                f"a mask that follows {frame}: its {mask.kind} was not found again with enough "
                f"confidence ({moved.confidence:.2f}; {LEAST_CONFIDENCE:g} is needed); draw it in "
                "this frame's own file, or leave the edit out there"
            )
        return moved.density

    return masks.painted(grid, sight.once("carried", mask, found))


def _subject(mask: Mask, thing: Subject, grid: Grid, sight: Sight) -> Density:
    """What was cut at reduced scale, its edge fitted to the picture's as a matte is."""
    from pipeline.kernels import masks
    from pipeline.kernels.subject import Strokes, cut_out

    def fitted() -> Fit:
        picture = sight.small()
        strokes = Strokes(thing.inside, thing.outside, thing.width / 100)
        cut = cut_out(picture, thing.around, strokes)
        reach_px = max(2.0, 1.5 * cut.coarseness) * grid.long_side / max(picture.shape[1:])
        return masks.snapped_fit(lambda on: masks.painted(on, cut.values), grid, reach_px, picture)

    return masks.snapped(sight.once("subject", mask, fitted), grid)


def _combined(kind: str, parts: Sequence[Density]) -> Density:
    from pipeline.kernels import masks

    match kind:
        case "all":
            return masks.all_of(parts)
        case "any":
            return masks.any_of(parts)
        case "times":
            return masks.product(parts)
        case "minus":
            return masks.minus(*parts)
    assert kind == "not", f"a mask called {kind}: names are looked up before"
    return masks.inverse(parts[0])
