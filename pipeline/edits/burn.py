"""Burning: less light on a part of the picture."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.edit import Edit, Region
from pipeline.edits.dodge import Stops, light
from pipeline.step import Operation


def operations(stops: float, _region: Region) -> Sequence[Operation]:
    """A gain of ``2 ** (-stops density)``; nothing for 0."""
    return light(-stops)


EDIT = Edit(
    name="burn",
    version=1,
    value=Stops,
    space="scene",
    order=3,
    neutral=0.0,
    operations=operations,
    about="Darken, in stops of light, before any curve.",
)
