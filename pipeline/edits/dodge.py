"""Dodging: more light on a part of the picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation

Stops = Annotated[float, Field(ge=0, le=4)]


def operations(stops: float, _region: Region) -> Sequence[Operation]:
    """A gain of ``2 ** (stops density)``; nothing for 0."""
    return light(stops)


def light(stops: float) -> Sequence[Operation]:
    """More light, or for negative ``stops`` less."""
    if stops == 0:
        return []
    import numpy as np

    from pipeline.kernels.local import expose

    return [Operation(expose, (np.float32(stops),))]


EDIT = Edit(
    name="dodge",
    version=1,
    value=Stops,
    space="scene",
    order=2,
    neutral=0.0,
    operations=operations,
    about="Lighten, in stops of light, before any curve.",
)
