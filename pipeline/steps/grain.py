"""Grain over the finished picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pydantic import Field

from pipeline.step import Context, Operation, Parameters, Step

if TYPE_CHECKING:
    from pipeline.kernels.masks import Builder


class Grain(Parameters):
    """How strong it is and how large; it looks alike in files of every size."""

    strength: float = Field(
        0.03,
        ge=0,
        le=0.3,
        description="standard deviation in the middle tones, of 1",
    )
    size: float = Field(
        0.4, ge=0.1, le=5, description="width of a grain in thousandths of the long edge"
    )


def operations(parameters: Grain, _context: Context) -> Sequence[Operation]:
    """The noise of ``kernels.grain``; nothing for a strength of 0."""
    if parameters.strength == 0:
        return []
    import numpy as np

    from pipeline.kernels.grain import add_grain

    return [Operation(add_grain, (np.float32(parameters.strength),))]


def field(parameters: Grain, context: Context) -> Builder:
    """Another pattern for every frame, from what it shows."""
    from functools import partial
    from zlib import crc32

    from pipeline.kernels.grain import grain_field

    seed = crc32(context.preview().tobytes())
    return partial(grain_field, size=parameters.size, seed=seed)


STEP = Step(
    name="grain",
    version=2,
    parameters=Grain,
    space="working",
    neutral=Grain(strength=0),
    operations=operations,
    about="Grain over the finished picture, of one size in files of every size.",
    field=field,
)
