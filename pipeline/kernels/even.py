"""What would make two pictures of the same surface even: exposure, and the white of the balance.

The surface's colour in a frame and where it should be give three equations; a change of exposure in
stops and of the balance's white in mired and Duv are three unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.difference import lab_of, xyz_of
from pipeline.kernels.gamut import WHITE
from pipeline.kernels.spaces import D65, XY, Float64, xy_to_xyz
from pipeline.kernels.temperature import KELVIN_RANGE, cct_of_xy, xy_from_cct

LAB_DOUBT = 0.3
"""What a measured L*, a* or b* may be wrong by. Ours, no source."""
PRIOR = np.array([1.0, 50.0, 0.01])
"""How large a change in stops, mired and Duv is likely. Where a colour hardly tells one of them, as
a saturated red hardly tells the blue of the light, it stays small instead of following noise. Ours,
no source."""
STEPS = 25
SMALLEST = np.array([1e-4, 1e-2, 1e-5])
"""Differences for the slopes, and changes below which the search has ended."""


@dataclass(frozen=True, slots=True)
class LightShift:
    """Changes to add to a frame's exposure, and to the mired and Duv of its balance's white.

    ``lab`` is what the surface's colour becomes by them.
    """

    stops: float
    mired: float
    duv: float
    lab: Float64


def light_shift(
    lab: ArrayLike,
    wanted: ArrayLike,
    white: XY = D65,
    *,
    exposure: bool = True,
    balance: bool = True,
) -> LightShift:
    """The change of light that takes a surface's colour, (3,), nearest to the wanted one.

    Both are L*a*b* under D50. ``white`` is the scene white that the frame's balance assumes now.
    ``exposure`` and ``balance`` say what may change. The model is the balance step's: linear
    Bradford from the assumed white. Solved by Gauss-Newton for the least squares of the remaining
    L*a*b* over ``LAB_DOUBT`` and the changes over ``PRIOR``. Raises ``ValueError`` where a colour
    is not finite or black.
    """
    start, goal = np.asarray(lab, np.float64), np.asarray(wanted, np.float64)
    if not (np.isfinite(start).all() and np.isfinite(goal).all() and start[0] > 0 < goal[0]):
        raise ValueError("a colour that is black or not finite says nothing about the light")
    to_white = adaptation_matrix(WHITE, xy_to_xyz(white))
    scene = to_white @ xyz_of(start, WHITE)
    kelvin, duv = cct_of_xy(white)
    lowest, highest = 1e6 / KELVIN_RANGE[1] - 1e6 / kelvin, 1e6 / KELVIN_RANGE[0] - 1e6 / kelvin

    free = np.array([exposure, balance, balance])

    def rendered(change: Float64) -> Float64:
        mired = float(np.clip(change[1], lowest, highest))
        assumed = xy_from_cct(1e6 / (1e6 / kelvin + mired), duv + float(change[2]))
        # the assumed white becomes white, whatever it was before
        to_pcs = adaptation_matrix(xy_to_xyz(assumed), WHITE)
        return lab_of(2 ** change[0] * (to_pcs @ scene), WHITE)

    def error(change: Float64) -> Float64:
        return np.concatenate([(rendered(change) - goal) / LAB_DOUBT, change / PRIOR])

    change = np.zeros(3)
    for _ in range(STEPS):
        now = error(change)
        slopes = np.stack(
            [(error(change + step) - now) / step.sum() for step in np.diag(SMALLEST)], axis=1
        )
        move = np.where(free, np.linalg.lstsq(slopes * free, -now, rcond=None)[0], 0.0)
        # one likely change at most, so that a far start cannot throw the search
        move *= min(1.0, float((PRIOR / np.maximum(np.abs(move), 1e-12)).min()))
        change = change + move
        if (np.abs(move) < SMALLEST).all():
            break
    change[1] = np.clip(change[1], lowest, highest)
    stops, mired, more_duv = (float(v) for v in change)
    return LightShift(stops, mired, more_duv, rendered(change))
