"""The figure that jumps with a lamp in its hand: where its limbs are at each release of the burst.

A mannequin of rounded limbs, moved by a parabola and a few angles. Pure geometry in metres.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .shapes import PART_ID, Capsules, Lathe, Pose, pendant

Float64 = NDArray[np.float64]
Limb = tuple[Float64, Float64, float, float, str]
"""Two ends, two radii, part."""

BURST = 12
RATE_HZ = 10.0

TAKE_OFF_S = 0.25
TAKE_OFF_SPEED = 3.05
GRAVITY = 9.81
FLIGHT_S = 2 * TAKE_OFF_SPEED / GRAVITY
FORWARD_SPEED = 0.62
"""Metres a second."""
DISTANCE_M = 3.3


def _at(x: float, y: float, z: float) -> Float64:
    return np.array([x, y, z], np.float64)


def _unit(vector: Float64) -> Float64:
    return np.asarray(vector / np.linalg.norm(vector))


@dataclass(frozen=True, slots=True)
class Stance:
    """A moment of the jump. ``air`` is 0 on the ground, 1 at the top; ``crouch`` 1 deep in the
    knees; ``rise`` metres a second upwards; ``swing`` the angle of the arm with the lamp."""

    pelvis: Float64
    neck: Float64
    lift: float
    rise: float
    air: float
    crouch: float
    swing: float


def stance(time: float) -> Stance:
    """How the figure stands or flies, seconds after the first release."""
    t = time - TAKE_OFF_S
    flying = 0 <= t <= FLIGHT_S
    lift = TAKE_OFF_SPEED * t - GRAVITY * t * t / 2 if flying else 0.0
    rise = TAKE_OFF_SPEED - GRAVITY * t if flying else 0.0
    gathering = 1 - abs(time - 0.12) / 0.13
    landing = 1 - abs(t - FLIGHT_S - 0.10) / 0.12
    crouch = max(gathering, landing, 0.0)
    pelvis = _at(-0.35 + FORWARD_SPEED * time, 0.86 - 0.24 * crouch + lift, DISTANCE_M)
    lean = 0.10 + 0.16 * crouch
    return Stance(
        pelvis=pelvis,
        neck=pelvis + _at(0.52 * np.sin(lean), 0.53 * np.cos(lean), 0),
        lift=lift,
        rise=rise,
        air=float(np.sin(np.pi * t / FLIGHT_S)) if flying else 0.0,
        crouch=crouch,
        swing=float(np.radians(-58 + 150 * np.clip((time - 0.05) / 0.75, 0, 1))),
    )


def _trunk(s: Stance) -> Iterator[Limb]:
    head = s.neck + _at(0.045, 0.165, -0.01)
    yield head - _at(0, 0.03, 0), head + _at(0.005, 0.055, 0), 0.088, 0.096, "head"
    yield head + _at(-0.022, 0.075, 0.025), head + _at(-0.012, 0.06, 0), 0.098, 0.100, "hair"
    yield s.neck, s.neck + _at(0.02, 0.08, 0), 0.052, 0.050, "head"
    yield s.pelvis + _at(0, 0.10, 0), s.neck + _at(0, -0.13, 0), 0.135, 0.155, "jacket"
    yield s.neck + _at(0, -0.10, -0.14), s.neck + _at(0, -0.10, 0.14), 0.095, 0.095, "jacket"
    yield s.pelvis + _at(0, 0, -0.05), s.pelvis + _at(0, 0, 0.05), 0.135, 0.135, "trousers"


def _leg(s: Stance, side: float) -> Iterator[Limb]:
    """The nearer leg (side -1) comes up in the air, the other one trails."""
    near = side < 0
    joint = s.pelvis + _at(0, -0.03, 0.085 * side)
    stride = -side * 7.2 * (1 - s.air)
    thigh = np.radians(stride + s.air * (62 if near else -34) + 52 * s.crouch)
    shin = thigh - np.radians(8 + s.air * (78 if near else 62) + 96 * s.crouch)
    knee = joint + 0.43 * _at(np.sin(thigh), -np.cos(thigh), 0.05 * side)
    ankle = knee + 0.42 * _at(np.sin(shin), -np.cos(shin), 0)
    if s.lift <= 0:
        ankle[1] = max(ankle[1], 0.08)
    toe = np.radians(-8 - 34 * s.air)
    heel = ankle + _at(-0.03, -0.045, 0)
    tip = ankle + _at(0.16 * np.cos(toe), -0.055 + 0.16 * np.sin(toe), 0)
    yield joint, knee, 0.092, 0.066, "trousers"
    yield knee, ankle, 0.066, 0.046, "trousers"
    yield heel, tip, 0.046, 0.036, "shoes"


def _arm(s: Stance, side: float) -> tuple[list[Limb], Float64]:
    """An arm, and where its hand closes; the nearer one (side -1) swings the lamp."""
    angle = s.swing if side < 0 else np.radians(-30 - 62 * s.air)
    fore = angle + np.radians(24)
    shoulder = s.neck + _at(0, -0.09, 0.20 * side)
    elbow = shoulder + 0.29 * _unit(_at(np.sin(angle), -np.cos(angle), 0.34 * side))
    along = _unit(_at(np.sin(fore), -np.cos(fore), 0.05 * side))
    wrist = elbow + 0.25 * along
    limbs: list[Limb] = [
        (shoulder, elbow, 0.062, 0.050, "jacket"),
        (elbow, wrist, 0.050, 0.038, "jacket"),
        (wrist, wrist + 0.09 * along, 0.037, 0.030, "head"),
    ]
    return limbs, wrist + 0.10 * along


def jumper(k: int) -> tuple[Capsules, Lathe]:
    """The figure at release ``k`` of the burst, and the lamp that swings from its hand."""
    s = stance(k / RATE_HZ)
    near_arm, hand = _arm(s, -1.0)
    far_arm, _ = _arm(s, 1.0)
    limbs = [*_trunk(s), *_leg(s, -1.0), *_leg(s, 1.0), *near_arm, *far_arm]
    rows = [[*a, *b, ra, rb, PART_ID["jumper", part]] for a, b, ra, rb, part in limbs]
    figure = Capsules("jumper", np.array(rows), (FORWARD_SPEED, s.rise, 0.0))
    # the lamp hangs by its fitting and lags behind the arm
    lamp = pendant("red-lamp", Pose(roll_deg=float(np.degrees(s.swing)) * 0.75))
    top = lamp.pose.matrix() @ [0, lamp.bounds()[2] + 0.02, 0]
    x, y, z = hand - top
    return figure, replace(lamp, pose=replace(lamp.pose, origin=(x, y, z)))
