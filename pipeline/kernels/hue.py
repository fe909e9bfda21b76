"""Bands of hue: turn, chroma and lightness of the colours around a hue angle, in OKLCh."""

from __future__ import annotations

import numpy as np

from pipeline.kernels.elementary import f32, kernel
from pipeline.kernels.oklab import from_oklab, to_oklab

GREY_CHROMA = 0.02
"""OKLCh chroma at which a band has half of its strength: about the just visible tint of a grey."""


@kernel
def shift_bands(r, g, b, bands):
    """Shift the colours of some hues of float32 working vectors r, g, b, in place.

    ``bands`` is float32 of shape (n, 6): cosine and sine of the hue angle in the middle, cosine of
    the half width, turn in radians, chroma - 1, lightness - 1. A band's weight is the smoothstep of
    ``(cos(h - at) - cos(width)) / (1 - cos(width))``: 1 in the middle, 0 from the half width on,
    smooth at both; times ``C² / (C² + GREY_CHROMA²)``, so that it fades out towards grey and greys
    keep their value to the last bit. Bands that overlap add their shifts.
    """
    n = r.size
    turn = np.zeros(n, np.float32)
    chroma = np.zeros(n, np.float32)
    lightness = np.zeros(n, np.float32)
    l_ok = np.empty(n, np.float32)
    a_ok = np.empty(n, np.float32)
    b_ok = np.empty(n, np.float32)
    for i in range(n):
        l_ok[i], a_ok[i], b_ok[i] = to_oklab(r[i], g[i], b[i])
    for k in range(bands.shape[0]):
        cosine, sine, edge = bands[k, 0], bands[k, 1], bands[k, 2]
        by_turn, by_chroma, by_lightness = bands[k, 3], bands[k, 4], bands[k, 5]
        span = f32(1) / (f32(1) - edge)
        for i in range(n):
            c2 = a_ok[i] * a_ok[i] + b_ok[i] * b_ok[i]
            towards = (a_ok[i] * cosine + b_ok[i] * sine) / np.sqrt(c2 + f32(1e-20))
            w = min(max((towards - edge) * span, f32(0)), f32(1))
            w = w * w * (f32(3) - f32(2) * w) * (c2 / (c2 + f32(GREY_CHROMA**2)))
            turn[i] += w * by_turn
            chroma[i] += w * by_chroma
            lightness[i] += w * by_lightness
    for i in range(n):
        # whole turns off; what is then beyond a quarter is turned from the other side
        t = turn[i] - f32(2 * np.pi) * np.floor(turn[i] * f32(0.5 / np.pi) + f32(0.5))
        beyond = abs(t) > f32(0.5 * np.pi)
        t = np.copysign(f32(np.pi) - abs(t), t) if beyond else t
        t2 = t * t
        # sine and cosine to 1e-7 for turns of up to a radian and a half
        sine = t * (
            f32(1)
            - t2 * (f32(1 / 6) - t2 * (f32(1 / 120) - t2 * (f32(1 / 5040) - t2 * f32(1 / 362880))))
        )
        cosine = f32(1) - t2 * (
            f32(0.5)
            - t2
            * (f32(1 / 24) - t2 * (f32(1 / 720) - t2 * (f32(1 / 40320) - t2 * f32(1 / 3628800))))
        )
        cosine = -cosine if beyond else cosine
        scale = max(f32(1) + chroma[i], f32(0))
        a = (a_ok[i] * cosine - b_ok[i] * sine) * scale
        bb = (a_ok[i] * sine + b_ok[i] * cosine) * scale
        x, y, z = from_oklab(l_ok[i] * max(f32(1) + lightness[i], f32(0)), a, bb)
        touched = (turn[i] != f32(0)) | (chroma[i] != f32(0)) | (lightness[i] != f32(0))
        r[i] = x if touched else r[i]
        g[i] = y if touched else g[i]
        b[i] = z if touched else b[i]
