"""A product's colour, moved to the colour that was measured on the product."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pydantic import Field

from pipeline.edit import Edit, Region
from pipeline.step import Operation, Parameters

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.kernels.local import Shift


class Match(Parameters):
    """Which product, and how far it may be moved."""

    product: str = Field(max_length=64, description="the name of a product in job.yaml")
    up_to: float = Field(6.0, ge=0, le=20, description="bound on the move of its mean, ΔE00")


def operations(match: Match, region: Region) -> Sequence[Operation]:
    """One change in OKLab for the whole region, so that texture and shading stay; and a note.

    The mean over the product's lit part, of the master as it will be, comes to the target or as
    near as ``up_to`` lets it.
    """
    import numpy as np

    from pipeline.kernels.local import shift_oklab
    from pipeline.kernels.match import mean_lab, solve_match

    target = region.target
    assert target is not None
    rgb, density, place = region.pixels()

    def measure(shift: Shift) -> NDArray[np.float64] | None:
        lanes = -rgb.shape[1] % LANES
        planes = np.pad(rgb, ((0, 0), (0, lanes)))
        shift_oklab(*planes, np.pad(density, (0, lanes)), *shift.arguments)
        return mean_lab(region.finished(planes[:, : rgb.shape[1]]), place)

    found = solve_match(measure, target.lab, match.up_to)
    if found is None:
        region.say(f"{target.name} is too small or too dark here to be matched")
        return []
    result = f"{target.name} ΔE00 {found.before:.2f} -> {found.after:.2f}"
    if found.bounded:
        result += f", moved by {found.moved:.1f}: no more is allowed (up_to {match.up_to:g})"
    if found.after > target.tolerance:
        result += f"; its tolerance of {target.tolerance:g} is not reached"
    region.say(result)
    return [Operation(shift_oklab, found.shift.arguments)]


LANES = 64
"""Pixels that the pass works on at once; measured alike."""

EDIT = Edit(
    name="match",
    version=1,
    value=Match,
    space="working",
    order=11,
    neutral=None,
    operations=operations,
    about="Move a product's mean colour to its target, within a bound; texture and shading stay.",
)
