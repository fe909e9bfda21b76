"""Black and white, by channel weights."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field, model_validator

from pipeline.step import Context, Operation, Parameters, Step


class Mono(Parameters):
    """How much of red, green and blue makes the grey; only the ratios count."""

    red: float = Field(0.2627, ge=-2, le=3, description="weight of red")
    green: float = Field(0.6780, ge=-2, le=3, description="weight of green")
    blue: float = Field(0.0593, ge=-2, le=3, description="weight of blue")
    amount: float = Field(1.0, ge=0, le=1, description="0 leaves the colours, 1 is all grey")

    @model_validator(mode="after")
    def _has_a_grey(self) -> Mono:
        if self.red + self.green + self.blue < 0.1:
            raise ValueError("the weights of red, green and blue must sum to 0.1 or more")
        return self


def operations(parameters: Mono, _context: Context) -> Sequence[Operation]:
    """The mix of ``kernels.mono`` with weights that sum to 1; nothing for an amount of 0."""
    if parameters.amount == 0:
        return []
    import numpy as np

    from pipeline.kernels.mono import mix_to_grey

    total = parameters.red + parameters.green + parameters.blue
    weights = (parameters.red / total, parameters.green / total, parameters.blue / total)
    return [Operation(mix_to_grey, tuple(np.float32(v) for v in (*weights, parameters.amount)))]


STEP = Step(
    name="mono",
    version=1,
    parameters=Mono,
    space="working",
    neutral=Mono(amount=0),
    operations=operations,
    about="Black and white from weights of red, green and blue (default: ITU-R BT.2020 luminance).",
)
