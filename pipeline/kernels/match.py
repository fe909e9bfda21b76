"""Moves a product's mean colour to its target and keeps its texture and shading.

Solved on the product's own pixels: what is measured is the mean of XYZ over the lit part, as the
colour report measures it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.difference import delta_e_2000, lab_of, xyz_of
from pipeline.kernels.lit import lit_weights
from pipeline.kernels.local import Shift
from pipeline.kernels.oklab import oklab_of
from pipeline.kernels.spaces import working_to_pcs_matrix

Float64 = NDArray[np.float64]

FEWEST_PIXELS = 9
"""Of a product's lit part, below which a mean says nothing."""
NEUTRAL_RATIO = 0.04
"""Chroma over lightness at which half of a change is made by turning and scaling colours and half
by a cast: what is coloured keeps its greys grey, what is grey can still be corrected."""
CLOSE_ENOUGH = 0.02
"""ΔE00 at which nothing is left to be solved."""
ROUNDS = 20
NO_WHITE = np.ones(3)


@dataclass(frozen=True, slots=True)
class Matched:
    """The change that was found, and what it does to the mean: ΔE00 from the target, and moved."""

    shift: Shift
    before: float
    after: float
    moved: float
    bounded: bool


def mean_lab(xyz: ArrayLike, density: ArrayLike) -> Float64 | None:
    """Lab of the mean of XYZ (3, n), shares of the white, over the lit part of a mask (n,).

    None where fewer than ``FEWEST_PIXELS`` are lit.
    """
    values = np.asarray(xyz, np.float64)
    weights = lit_weights(values[1], np.asarray(density))
    if np.count_nonzero(weights) < FEWEST_PIXELS:
        return None
    mean = values @ weights / weights.sum()
    return lab_of(mean, NO_WHITE) if np.isfinite(mean).all() and mean[1] > 0 else None


def solve_match(
    measure: Callable[[Shift], Float64 | None], target: ArrayLike, up_to: float
) -> Matched | None:
    """The shift that brings the measured mean to a target Lab, moving it by at most ``up_to`` ΔE00.

    ``measure(shift)`` gives the Lab of the mean after a shift. The mean itself is no linear
    function of the shift, so the aim is corrected by what the last shift missed. None where nothing
    can be measured.
    """
    wanted = np.asarray(target, np.float64)
    start = measure(Shift())
    if start is None:
        return None
    before = float(delta_e_2000(start, wanted))
    aim = _within(start, wanted, up_to)
    mean, goal = _oklab(start), _oklab(aim)
    reached, towards = start, goal.copy()
    best = Shift()
    left = float(delta_e_2000(start, aim))
    for _ in range(ROUNDS):
        if left < CLOSE_ENOUGH:
            break
        shift = _between(mean, towards)
        found = measure(shift)
        if found is None:
            break
        if (now := float(delta_e_2000(found, aim))) < left:
            best, left, reached = shift, now, found
        towards += goal - _oklab(found)
    return Matched(
        shift=best,
        before=before,
        after=float(delta_e_2000(reached, wanted)),
        moved=float(delta_e_2000(start, reached)),
        bounded=before > up_to,
    )


def _within(start: Float64, target: Float64, up_to: float) -> Float64:
    """The target, or the place on the way there that is ``up_to`` ΔE00 from the start."""
    if delta_e_2000(start, target) <= up_to:
        return target
    near, far = 0.0, 1.0
    for _ in range(40):
        middle = (near + far) / 2
        if delta_e_2000(start, start + middle * (target - start)) <= up_to:
            near = middle
        else:
            far = middle
    return start + near * (target - start)


def _oklab(lab: Float64) -> Float64:
    return oklab_of(np.linalg.solve(working_to_pcs_matrix(), xyz_of(lab, NO_WHITE)))


def _between(source: Float64, target: Float64) -> Shift:
    """The least change that takes one OKLab colour to another: turn, scale and cast together.

    With u the source's (a, b) over its L as a complex number and v the wanted change of it, ``(z -
    1) u + cast = v``; the solution with the least ``NEUTRAL_RATIO² |z - 1|² + |cast|²``.
    """
    light = max(float(source[0]), 1e-4)
    u = complex(source[1], source[2]) / light
    v = complex(target[1] - source[1], target[2] - source[2]) / light
    share = abs(u) ** 2 + NEUTRAL_RATIO**2
    z = 1 + u.conjugate() * v / share
    cast = v * NEUTRAL_RATIO**2 / share
    return Shift(
        lightness=float(target[0]) / light - 1,
        chroma=abs(z) - 1,
        turn=float(np.clip(np.angle(z), -np.pi / 2, np.pi / 2)),
        cast_a=cast.real,
        cast_b=cast.imag,
    )
