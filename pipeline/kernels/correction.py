"""A chart's correction: as-shot balanced camera RGB to the working space by a root polynomial.

Finlayson, Mackiewicz and Hurlbert, "Color Correction Using Root-Polynomial Regression", IEEE TIP
24(5) (2015): a term of degree d is the d-th root of a product of d channels, so that scaling the
light scales the result, and chromaticity does not depend on exposure.

One thing is our own: the roots see colours drawn towards grey (``squeezed``), smoothly and less far
out than the chart's most saturated ones, while the linear part sees them as they are. So the
correction turns into a matrix far from the chart, and the roots never meet a negative channel.

Knows neither files nor pictures nor how a correction is fitted (``fitting``). Float64 but for the
kernels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels import linear
from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.elementary import cbrt, f32, inlined, kernel
from pipeline.kernels.spaces import D50, D65, SPACES, rgb_to_xyz_matrix, xy_to_xyz

Float64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

WHITE: Float64 = xy_to_xyz(D50)
"""XYZ of a perfect diffuser in the references."""
XYZ_TO_WORKING: Float64 = np.asarray(
    np.linalg.solve(rgb_to_xyz_matrix(SPACES["working"]), adaptation_matrix(WHITE, xy_to_xyz(D65))),
    np.float64,
)
"""From XYZ under D50 to the working space."""

TERMS = {1: 3, 2: 6, 3: 13}
"""How many terms each degree has."""


def shading_shapes(count: int) -> Float64:
    """The shapes of falloff over the chart, (24, count): none (0), a plane (2), a quadratic (5).

    x, y, x², xy, y², each without its mean; x and y go from -1 to 1 over the patches' centres.
    """
    x, y = np.meshgrid(np.linspace(-1, 1, 6), np.linspace(-1, 1, 4))
    shapes = np.stack([x, y, x * x, x * y, y * y], axis=-1).reshape(24, 5)[:, :count]
    return np.asarray(shapes - shapes.mean(axis=0), np.float64)


@dataclass(frozen=True, slots=True)
class Correction:
    """A fitted correction and what it was judged by. ΔE00 are under D50, of the patches used.

    ``coefficients`` (3, 3 | 6 | 13) apply to the terms (see ``terms``) of as-shot balanced RGB
    times ``gains`` times ``exposure``; their rows sum to 1, so that neutral stays neutral.
    ``gains`` (3,), green 1, make a neutral surface's channels equal and ``exposure`` gives the
    neutral ramp its published luminance. ``squeeze`` (3,) is the quadratic form that draws colours
    to grey.

    ``shading`` is the falloff of light across the chart that was taken out of the fit: the factors
    of ``shading_shapes`` in stops; two numbers for a plane, none where it did not pay. By degree:
    ``loo_mean`` and ``loo_max`` the leave-one-out ΔE00, ``refused`` why it was not considered.
    ``before`` (the camera's matrix, or degree 1), ``after`` and ``target`` are Lab (24, 3); all but
    ``target`` at the chart's even light.
    """

    degree: int
    coefficients: Float64
    squeeze: Float64
    gains: Float64
    exposure: float
    ridge: float
    shading: tuple[float, ...]
    used: Bools
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
        """As-shot balanced RGB of a neutral surface, (3,), green 1: for ``Light.white_of``."""
        return np.asarray(self.gains[1] / self.gains, np.float64)

    @property
    def exposure_stops(self) -> float:
        """How much brighter the correction makes a neutral, in stops."""
        return float(np.log2(self.exposure))

    @property
    def shading_range_stops(self) -> float:
        """The difference of light between the brightest and the darkest patch, in stops."""
        if not self.shading:
            return 0.0
        falloff = shading_shapes(len(self.shading)) @ np.array(self.shading)
        return float(falloff.max() - falloff.min())

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values at full precision."""
        return {name: _plain(value) for name, value in asdict(self).items()}

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Correction:
        """The inverse of ``to_json``; raises ``ValueError`` for anything else."""
        try:
            given = dict(value)
            if given.keys() != {field.name for field in fields(cls)}:
                raise ValueError("its fields are others")
            degree = int(given["degree"])
            shapes = {"coefficients": (3, TERMS[degree]), "squeeze": (3,), "gains": (3,)}
            for name in ("before", "after", "target"):
                shapes[name] = (24, 3)
            for name, shape in shapes.items():
                given[name] = np.array(given[name], np.float64)
                if given[name].shape != shape or not np.isfinite(given[name]).all():
                    raise ValueError(f"its {name} are not {shape} numbers")
            for name in ("exposure", "ridge", "mean", "p90", "max"):
                given[name] = float(given[name])
            given["used"] = np.array(given["used"], np.bool_).reshape(24)
            given["shading"] = tuple(float(factor) for factor in given["shading"])
            if len(given["shading"]) not in (0, 2, 5):
                raise ValueError("its shading is neither a plane nor a quadratic")
            for name in ("loo_mean", "loo_max", "refused"):
                given[name] = {int(degree): entry for degree, entry in given[name].items()}
            correction = cls(**given)
        except (TypeError, KeyError, AttributeError, ValueError) as error:
            raise ValueError(f"this is no stored correction: {error}") from None
        return correction

    def operation(self) -> tuple[Callable[..., None], tuple[Any, ...]]:
        """The kernel and its arguments: as-shot balanced float32 r, g, b to working, in place."""
        gains = self.gains * self.exposure
        if self.degree == 1:
            return linear.matrix, ((self.coefficients * gains).astype(np.float32),)
        roots = square_roots if self.degree == 2 else cube_roots
        squeeze = self.squeeze * [1, 2, 1]
        return roots, (_singles(gains), _singles(squeeze), _singles(self.coefficients))


def _singles(values: Float64) -> tuple[np.float32, ...]:
    """A kernel's settings: a tuple cannot share memory with the pixels, so loops are vectorised."""
    return tuple(np.float32(value) for value in values.ravel())


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, Mapping):
        return {str(key): entry for key, entry in value.items()}
    return list(value) if isinstance(value, tuple) else value


