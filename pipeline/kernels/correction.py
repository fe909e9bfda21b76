"""A chart's correction: as-shot balanced camera RGB to the working space by a root polynomial.

Finlayson, Mackiewicz and Hurlbert, "Color Correction Using Root-Polynomial Regression", IEEE TIP
24(5) (2015): terms of degree d are d-th roots of products of d channels, so that scaling the light
scales the result and chromaticity does not depend on exposure. Knows neither files nor pictures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Correction:
    """A fitted correction and what it was judged by. ΔE00 are under D50, of the fitted patches.

    ``coefficients`` (3, 3 | 6 | 13) apply to the terms of as-shot balanced RGB times ``gains``
    (3,), which make a neutral surface's channels equal; the row sums are all ``exposure``, the
    factor that gives the neutral ramp its published luminance. ``neutral`` is what a neutral
    surface reads as shot (green 1): give it to ``Light.white_of`` for the white. ``shading`` are
    the coefficients, in stops across the chart, of the falloff that was taken out; empty where
    there is none. ``loo_mean`` and ``loo_max`` give the leave-one-out ΔE00 by degree; a degree that
    was refused (folds in the working gamut) is in ``refused`` with the reason.
    """

    degree: int
    coefficients: Float64
    gains: Float64
    exposure: float
    shading: tuple[float, ...]
    loo_mean: Mapping[int, float]
    loo_max: Mapping[int, float]
    refused: Mapping[int, str]
    mean: float
    p90: float
    max: float
    before: Float64
    after: Float64
    target: Float64

    @property
    def neutral(self) -> Float64:
        """As-shot balanced RGB of a neutral surface, (3,), green 1."""
        return self.gains[1] / self.gains

    @property
    def exposure_stops(self) -> float:
        """How much brighter the correction makes a neutral, in stops."""
        return float(np.log2(self.exposure))

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values at full precision."""
        raise NotImplementedError

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Correction:
        """The inverse of ``to_json``; raises ``ValueError`` for anything else."""
        raise NotImplementedError

    def operation(self) -> tuple[Any, tuple[Any, ...]]:
        """The kernel and its arguments, as ``step.Operation`` takes them."""
        raise NotImplementedError


def fit_correction(
    measured: ArrayLike,
    reference: ArrayLike,
    *,
    usable: ArrayLike | None = None,
    noise: ArrayLike | None = None,
    degrees: tuple[int, ...] = (1, 2, 3),
) -> Correction:
    """Fit a correction to the 24 patches of a chart.

    ``measured`` (24, 3) is linear as-shot balanced camera RGB, ``reference`` (24, 3) XYZ under D50
    (Y = 1 for a perfect diffuser), both in chart order; ``usable`` (24,) leaves patches out, and
    ``noise`` (24, 3) is the standard error of the readings. Raises ``ValueError`` with a sentence
    where nothing can be fitted.
    """
    raise NotImplementedError


def corrected(rgb: ArrayLike, correction: Correction) -> Float64:
    """Linear working RGB, shape (..., 3), of as-shot balanced camera RGB, in float64."""
    raise NotImplementedError


def clf_text(correction: Correction) -> str:
    """The correction as a Common LUT Format file: matrix, shaper, LUT3D, matrix; its error within."""
    raise NotImplementedError


def cube_text(correction: Correction, size: int = 33) -> str:
    """The correction as a .cube file over a stated domain; its error within as a comment."""
    raise NotImplementedError
