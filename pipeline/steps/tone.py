"""The characteristic curve of the look."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pydantic import Field

from pipeline.step import Context, Operation, Parameters, Step


class Tone(Parameters):
    """Contrast about the pivot grey, and how the curve's two ends bend."""

    contrast: float = Field(
        1.0, ge=0.25, le=4, description="slope of the straight part, log light against log light"
    )
    toe: float = Field(
        0.0, ge=0, le=0.9, description="share of the slope that the deepest shadows give up"
    )
    shoulder: float = Field(
        0.0, ge=0, le=1, description="share of the range above the pivot that bends into white"
    )
    pivot: float = Field(
        0.18, ge=0.01, le=0.5, description="the grey, in linear light, that the curve leaves alone"
    )


def operations(parameters: Tone, _context: Context) -> Sequence[Operation]:
    """The curve of ``kernels.tone``; nothing for a straight line of slope 1."""
    if parameters.contrast == 1 and parameters.toe == 0 and parameters.shoulder == 0:
        return []
    import numpy as np

    from pipeline.kernels.tone import characteristic_curve

    white_stops = -math.log2(parameters.pivot)
    values = (parameters.contrast, parameters.toe, parameters.shoulder, parameters.pivot)
    return [Operation(characteristic_curve, tuple(np.float32(v) for v in (*values, white_stops)))]


STEP = Step(
    name="tone",
    version=1,
    parameters=Tone,
    space="working",
    neutral=Tone(),
    operations=operations,
    about="The characteristic curve: contrast about a grey, toe and shoulder; hue stays.",
)
