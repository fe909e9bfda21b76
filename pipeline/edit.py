"""What a local edit is: something done through a mask, as far as the mask's density says.

The order in which everything happens to a pixel:

0. what is to be healed is filled in the frame's own pixels, spots and ``heal`` alike;
1. the scene steps of the whole recipe: balance, exposure;
2. here masks look at the picture, so that no edit can move another one's mask;
3. scene edits: balance, dodge, burn, and sharpen, soften and local_contrast, whose gains are read
   from the light as it was before any edit. They act on the light before any curve, so that what is
   dodged rolls off in the look's shoulder. They are gains of the same cone responses and commute;
4. the working steps of look and adjust, and what ``hold`` asks for;
5. working edits, in the order in which they were first written, and inside one entry contrast,
   saturation, hue, tint;
6. ``match``, last, so that it sees all that moves its product;
7. the steps of finish.

Like a step, an edit compiles its value once a frame into operations; a kernel takes the density of
each pixel along and leaves a pixel of density 0 as it is, to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from pydantic import TypeAdapter

from pipeline.step import Operation

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.frame import Float32
    from pipeline.kernels.masks import Builder


class Pixels(NamedTuple):
    """The pixels of a reduced picture that a mask covers, in working RGB, (3, n) float32.

    ``density`` (n,) is that of the edit's mask, ``place`` (n,) that of where its product is.
    """

    rgb: Float32
    density: Float32
    place: Float32


@dataclass(frozen=True, slots=True)
class Target:
    """The colour that a product should have: Lab under D50, and how far from it is near enough."""

    name: str
    lab: tuple[float, float, float]
    tolerance: float


class Textured(NamedTuple):
    """An operation whose density is that of the mask multiplied with a field, on any grid."""

    operation: Operation
    field: Builder


@dataclass(frozen=True, slots=True)
class Region:
    """What an edit may know of the picture while it compiles itself.

    ``pixels()`` are those that it will meet, as all that is done before it leaves them.
    ``picture()`` is the reduced scene that masks look at, (3, h, w), and ``radius(percent)`` a
    length on it in samples, from percent of the long side. ``samples()`` are some windows of the
    scene at full size where the mask is, (3, rows, columns) each.
    ``finished(rgb)`` takes (3, n) of them through all that follows, to XYZ of the master as shares
    of the D50 white, (3, n) float64. ``say(sentence)`` puts a note into the run's report.
    """

    pixels: Callable[[], Pixels]
    picture: Callable[[], Float32]
    radius: Callable[[float], int]
    samples: Callable[[], list[Float32]]
    finished: Callable[[Float32], NDArray[np.float64]]
    say: Callable[[str], None]
    target: Target | None = None


@dataclass(frozen=True, slots=True)
class Edit:
    """One kind of local edit. Each module in ``pipeline.edits`` defines exactly one, ``EDIT``.

    ``value`` is the type of what is written behind its name; ``neutral`` one that changes nothing.
    A kernel is called as ``kernel(r, g, b, density, *arguments)``. ``order`` tells the place among
    the edits of one entry. ``by_place``: its mask must not depend on what the picture shows.
    """

    name: str
    version: int
    value: Any
    space: Literal["scene", "working"]
    order: int
    neutral: Any
    operations: Callable[[Any, Region], Sequence[Operation | Textured]]
    about: str
    by_place: bool = False
    _adapter: TypeAdapter[Any] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_adapter", TypeAdapter(self.value))

    def settled(self, written: object) -> Any:
        """A written value as its type; raises pydantic's ``ValidationError``."""
        return self._adapter.validate_python(written)

    def plain(self, value: Any) -> Any:
        """A value as plain JSON."""
        return self._adapter.dump_python(value, mode="json", by_alias=True, exclude_none=True)
