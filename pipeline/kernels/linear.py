"""Linear operations on RGB: a gain, and a 3 × 3 matrix."""

from __future__ import annotations

from pipeline.kernels.elementary import kernel


@kernel
def gain(r, g, b, factor):
    """Multiply float32 vectors r, g, b in place by ``factor``; any linear space."""
    for i in range(r.size):
        r[i] *= factor
        g[i] *= factor
        b[i] *= factor


@kernel
def matrix(r, g, b, m):
    """Apply the float32 matrix ``m`` (3, 3), row by row to (r, g, b), in place; linear spaces."""
    m00, m01, m02 = m[0, 0], m[0, 1], m[0, 2]
    m10, m11, m12 = m[1, 0], m[1, 1], m[1, 2]
    m20, m21, m22 = m[2, 0], m[2, 1], m[2, 2]
    for i in range(r.size):
        x, y, z = r[i], g[i], b[i]
        r[i] = m00 * x + m01 * y + m02 * z
        g[i] = m10 * x + m11 * y + m12 * z
        b[i] = m20 * x + m21 * y + m22 * z
