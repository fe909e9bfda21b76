"""Another light on a part of the picture, as if a filter had hung before its lamp."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation, Parameters


class Shift(Parameters):
    """A shift of the light's colour, as filters are rated."""

    mired: float = Field(
        0.0, ge=-100, le=250, description="shift in mired (10⁶ / kelvin); above 0 is warmer"
    )
    duv: float = Field(
        0.0, ge=-0.03, le=0.03, description="shift across the Planckian locus; above 0 is greener"
    )


def operations(shift: Shift, _region: Region) -> Sequence[Operation]:
    """A matrix that takes working white to the shifted light; nothing for no shift."""
    if shift == Shift():
        return []
    import numpy as np

    from pipeline.kernels.local import blend_matrix
    from pipeline.kernels.temperature import filter_matrix

    return [Operation(blend_matrix, (filter_matrix(shift.mired, shift.duv).astype(np.float32),))]


EDIT = Edit(
    name="balance",
    version=2,
    value=Shift,
    space="scene",
    order=1,
    neutral=Shift(),
    operations=operations,
    about="A warmer, cooler, greener or pinker light, as through a filter; before any curve.",
)