def squeezed(rgb: Float64, squeeze: Float64) -> Float64:
    """RGB (..., 3) drawn towards its own grey, the rounder a colour is already the less.

    m is the mean of the channels, d = rgb - m, q = (a d_r² + 2 b d_r d_b + c d_b²) / m² with
    ``squeeze`` (a, b, c): the result is m + d (1 + q²)^(-1/4), which stays within the ellipse
    q = 1. Homogeneous of degree 1; where m is not positive the result is 0, which it also tends
    to. No channel is ever negative.
    """
    a, b, c = squeeze
    m = np.maximum(rgb.mean(axis=-1, keepdims=True), 0)
    d = rgb - rgb.mean(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        e = d / np.maximum(m, 1e-12)
        q = a * e[..., 0] ** 2 + 2 * b * e[..., 0] * e[..., 2] + c * e[..., 2] ** 2
        k = 1 / np.sqrt(np.sqrt(1 + q * q))
    return np.asarray(np.maximum(m + k[..., None] * d * (m > 0), 0), np.float64)


def terms(rgb: ArrayLike, degree: int, squeeze: ArrayLike) -> Float64:
    """The root-polynomial terms of RGB (..., 3): shape (..., 3 | 6 | 13), degree 1 to 3.

    r, g, b of the colour itself; then of the squeezed colour √rg, √gb, √rb; then ∛rg², ∛gb²,
    ∛rb², ∛gr², ∛bg², ∛br², ∛rgb. Every term of a grey (k, k, k) is k.
    """
    x = np.asarray(rgb, np.float64)
    parts = [x]
    if degree > 1:
        r, g, b = np.moveaxis(squeezed(x, np.asarray(squeeze, np.float64)), -1, 0)
        parts.append(np.sqrt(np.stack([r * g, g * b, r * b], axis=-1)))
        if degree > 2:
            products = [r * g * g, g * b * b, r * b * b, g * r * r, b * g * g, b * r * r, r * g * b]
            parts.append(np.cbrt(np.stack(products, axis=-1)))
    return np.concatenate(parts, axis=-1)


def corrected(rgb: ArrayLike, correction: Correction) -> Float64:
    """Linear working RGB, shape (..., 3), of as-shot balanced camera RGB, in float64.

    Highlights beyond 1 scale like everything else. NaN stays NaN; a pixel whose channels do not
    sum to more than 0 goes through the linear terms alone.
    """
    x = np.asarray(rgb, np.float64) * (correction.gains * correction.exposure)
    return terms(x, correction.degree, correction.squeeze) @ correction.coefficients.T


@inlined
def _drawn_to_grey(x, y, z, a, b2, c):
    """``squeezed`` of one float32 pixel, inside a kernel; ``b2`` is 2 b."""
    mean = (x + y + z) * f32(1 / 3)
    dx, dy, dz = x - mean, y - mean, z - mean
    inverse = f32(1) / max(mean, f32(1e-12))
    ex, ez = dx * inverse, dz * inverse
    q = a * ex * ex + b2 * ex * ez + c * ez * ez
    k = f32(1) / np.sqrt(np.sqrt(f32(1) + q * q))
    k = k if mean > f32(0) else f32(0)
    return (
        max(mean + k * dx, f32(1e-30)),
        max(mean + k * dy, f32(1e-30)),
        max(mean + k * dz, f32(1e-30)),
    )


@inlined
def _of_degree_2(m, o, x, y, z, p, q, s):
    linear_part = m[o] * x + m[o + 1] * y + m[o + 2] * z
    return linear_part + m[o + 3] * p + m[o + 4] * q + m[o + 5] * s


@kernel
def square_roots(r, g, b, gains, squeeze, m):
    """A correction of degree 2 on float32 vectors r, g, b in place: ``corrected`` in float32.

    From as-shot balanced camera RGB to the linear working space. All settings are tuples of
    float32: ``gains`` (3, exposure included), ``squeeze`` (a, 2 b, c), ``m`` (18, row by row).
    """
    for i in range(r.size):
        x, y, z = gains[0] * r[i], gains[1] * g[i], gains[2] * b[i]
        u, v, w = _drawn_to_grey(x, y, z, squeeze[0], squeeze[1], squeeze[2])
        p, q, s = np.sqrt(u * v), np.sqrt(v * w), np.sqrt(u * w)
        r[i] = _of_degree_2(m, 0, x, y, z, p, q, s)
        g[i] = _of_degree_2(m, 6, x, y, z, p, q, s)
        b[i] = _of_degree_2(m, 12, x, y, z, p, q, s)


@inlined
def _of_degree_3(m, o, x, y, z, p, q, s, u, v, w):
    cubes = u * (v * (m[o + 6] * v + m[o + 9] * u + m[o + 12] * w) + m[o + 8] * w * w)
    cubes += w * (v * (m[o + 7] * w + m[o + 10] * v) + m[o + 11] * u * u)
    return _of_degree_2(m, o, x, y, z, p, q, s) + cubes


@kernel
def cube_roots(r, g, b, gains, squeeze, m):
    """A correction of degree 3; as ``square_roots``, with ``m`` (39)."""
    for i in range(r.size):
        x, y, z = gains[0] * r[i], gains[1] * g[i], gains[2] * b[i]
        u, v, w = _drawn_to_grey(x, y, z, squeeze[0], squeeze[1], squeeze[2])
        p, q, s = np.sqrt(u * v), np.sqrt(v * w), np.sqrt(u * w)
        u, v, w = cbrt(u), cbrt(v), cbrt(w)
        r[i] = _of_degree_3(m, 0, x, y, z, p, q, s, u, v, w)
        g[i] = _of_degree_3(m, 13, x, y, z, p, q, s, u, v, w)
        b[i] = _of_degree_3(m, 26, x, y, z, p, q, s, u, v, w)
