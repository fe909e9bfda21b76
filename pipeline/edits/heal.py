"""Healing: a small part of the picture, filled from what lies around it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation, Parameters

Share = Annotated[float, Field(ge=-1, le=1)]


class Taken(Parameters):
    """Where the filling is taken from."""

    source: Annotated[tuple[Share, Share], Field(strict=False)] = Field(
        description="how far right and down, as shares of the frame's width and height"
    )


Heal = bool | Taken


def operations(_value: Heal, _region: Region) -> Sequence[Operation]:
    """Nothing: holes are filled before the first operation."""
    return []


EDIT = Edit(
    name="heal",
    version=2,
    value=Heal,
    space="scene",
    order=0,
    neutral=False,
    operations=operations,
    about="Fill what the mask covers from its surroundings: true, or the source to take it from.",
    by_place=True,
)
