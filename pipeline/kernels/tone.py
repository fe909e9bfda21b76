"""The characteristic curve: toe, straight part, shoulder, about a grey that stays where it is.

Hurter and Driffield's diagram, log exposure against log response, with slope ``contrast`` in its
straight part. The curve answers for one number a pixel, and the pixel's three values are scaled
alike, so the ratios between them stay: hue and saturation of the light do not move.
"""

from __future__ import annotations

from pipeline.kernels.elementary import MOST_STOPS, cbrt, exp2, f32, kernel, log2

TOE_START = 2.0
"""Stops below the pivot grey, in scene light, where the straight part ends."""
TOE_WIDTH = 4.0
"""Stops over which the slope falls to its value at the foot."""
FLOOR = 2.0**-12
"""Share of the pivot grey below which the gain levels off, so that noise in black stays small."""


@kernel
def characteristic_curve(r, g, b, contrast, toe, shoulder, pivot, white_stops):
    """Give float32 working vectors r, g, b the curve, in place.

    The pixel's level is ``n = (|r|³ + |g|³ + |b|³) / (r² + g² + b²)``: the value of a grey, close
    to the largest channel of a saturated colour, smooth in between. With ``u = sqrt(n² +
    (FLOOR pivot)²)`` and ``x = log2(u / pivot)`` stops, the response in stops is

    * straight part: ``y = contrast x``;
    * shoulder, above ``y0 = (1 - shoulder) white_stops``: ``y = y0 + (white_stops - y0) t / (1 +
      t³)^(1/3)`` with ``t = (contrast x - y0) / (white_stops - y0)``; slope and curvature join, and
      white (``white_stops`` above the pivot) is approached, never passed. ``shoulder`` 0: none;
    * toe, below ``x = -TOE_START``: the slope falls from ``contrast`` to ``contrast (1 - toe)``
      along a smoothstep that is ``TOE_WIDTH`` stops wide, and stays there.

    Every channel is multiplied by ``2^(y - x)``. ``contrast`` > 0, ``toe`` 0 to 0.9, ``shoulder`` 0
    to 1, ``pivot`` > 0 in linear light.
    """
    floor = f32(FLOOR) * pivot
    floor2 = floor * floor
    log_pivot = log2(pivot)
    start = (f32(1) - shoulder) * white_stops
    room = white_stops - start
    most = f32(2.0**MOST_STOPS)
    inverse_room = f32(1) / max(room, f32(1e-6))
    for i in range(r.size):
        x0, x1, x2 = min(abs(r[i]), most), min(abs(g[i]), most), min(abs(b[i]), most)
        s0, s1, s2 = x0 * x0, x1 * x1, x2 * x2
        n = (s0 * x0 + s1 * x1 + s2 * x2) / (s0 + s1 + s2 + f32(1e-30))
        x = f32(0.5) * log2(n * n + floor2) - log_pivot
        y = contrast * x
        t = max((y - start) * inverse_room, f32(0))
        rolled = start + room * t / cbrt(f32(1) + t * t * t)
        y = rolled if (shoulder > f32(0)) & (t > f32(0)) else y
        d = max((-f32(TOE_START) - x) * f32(1 / TOE_WIDTH), f32(0))
        e = min(d, f32(1))
        # the integral of the smoothstep 3e² - 2e³, then a straight line of slope 1
        lost = e * e * e * (f32(1) - f32(0.5) * e) + (d - e)
        y += contrast * toe * f32(TOE_WIDTH) * lost
        k = exp2(min(y, f32(MOST_STOPS)) - x)
        r[i] *= k
        g[i] *= k
        b[i] *= k
