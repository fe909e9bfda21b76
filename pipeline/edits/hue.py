"""A turn of all hues of a part of the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation

Degrees = Annotated[float, Field(ge=-90, le=90)]


def operations(degrees: float, _region: Region) -> Sequence[Operation]:
    """A turn of the OKLab hue angle; nothing for 0."""
    if degrees == 0:
        return []
    from pipeline.kernels.local import Shift, shift_oklab

    return [Operation(shift_oklab, Shift(turn=math.radians(degrees)).arguments)]


EDIT = Edit(
    name="hue",
    version=1,
    value=Degrees,
    space="working",
    order=9,
    neutral=0.0,
    operations=operations,
    about="Turn of the hue angle in OKLab, in degrees; chroma and lightness stay.",
)
