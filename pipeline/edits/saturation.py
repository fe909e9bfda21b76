"""Colourfulness of a part of the picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation

Factor = Annotated[float, Field(ge=0, le=4)]


def operations(factor: float, _region: Region) -> Sequence[Operation]:
    """A factor on OKLab chroma; nothing for 1."""
    if factor == 1:
        return []
    from pipeline.kernels.local import Shift, shift_oklab

    return [Operation(shift_oklab, Shift(chroma=factor - 1).arguments)]


EDIT = Edit(
    name="saturation",
    version=1,
    value=Factor,
    space="working",
    order=8,
    neutral=1.0,
    operations=operations,
    about="Factor on chroma in OKLab: 0 is grey, 1 changes nothing; hue and lightness stay.",
)
