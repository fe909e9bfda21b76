"""Local contrast: what is of a stated size, made to stand out more, or less."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from pydantic import Field

from pipeline.edit import Edit, Region, Textured
from pipeline.step import Operation, Parameters


class LocalContrast(Parameters):
    """How much, and for what size."""

    amount: float = Field(
        ge=-1, le=2, description="0 changes nothing, 1 doubles differences, -1 takes them away"
    )
    radius: float = Field(
        1.5, ge=0.1, le=15, description="size of what is changed, percent of the long side"
    )


def operations(value: LocalContrast, region: Region) -> Sequence[Textured]:
    """A gain by the field of ``kernels.texture.local_contrast``; nothing for an amount of 0."""
    if value.amount == 0:
        return []
    import numpy as np

    from pipeline.kernels import texture
    from pipeline.kernels.local import expose

    base = texture.base_of(region.picture(), region.radius(value.radius))
    field = partial(texture.local_contrast, base=base, amount=value.amount)
    return [Textured(Operation(expose, (np.float32(1),)), field)]


EDIT = Edit(
    name="local_contrast",
    version=1,
    value=LocalContrast,
    space="scene",
    order=5,
    neutral=LocalContrast(amount=0),
    operations=operations,
    about="Contrast of what is about as large as a radius, edges left without halos.",
)
