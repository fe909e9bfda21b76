"""Keeps some colours where they were under a look, by a smooth warp around each.

Colours are taken apart in OKLab into lightness L and the ratios u = (a, b) / L, which do not change
with the light that falls on a surface: whatever is done to u is done to the surface at every
brightness. Around each held colour, ratios are moved by a vector that fades out as a Gaussian, and
lightness by a factor that fades out in u and in log L. No part of the picture is cut out, so no
edge can show; the warp is kept so gentle that it never folds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.frame import Float32
from pipeline.kernels.difference import delta_e_2000, lab_of, xyz_of
from pipeline.kernels.elementary import exp2, f32, kernel, log2
from pipeline.kernels.oklab import from_oklab, oklab_of, to_oklab
from pipeline.kernels.spaces import working_to_pcs_matrix

Float64 = NDArray[np.float64]

NARROWEST, WIDEST = 0.06, 0.2
"""Standard deviations of the fade in u; 0.06 is some 15° of hue for a strong colour. Ours, no
source."""
LEAST_STOPS = 1.0
"""Standard deviation of the fade in lightness, in stops of light, where little has to be moved."""
STEEPEST = 0.5
"""Of the warp's own slope: a map whose displacement never changes faster than 1 cannot fold."""
COLOURED = 0.08
"""Length of u from which a held colour counts as coloured: then greys are kept out of its warp."""
GREY = 0.03
"""Length of u at which a coloured anchor has half of its weight."""
CUT = 1e-3
"""Weight below which a colour is left alone to the last bit."""
PEAK_SLOPE = np.exp(-0.5)
"""Of a Gaussian of height and standard deviation 1."""
ROUNDS = 10
CLOSE_ENOUGH = 0.02
NO_WHITE = np.ones(3)
NO_ANCHORS: Float32 = np.zeros((0, 10), np.float32)


@dataclass(frozen=True, slots=True)
class Held:
    """What came of it: the warp for ``hold_colours``, and each colour's ΔE00 after it.

    ``unheld`` lists the colours that are beyond their tolerance all the same.
    """

    anchors: Float32
    de00: Float64
    unheld: tuple[int, ...]


@kernel
def hold_colours(r, g, b, anchors):
    """Warp float32 working vectors r, g, b in place.

    ``anchors`` is float32 (n, 10): for each held colour u, v and log2 L where it stands; the moves
    of u, v and log2 L; the two fades as factors k of ``2^(-k distance²)``; and what keeps greys
    out, a weight ``scale c² / (c² + grey)`` of c = |u| (scale 1, grey 0: nothing). Moves of anchors
    that overlap add up.
    """
    n = r.size
    lightness, log_l = np.empty(n, np.float32), np.empty(n, np.float32)
    u, v = np.empty(n, np.float32), np.empty(n, np.float32)
    by_u, by_v = np.zeros(n, np.float32), np.zeros(n, np.float32)
    by_l, reached = np.zeros(n, np.float32), np.zeros(n, np.float32)
    for i in range(n):
        light, a, b_ = to_oklab(r[i], g[i], b[i])
        safe = min(max(light, f32(1e-6)), f32(1e6))
        lightness[i], log_l[i] = light, log2(safe)
        u[i], v[i] = a / safe, b_ / safe
    for k in range(anchors.shape[0]):
        at_u, at_v, at_l = anchors[k, 0], anchors[k, 1], anchors[k, 2]
        move_u, move_v, move_l = anchors[k, 3], anchors[k, 4], anchors[k, 5]
        fade, fade_l, scale, grey = anchors[k, 6], anchors[k, 7], anchors[k, 8], anchors[k, 9]
        for i in range(n):
            du, dv, dl = u[i] - at_u, v[i] - at_v, log_l[i] - at_l
            c2 = u[i] * u[i] + v[i] * v[i] + f32(1e-12)
            w = exp2(-fade * (du * du + dv * dv)) * scale * c2 / (c2 + grey)
            w = max(w - f32(CUT), f32(0)) * f32(1 / (1 - CUT))
            by_u[i] += w * move_u
            by_v[i] += w * move_v
            by_l[i] += w * exp2(-fade_l * dl * dl) * move_l
            reached[i] += w
    for i in range(n):
        light = lightness[i] * exp2(by_l[i])
        x, y, z = from_oklab(light, light * (u[i] + by_u[i]), light * (v[i] + by_v[i]))
        touched = (reached[i] > f32(0)) & (lightness[i] > f32(1e-5))
        r[i] = x if touched else r[i]
        g[i] = y if touched else g[i]
        b[i] = z if touched else b[i]


