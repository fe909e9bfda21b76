"""Primaries correction by an ASC colour decision list."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from pipeline.step import Context, Operation, Parameters, Step

Slope = Annotated[float, Field(ge=0, le=16)]
Offset = Annotated[float, Field(ge=-4, le=4)]
Power = Annotated[float, Field(ge=0.05, le=16)]


class Primaries(Parameters):
    """Slope, offset and power for red, green and blue, and one saturation (ASC CDL 1.2)."""

    slope: Annotated[tuple[Slope, Slope, Slope], Field(strict=False)] = Field(
        (1.0, 1.0, 1.0), description="gain of red, green, blue"
    )
    offset: Annotated[tuple[Offset, Offset, Offset], Field(strict=False)] = Field(
        (0.0, 0.0, 0.0), description="added to red, green, blue after the slope"
    )
    power: Annotated[tuple[Power, Power, Power], Field(strict=False)] = Field(
        (1.0, 1.0, 1.0), description="exponent of red, green, blue after the offset"
    )
    saturation: float = Field(1.0, ge=0, le=4, description="0 is grey, 1 changes nothing")
    clamp: bool = Field(
        False, description="hold values to 0..1 as the list's definition does; off: light stays"
    )


def operations(parameters: Primaries, _context: Context) -> Sequence[Operation]:
    """The list of ``kernels.primaries``; nothing for a list that changes nothing."""
    if parameters == Primaries():
        return []
    import numpy as np

    from pipeline.kernels.primaries import decide

    vectors = (parameters.slope, parameters.offset, parameters.power)
    return [
        Operation(
            decide,
            (
                *(np.array(v, np.float32) for v in vectors),
                np.float32(parameters.saturation),
                parameters.clamp,
            ),
        )
    ]


STEP = Step(
    name="primaries",
    version=1,
    parameters=Primaries,
    space="working",
    neutral=Primaries(),
    operations=operations,
    about="ASC CDL: slope, offset and power of each primary, and saturation.",
)
