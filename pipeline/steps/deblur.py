"""Capture sharpening: the small blur of lens, filter and pixel taken back."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from pipeline.step import Blur, Context, Operation, Parameters, Step


class Deblur(Parameters):
    """How much blur there is, and how much of it to take back."""

    sigma_px: float = Field(
        0.5, ge=0.3, le=1.2, description="standard deviation of the blur, full-size pixels"
    )
    strength: float = Field(1.0, ge=0, le=1, description="0 changes nothing, 1 takes all back")


def blur(parameters: Deblur) -> Blur:
    """What is to be taken back."""
    return Blur(parameters.sigma_px, parameters.strength)


def operations(_parameters: Deblur, _context: Context) -> Sequence[Operation]:
    """Nothing: blur is taken back before the first operation."""
    return []


STEP = Step(
    name="deblur",
    version=1,
    parameters=Deblur,
    space="scene",
    neutral=Deblur(strength=0),
    operations=operations,
    about="Take back the small blur of lens, filter and pixel, and leave noise and hard edges be.",
    blur=blur,
)