def solve_hold(
    looked: ArrayLike,
    targets: ArrayLike,
    tolerances: ArrayLike,
    finished: Callable[[Float32], Float64],
) -> Held:
    """The warp that brings colours, (n, 3) working RGB as the look leaves them, to target Labs.

    ``finished(rgb)`` takes (3, n) working RGB through what follows, to XYZ of the master as shares
    of the white, (3, n). What cannot be brought within its tolerance without folding, be it alone
    or beside the others, is left to the look: one after the other, the one without which the
    colours together come nearest to their tolerances.
    """
    before = np.asarray(looked, np.float64)
    wanted = np.asarray(targets, np.float64)
    allowed = np.asarray(tolerances, np.float64)

    def of(chosen: list[int]) -> Held:
        anchors = _solved(before[chosen], wanted[chosen], finished) if chosen else NO_ANCHORS
        de00 = delta_e_2000(_lab(finished(_warped(before, anchors))), wanted)
        return Held(anchors, de00, tuple(np.flatnonzero(de00 > allowed).tolist()))

    def beyond(held: Held) -> float:
        return float(np.maximum(held.de00 - allowed, 0).sum())

    chosen = [index for index in range(len(before)) if of([index]).de00[index] <= allowed[index]]
    held = of(chosen)
    while (held.de00 > allowed)[chosen].any():
        without = [[index for index in chosen if index != left] for left in chosen]
        held, chosen = min(((of(some), some) for some in without), key=lambda pair: beyond(pair[0]))
    return held


def _solved(looked: Float64, wanted: Float64, finished: Callable[[Float32], Float64]) -> Float32:
    """The anchors that bring the largest ΔE00 of some colours down furthest."""
    source = _polar(oklab_of(looked))
    goal = oklab_of(working_of_lab(wanted))
    towards = goal.copy()
    best, least = NO_ANCHORS, np.inf
    for _ in range(ROUNDS):
        anchors = _anchors(source, _polar(towards))
        found = _lab(finished(_warped(looked, anchors)))
        worst = float(delta_e_2000(found, wanted).max())
        if worst < least:
            best, least = anchors, worst
        if worst < CLOSE_ENOUGH:
            break
        towards = towards + goal - oklab_of(working_of_lab(found))
    return best


def _polar(oklab: Float64) -> Float64:
    """u, v and log2 L of OKLab colours (n, 3)."""
    light = np.maximum(oklab[:, 0], 1e-6)
    return np.stack([oklab[:, 1] / light, oklab[:, 2] / light, np.log2(light)], axis=1)


def _anchors(source: Float64, target: Float64) -> Float32:
    """Anchors that move every source to its target, as far as the warp stays gentle."""
    away = target - source
    width = np.hypot(away[:, 0], away[:, 1]) * PEAK_SLOPE / STEEPEST
    width = np.clip(width, NARROWEST, WIDEST)
    # OKLab's L goes with the cube root of light
    width_l = np.maximum(np.abs(away[:, 2]) * PEAK_SLOPE / STEEPEST, LEAST_STOPS / 3)
    fade, fade_l = np.log2(np.e) / 2 / width**2, np.log2(np.e) / 2 / width_l**2
    c2 = source[:, 0] ** 2 + source[:, 1] ** 2 + 1e-12
    grey = np.where(c2 > COLOURED**2, GREY**2, 0.0)
    scale = (c2 + grey) / c2
    between = source[:, None] - source[None]
    w = np.exp2(-fade * (between[..., 0] ** 2 + between[..., 1] ** 2))
    w *= scale * c2[:, None] / (c2[:, None] + grey)
    w = np.maximum(w - CUT, 0) / (1 - CUT)
    w_l = w * np.exp2(-fade_l * between[..., 2] ** 2)
    moves = np.column_stack(
        [
            np.linalg.lstsq(w, away[:, :2], rcond=1e-3)[0],
            np.linalg.lstsq(w_l, away[:, 2], rcond=1e-3)[0],
        ]
    )
    moves *= _gentle(source, moves, width, width_l)
    return np.column_stack([source, moves, fade, fade_l, scale, grey]).astype(np.float32)


def _gentle(source: Float64, moves: Float64, width: Float64, width_l: Float64) -> float:
    """The share of the moves that keeps the warp's slope, as its anchors add up, at ``STEEPEST``.

    Bounded by the sum of every anchor's steepest slope where another one's reach overlaps.
    """
    slope_u = np.hypot(moves[:, 0], moves[:, 1]) * PEAK_SLOPE / width
    slope_l = np.abs(moves[:, 2]) * PEAK_SLOPE / width_l
    apart = np.hypot(*(source[:, None] - source[None])[..., :2].transpose(2, 0, 1))
    overlap = apart < 2 * np.maximum(width[:, None], width[None])
    steepest = max((overlap @ slope_u).max(initial=0.0), (overlap @ slope_l).max(initial=0.0))
    return min(1.0, STEEPEST * 1.2 / steepest) if steepest > 0 else 1.0


def _warped(colours: Float64, anchors: Float32) -> Float32:
    planes = np.zeros((3, -(-len(colours) // 64) * 64), np.float32)
    planes[:, : len(colours)] = colours.T
    hold_colours(*planes, anchors)
    return np.ascontiguousarray(planes[:, : len(colours)])


def _lab(xyz: Float64) -> Float64:
    return lab_of(xyz.T, NO_WHITE)


def working_of_lab(lab: ArrayLike) -> Float64:
    """Working RGB, (n, 3), of scene colours given as Lab: a perfect diffuser is white."""
    shares = xyz_of(lab, NO_WHITE)
    return np.asarray(np.linalg.solve(working_to_pcs_matrix(), shares.T).T, np.float64)
