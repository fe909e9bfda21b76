"""A tint over a part of the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation, Parameters


class Tint(Parameters):
    """A hue, and how much of it."""

    hue: float = Field(ge=0, lt=360, description="OKLCh hue angle, in degrees")
    chroma: float = Field(
        ge=0, le=0.2, description="OKLCh chroma that a white gets; darker tones get less, in step"
    )


def operations(tint: Tint, _region: Region) -> Sequence[Operation]:
    """Chroma added in proportion to lightness, so that it follows the light; nothing for 0."""
    if tint.chroma == 0:
        return []
    from pipeline.kernels.local import Shift, shift_oklab

    angle = math.radians(tint.hue)
    cast = Shift(cast_a=tint.chroma * math.cos(angle), cast_b=tint.chroma * math.sin(angle))
    return [Operation(shift_oklab, cast.arguments)]


EDIT = Edit(
    name="tint",
    version=1,
    value=Tint,
    space="working",
    order=10,
    neutral=Tint(hue=0, chroma=0),
    operations=operations,
    about="A tint that follows the light: chroma of one hue, in proportion to lightness.",
)
