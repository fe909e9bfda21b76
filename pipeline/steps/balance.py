"""White balance: which light counts as white."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, model_validator

from pipeline.step import Context, Operation, Parameters, Step

if TYPE_CHECKING:
    from pipeline.kernels.correction import Correction

Share = Annotated[float, Field(ge=0, le=1)]


class Balance(Parameters):
    """One of: the camera's own reading, the setup's chart, a colour temperature, a neutral spot."""

    source: Literal["as-shot", "chart"] | None = Field(
        None,
        alias="from",
        description="as-shot: the balance that the camera recorded; chart: balance, exposure and "
        "colour as measured on the chart of the frame's setup",
    )
    kelvin: float | None = Field(
        None, ge=1667, le=25000, description="correlated colour temperature of the light, in kelvin"
    )
    duv: float | None = Field(
        None,
        ge=-0.05,
        le=0.05,
        description="distance of the light from the Planckian locus; above 0 is greener",
    )
    neutral: Annotated[tuple[Share, Share], Field(strict=False)] | None = Field(
        None, description="a spot that must come out grey: shares of the frame's width and height"
    )

    @model_validator(mode="before")
    @classmethod
    def _default(cls, value: Any) -> Any:
        return {"from": "as-shot"} if value is None or value == {} else value

    @model_validator(mode="after")
    def _one_way(self) -> Balance:
        ways = [self.source is not None, self.kelvin is not None, self.neutral is not None]
        if sum(ways) != 1:
            raise ValueError("give exactly one of from, kelvin, neutral")
        if self.duv is not None and self.kelvin is None:
            raise ValueError("duv goes with kelvin")
        return self


def operations(parameters: Balance, context: Context) -> Sequence[Operation]:
    """From as-shot balanced RGB to the working space: the chosen white is neutral.

    One matrix, or what was fitted to the chart.
    """
    if parameters.source == "chart":
        return [Operation(*_correction(context).operation())]
    import numpy as np

    from pipeline.kernels.linear import matrix

    white = _white(parameters, context)
    return [Operation(matrix, (context.light.to_working(white).astype(np.float32),))]


def neutral_of(parameters: Balance, context: Context) -> tuple[float, float, float]:
    """What comes out neutral: as-shot balanced RGB, green 1."""
    import numpy as np

    if parameters.source == "as-shot":
        return 1.0, 1.0, 1.0
    if parameters.source == "chart":
        rgb = _correction(context).neutral.tolist()
    else:
        to_working = context.light.to_working(_white(parameters, context))
        rgb = np.linalg.solve(to_working, np.ones(3)).tolist()
    red, green, blue = rgb
    return red / green, 1.0, blue / green


def _correction(context: Context) -> Correction:
    if context.correction is None:
        raise ValueError("balance comes from a chart, and there is none for this picture")
    return context.correction


def _white(parameters: Balance, context: Context) -> tuple[float, float]:
    import numpy as np

    from pipeline.kernels.temperature import xy_from_cct

    if parameters.kelvin is not None:
        return xy_from_cct(parameters.kelvin, parameters.duv or 0.0)
    if parameters.neutral is not None:
        preview = context.preview()
        height, width = preview.shape[:2]
        x = min(int(parameters.neutral[0] * width), width - 1)
        y = min(int(parameters.neutral[1] * height), height - 1)
        # five by five reduced pixels hold some 400 of the sensor's: noise is gone, texture is not
        spot = preview[max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3].reshape(-1, 3)
        red, green, blue = (float(v) for v in np.median(spot, axis=0))
        if min(red, green, blue) <= 0:
            raise ValueError("the neutral spot of balance is black; choose a brighter one")
        return context.light.white_of((red, green, blue))
    return context.light.as_shot


STEP = Step(
    name="balance",
    version=1,
    parameters=Balance,
    space="scene",
    neutral=Balance.model_validate({"from": "as-shot"}),
    operations=operations,
    neutral_of=neutral_of,
    about="White balance: the camera's reading, a chart, a colour temperature, a neutral spot.",
)
