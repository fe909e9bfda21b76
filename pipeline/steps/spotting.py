"""Spotting: dust and small blemishes, filled from what lies around them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Annotated

from pydantic import Field, model_validator

from pipeline.step import Context, Operation, Parameters, Spot, Step

MOST_SPOTS = 500

Share = Annotated[float, Field(ge=0, le=1)]
Place = Annotated[tuple[Share, Share], Field(strict=False)]


class DeclaredSpot(Parameters):
    """One spot: a disc to fill."""

    at: Place = Field(description="its centre, as shares of the upright frame's width and height")
    radius: float = Field(gt=0, le=5, description="percent of the long side")
    source: Place | None = Field(
        None, description="centre of the piece to take; default: found by itself"
    )
    follows: Annotated[str, Field(max_length=255)] | None = Field(
        None, description="the frame in whose picture it lies: it is carried from there"
    )

    @model_validator(mode="after")
    def _from_elsewhere(self) -> DeclaredSpot:
        # as if the frame were square, where a share is longest
        if self.source and math.dist(self.source, self.at) < self.radius / 100:
            raise ValueError("its source lies on the spot itself")
        return self


class FoundSpot(Parameters):
    """A spot that ``safelight assess --dust`` found."""

    at: Place = Field(description="its centre, as shares of the upright frame's width and height")
    radius: float = Field(gt=0, le=5, description="percent of the long side")
    confidence: float = Field(ge=0, le=1, description="how sure it is")


class Spotting(Parameters):
    """Spots to fill."""

    spots: Annotated[tuple[DeclaredSpot, ...], Field(strict=False, max_length=MOST_SPOTS)] = Field(
        (), description="spots of this frame"
    )
    dust: bool = Field(False, description="also those that safelight assess --dust found")
    found: Annotated[tuple[FoundSpot, ...], Field(strict=False, max_length=MOST_SPOTS)] = Field(
        (), description="what it found in this frame; filled in when dust is true"
    )


def spots(parameters: Spotting) -> Sequence[Spot]:
    """The declared spots, and those of dust where they are asked for."""
    declared = [Spot(spot.at, spot.radius, spot.source, spot.follows) for spot in parameters.spots]
    found = parameters.found if parameters.dust else ()
    return [*declared, *(Spot(spot.at, spot.radius) for spot in found)]


def operations(_parameters: Spotting, _context: Context) -> Sequence[Operation]:
    """Nothing: spots are filled before the first operation."""
    return []


STEP = Step(
    name="spotting",
    version=2,
    parameters=Spotting,
    space="working",
    neutral=Spotting(),
    operations=operations,
    about="Fill dust and small blemishes from their surroundings, grain included.",
    spots=spots,
)
