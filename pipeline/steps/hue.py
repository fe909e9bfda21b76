"""Colours around chosen hues: turned, given more or less chroma, lightened or darkened."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import Field, model_validator

from pipeline.step import Context, Operation, Parameters, Step


class Band(Parameters):
    """Colours whose OKLCh hue angle lies within ``width`` of ``at``."""

    at: float = Field(ge=0, lt=360, description="hue angle in the middle, in degrees")
    width: float = Field(30.0, ge=5, le=180, description="reach to either side, in degrees")
    turn: float = Field(0.0, ge=-45, le=45, description="turn of the hue angle, in degrees")
    chroma: float = Field(1.0, ge=0, le=3, description="factor on chroma")
    lightness: float = Field(1.0, ge=0.5, le=1.5, description="factor on lightness")

    @property
    def changes(self) -> bool:
        """Whether this band does anything."""
        return (self.turn, self.chroma, self.lightness) != (0, 1, 1)


class Hue(Parameters):
    """Up to 16 bands; written as a list."""

    bands: Annotated[tuple[Band, ...], Field(strict=False)] = Field((), max_length=16)

    @model_validator(mode="before")
    @classmethod
    def _from_list(cls, value: Any) -> Any:
        return {"bands": value} if isinstance(value, list | tuple) else value


def operations(parameters: Hue, _context: Context) -> Sequence[Operation]:
    """The bands of ``kernels.hue``; nothing where no band changes anything."""
    bands = [band for band in parameters.bands if band.changes]
    if not bands:
        return []
    import numpy as np

    from pipeline.kernels.hue import shift_bands

    rows = [
        (
            math.cos(math.radians(band.at)),
            math.sin(math.radians(band.at)),
            math.cos(math.radians(band.width)),
            math.radians(band.turn),
            band.chroma - 1,
            band.lightness - 1,
        )
        for band in bands
    ]
    return [Operation(shift_bands, (np.array(rows, np.float32),))]


STEP = Step(
    name="hue",
    version=1,
    parameters=Hue,
    space="working",
    neutral=Hue(),
    operations=operations,
    about="Bands of hue in OKLCh: turn, chroma, lightness; greys stay untouched.",
)
