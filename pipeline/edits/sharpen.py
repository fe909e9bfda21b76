"""Sharpening of a part: its finest detail strengthened, its noise not."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from pydantic import Field

from pipeline.edit import Edit, Region, Textured
from pipeline.step import Operation, Parameters


class Sharpen(Parameters):
    """How much, and how fine."""

    amount: float = Field(ge=0, le=3, description="0 changes nothing, 1 doubles fine detail")
    radius_px: float = Field(
        1.0, ge=0.5, le=4, description="standard deviation of what is sharpened, full-size pixels"
    )


def operations(value: Sharpen, region: Region) -> Sequence[Textured]:
    """A gain by the field of ``kernels.texture.sharpening``; nothing for an amount of 0."""
    if value.amount == 0:
        return []
    import numpy as np

    from pipeline.kernels import texture
    from pipeline.kernels.local import expose

    noise = texture.noise_of(region.samples(), value.radius_px)
    field = partial(texture.sharpening, sigma_px=value.radius_px, amount=value.amount, noise=noise)
    return [Textured(Operation(expose, (np.float32(1),)), field)]


EDIT = Edit(
    name="sharpen",
    version=1,
    value=Sharpen,
    space="scene",
    order=6,
    neutral=Sharpen(amount=0),
    operations=operations,
    about="Strengthen the finest detail, bounded at edges, and none that is noise.",
)
