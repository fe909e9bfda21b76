"""Softening: fine detail taken away, edges kept."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from pydantic import Field

from pipeline.edit import Edit, Region, Textured
from pipeline.step import Operation, Parameters


class Soften(Parameters):
    """How much detail goes, and up to which size."""

    amount: float = Field(ge=0, le=1, description="share of the detail that is taken away")
    radius: float = Field(
        0.4, ge=0.05, le=5, description="size of what counts as detail, percent of the long side"
    )


def operations(value: Soften, region: Region) -> Sequence[Textured]:
    """A gain by the field of ``kernels.texture.softening``; nothing for an amount of 0."""
    if value.amount == 0:
        return []
    import numpy as np

    from pipeline.kernels import texture
    from pipeline.kernels.local import expose

    base = texture.base_of(region.picture(), region.radius(value.radius))
    field = partial(texture.softening, base=base, amount=value.amount)
    return [Textured(Operation(expose, (np.float32(1),)), field)]


EDIT = Edit(
    name="soften",
    version=1,
    value=Soften,
    space="scene",
    order=4,
    neutral=Soften(amount=0),
    operations=operations,
    about="Take away fine detail and leave edges, as for skin or cloth.",
)
