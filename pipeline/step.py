"""What a step is: parameters, the space it works in, a version, and the operations it becomes.

A step never touches pixels itself. It compiles its parameters, once a frame, into operations: a
kernel from ``pipeline.kernels`` and the arguments that follow the pixels. The one fused pass in
``develop`` runs those operations on chunks that stay in the processor's cache, so a new recipe
compiles nothing and no full-size intermediate exists.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict

from pipeline.frame import Float32, Light

if TYPE_CHECKING:
    from pipeline.kernels.correction import Correction
    from pipeline.kernels.masks import Builder


class Parameters(BaseModel):
    """Base of every step's parameters: frozen, strict, no unknown keys, no NaN or infinity."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="forbid", allow_inf_nan=False, validate_default=True
    )


class Operation(NamedTuple):
    """A kernel and its arguments.

    The pass calls ``kernel(r, g, b, *arguments)`` on three contiguous float32 vectors of one
    length, a multiple of ``PIXELS_PER_LANE`` in ``pipeline.develop``; it works in place and treats
    every pixel alike wherever it lies.
    """

    kernel: Callable[..., None]
    arguments: tuple[Any, ...] = ()


PASS_VERSION = 2
"""Of all that makes pixels and is no step (reading raws, demosaic, encoding a master): bumped
whenever it changes any, and part of every key."""

CHART_VERSION = 1
"""Of finding and reading a chart and of fitting to it."""

HOLD_VERSION = 1
"""Of keeping product colours under a look."""

FOLLOW_VERSION = 1
"""Of carrying masks from one frame to another."""

RENDITION_VERSION = 3
"""Of all that makes delivered pixels from a master: resizing, sharpening, encoding."""

METADATA_VERSION = 2
"""Of what delivered files say besides what people wrote: capture, provenance, kind of source."""


@dataclass(frozen=True, slots=True)
class Context:
    """What a step may know of the frame while it compiles itself.

    ``preview()`` is the frame at reduced scale, (h, w, 3) float32, upright, as-shot balanced linear
    RGB, before any step; it is made when the first step asks. ``files`` maps each file named in a
    parameter to where it lies. ``correction`` is what the setup's chart gave.
    """

    light: Light
    preview: Callable[[], Float32]
    files: Mapping[str, Path] = field(default_factory=dict)
    correction: Correction | None = None


class Spot(NamedTuple):
    """A disc to fill before any operation. ``at`` and ``source`` are its centre and that of the
    piece to take, as shares of the upright frame; ``radius`` is in percent of the long side.
    ``follows`` is the frame in whose picture it lies, where that is another."""

    at: tuple[float, float]
    radius: float
    source: tuple[float, float] | None = None
    follows: str | None = None


class Blur(NamedTuple):
    """A Gaussian to take back before any operation: its standard deviation in full-size pixels, and
    how much of it, from 0 to 1."""

    sigma_px: float
    strength: float


@dataclass(frozen=True, slots=True)
class Step:
    """One kind of step. Each module in ``pipeline.steps`` defines exactly one, named ``STEP``.

    ``space`` is where the step's pixels are when its operations run. ``scene`` steps speak of the
    light in front of the camera: they run first, in whatever stage they were written, so that an
    exposure corrected for one frame still rolls off in the look's shoulder. ``working`` steps
    follow in the order written. ``neutral`` is a setting that changes nothing (for ``balance``:
    nothing beyond what the camera already decided). ``reads`` lists the parameters that name a
    file inside the job. ``spots`` tells what is to be filled in the frame's own pixels,
    ``blur`` what is to be taken back there, ``neutral_of`` the as-shot balanced RGB, green 1, that
    the step makes neutral. ``field`` gives each pixel a value of its own by its
    place, which the operations take along; such a step belongs to the finish stage.
    """

    name: str
    version: int
    parameters: type[Parameters]
    space: Literal["scene", "working"]
    neutral: Parameters
    operations: Callable[[Any, Context], Sequence[Operation]]
    about: str
    reads: tuple[str, ...] = ()
    spots: Callable[[Any], Sequence[Spot]] | None = None
    field: Callable[[Any, Context], Builder] | None = None
    blur: Callable[[Any], Blur] | None = None
    neutral_of: Callable[[Any, Context], tuple[float, float, float]] | None = None
