"""What local edits do to pixels, each as far as the density of its mask says.

Every kernel takes float32 vectors r, g, b and the density d, 0 to 1, of the same length, and works
in place. Where d is 0 a pixel keeps its value to the last bit.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np

from pipeline.frame import Float32
from pipeline.kernels.elementary import MOST_STOPS, exp2, f32, inlined, kernel, log2
from pipeline.kernels.oklab import from_oklab, to_oklab

FLOOR = 2.0**-12
"""Linear level below which contrast levels off, so that noise in black stays small."""


@kernel
def expose(r, g, b, d, stops):
    """Multiply by ``2 ^ (stops d)``, linear light: the fade is even in stops, so it has no halo."""
    for i in range(r.size):
        gain = exp2(stops * d[i])
        r[i] *= gain
        g[i] *= gain
        b[i] *= gain


@kernel
def blend_matrix(r, g, b, d, m):
    """Go from v to ``m v`` by d, linear light; ``m`` is float32 (3, 3), row by row to (r, g, b)."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for i in range(r.size):
        x, y, z, w = r[i], g[i], b[i], d[i]
        reached = w > f32(0)
        red = x + w * (m00 * x + m01 * y + m02 * z - x)
        green = y + w * (m10 * x + m11 * y + m12 * z - y)
        blue = z + w * (m20 * x + m21 * y + m22 * z - z)
        r[i] = red if reached else x
        g[i] = green if reached else y
        b[i] = blue if reached else z


@inlined
def _level(r, g, b):
    most = f32(2.0**MOST_STOPS)
    x0, x1, x2 = min(abs(r), most), min(abs(g), most), min(abs(b), most)
    s0, s1, s2 = x0 * x0, x1 * x1, x2 * x2
    n = (s0 * x0 + s1 * x1 + s2 * x2) / (s0 + s1 + s2 + f32(1e-30))
    return f32(0.5) * log2(n * n + f32(FLOOR * FLOOR))


@kernel
def change_contrast(r, g, b, d, more, middle):
    """Scale by ``2 ^ (more d (x - middle))``: the slope is ``1 + more d``, x in stops about 1.

    ``x = log2(sqrt(n² + FLOOR²))``, with ``n = (|r|³ + |g|³ + |b|³) / (r² + g² + b²)`` the level
    that ``kernels.tone`` uses; the three values are scaled alike, so hue and saturation stay.
    """
    for i in range(r.size):
        level = _level(r[i], g[i], b[i])
        change = exp2(min(more * d[i] * (level - middle), f32(MOST_STOPS) - level))
        gain = change if d[i] > f32(0) else f32(1)
        r[i] *= gain
        g[i] *= gain
        b[i] *= gain


@kernel
def _levels(r, g, b, out):
    for i in range(r.size):
        out[i] = _level(r[i], g[i], b[i])


def mean_stops(rgb: Float32, density: Float32) -> float | None:
    """The mean level of working pixels (3, n), in stops about 1, weighted with a mask's density.

    The geometric mean: what ``change_contrast`` turns about. None where the mask covers nothing.
    """
    levels: Float32 = np.empty(rgb.shape[1], np.float32)
    _levels(*np.ascontiguousarray(rgb, np.float32), levels)
    counted = np.isfinite(levels) & (density > 0)
    weight = np.where(counted, density, 0).astype(np.float64)
    if weight.sum() <= 0:
        return None
    return float((np.where(counted, levels, 0) * weight).sum() / weight.sum())


@dataclass(frozen=True, slots=True)
class Shift:
    """A change of colour that is the same at every brightness, because OKLab scales with light.

    With L, a, b the pixel's OKLab and d its density: ``L' = L (1 + lightness d)``; (a, b) is turned
    by ``turn d`` radians, scaled by ``1 + chroma d``, and gets ``L d (cast_a, cast_b)``. So shading
    and texture keep their shape. All zero: nothing.
    """

    lightness: float = 0.0
    chroma: float = 0.0
    turn: float = 0.0
    cast_a: float = 0.0
    cast_b: float = 0.0

    @property
    def arguments(self) -> tuple[np.float32, ...]:
        """What ``shift_oklab`` takes after the density."""
        return tuple(np.float32(value) for value in astuple(self))


@kernel
def shift_oklab(r, g, b, d, lightness, chroma, turn, cast_a, cast_b):
    """Apply a ``Shift`` to working vectors; ``turn`` at most π/2 in size."""
    for i in range(r.size):
        w = d[i]
        light, a, b_ = to_oklab(r[i], g[i], b[i])
        t = turn * w
        t2 = t * t
        # sine and cosine to 1e-7 for turns of up to a quarter
        sine = t * (
            f32(1)
            - t2 * (f32(1 / 6) - t2 * (f32(1 / 120) - t2 * (f32(1 / 5040) - t2 * f32(1 / 362880))))
        )
        cosine = f32(1) - t2 * (
            f32(0.5)
            - t2
            * (f32(1 / 24) - t2 * (f32(1 / 720) - t2 * (f32(1 / 40320) - t2 * f32(1 / 3628800))))
        )
        scale = max(f32(1) + chroma * w, f32(0))
        a2 = (a * cosine - b_ * sine) * scale + light * w * cast_a
        b2 = (a * sine + b_ * cosine) * scale + light * w * cast_b
        x, y, z = from_oklab(light * max(f32(1) + lightness * w, f32(0)), a2, b2)
        reached = w > f32(0)
        r[i] = x if reached else r[i]
        g[i] = y if reached else g[i]
        b[i] = z if reached else b[i]
