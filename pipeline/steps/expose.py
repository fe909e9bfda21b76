"""Exposure, in stops, as if the shutter had stayed open longer."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from pipeline.step import Context, Operation, Parameters, Step


class Expose(Parameters):
    """A gain on scene light."""

    stops: float = Field(0.0, ge=-8, le=8, description="stops of exposure; 1 doubles the light")


def operations(parameters: Expose, _context: Context) -> Sequence[Operation]:
    """A gain of ``2 ** stops``; nothing for 0."""
    if parameters.stops == 0:
        return []
    import numpy as np

    from pipeline.kernels.linear import gain

    return [Operation(gain, (np.float32(2.0**parameters.stops),))]


STEP = Step(
    name="expose",
    version=1,
    parameters=Expose,
    space="scene",
    neutral=Expose(),
    operations=operations,
    about="Exposure in stops, on scene light, before any curve.",
)
