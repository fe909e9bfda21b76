"""Contrast of a part of the picture about its own grey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation

Slope = Annotated[float, Field(ge=0.25, le=4)]


def operations(slope: float, region: Region) -> Sequence[Operation]:
    """A slope about the mean level of what the mask covers; nothing for 1 or an empty mask."""
    if slope == 1:
        return []
    import numpy as np

    from pipeline.kernels.local import change_contrast, mean_stops

    rgb, density, _ = region.pixels()
    middle = mean_stops(rgb, density)
    if middle is None:
        return []
    return [Operation(change_contrast, (np.float32(slope - 1), np.float32(middle)))]


EDIT = Edit(
    name="contrast",
    version=1,
    value=Slope,
    space="working",
    order=7,
    neutral=1.0,
    operations=operations,
    about="Slope about the region's own grey, log light against log light; 1 changes nothing.",
)
