"""What was photographed: the arrangements on the quay, and the exposures with their cameras.

A story in numbers: metres, degrees, seconds. No pixels and no spectra.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .jumper import BURST, RATE_HZ, jumper
from .shapes import (
    BULB_RADIUS_M,
    PART_ID,
    Box,
    Lathe,
    Layout,
    Light,
    Pose,
    Strand,
    bollard,
    pendant,
    rope_coil,
    table_lamp,
)

Point = tuple[float, float, float]
Float64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shot:
    """One exposure. ``role`` says what it is for; ``stops`` is its error of exposure."""

    frame: str
    layout: str
    role: str
    eye: Point
    target: Point
    focal_mm: float
    focus: Point
    f_number: float
    orientation: int
    time: datetime
    exposure_s: Fraction
    iso: int
    stops: float = 0.0
    burst: int = -1
    """Place in the burst, from 0; -1 outside."""
    focus_error_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Mood:
    """How a setup is lit: main light (from where, how broad, how strong), and all around.

    ``sky`` is the radiance overhead and at the horizon that lights things; ``sky_gain`` how
    bright the sky itself is in the picture and in reflections.
    """

    key: Point
    key_radius_m: float
    key_strength: float
    key_radiance: float
    square: bool
    sky: tuple[float, float]
    floor: float
    sky_gain: float
    clouds: float
    exposure: float
    """Share of the sensor's range that a perfect diffuser at nominal illumination fills."""


MOODS = {
    "daylight": Mood(
        (-4.2, 3.9, -1.6), 0.80, 0.84, 8.0, False, (0.24, 0.40), 0.13, 1.25, 0.9, 0.57
    ),
    "dusk": Mood((-1.5, 1.75, -0.55), 0.24, 0.62, 14.0, True, (0.05, 0.09), 0.06, 0.13, 0.5, 0.82),
    "mixed": Mood((1.7, 2.1, -1.1), 0.34, 0.74, 12.0, True, (0.18, 0.30), 0.12, 0.60, 0.6, 0.66),
}

CHART_HALF = (0.1449, 0.0999, 0.004)


def _distance(a: Point, b: Point) -> float:
    return float(np.linalg.norm(np.subtract(a, b)))


def _key(setup: str, subject: Point) -> Light:
    """The main light, scaled so that its strength is reached at the subject."""
    mood = MOODS[setup]
    distance = _distance(mood.key, subject)
    return Light(mood.key, mood.key_radius_m, mood.key_strength * distance**2)


def _bulb(lathe: Lathe) -> Light:
    x, y, z = lathe.pose.matrix() @ [0, lathe.bulb_m, 0] + np.array(lathe.pose.origin)
    return Light((x, y, z), BULB_RADIUS_M, lathe.lit)


SUBJECT: Point = (0.0, 0.25, 1.2)


def chart_box(x: float, y: float, z: float, turn: float, lean: float = 14.0) -> Box:
    """The chart, leaning back against something."""
    pose = Pose((x, y, z), turn, lean)
    return Box("chart", CHART_HALF, pose, PART_ID["chart", "frame"], planks=0)


def crate(x: float, z: float, half: Point = (0.26, 0.16, 0.20), turn: float = 0.0) -> Box:
    return Box("crate", half, Pose((x, 0.0, z), turn), planks=3)


def bench(z: float, x: float = 0.0, half_x: float = 0.95) -> Box:
    """A low plank bench, 24 cm high."""
    return Box("bench", (half_x, 0.12, 0.19), Pose((x, 0.0, z)), planks=2)


def hanging(
    lamp: str,
    x: float,
    y: float,
    z: float,
    lit: float = 0.0,
    decal: tuple[float, float, float, float] | None = None,
) -> tuple[Lathe, Strand]:
    """A pendant and the cable it hangs on."""
    lathe = pendant(lamp, Pose((x, y, z)), lit, decal)
    top = lathe.bounds()[2] + y
    return lathe, Strand("cable", np.array([(x, top - 0.004, z), (x, top + 2.2, z)]), 0.0032)


def sagging(start: Point, end: Point, sag: float) -> Strand:
    """A cable that hangs between two points."""
    t = np.linspace(0, 1, 49)[:, None]
    line = np.array(start) * (1 - t) + np.array(end) * t
    line[:, 1] -= 4 * sag * (t * (1 - t))[:, 0]
    return Strand("cable", line, 0.0042)


STICKER = (-0.50, -0.16, 0.052, 0.088)
"""Where the sticker is on a shade: azimuth from, to (radians), height from, to."""


def layouts() -> dict[str, Layout]:
    """Every arrangement, by name."""
    made: list[Layout] = []

    def add(name: str, setup: str, lathes: Sequence[Lathe], boxes: Sequence[Box] = (),
            strands: Sequence[Strand] = (), **more: Any) -> None:  # fmt: skip
        lights = [_key(setup, SUBJECT), *(_bulb(lathe) for lathe in lathes if lathe.lit > 0)]
        made.append(
            Layout(name, setup, tuple(lathes), tuple(boxes), tuple(strands), lights=tuple(lights),
                   **more)
        )  # fmt: skip

    def row(y: float, z: float, lit: float = 0.0, gap: float = 0.46) -> list[Lathe]:
        names = ("teal-lamp", "red-lamp", "cream-lamp", "blue-lamp")
        return [
            table_lamp(n, Pose(((i - 1.5) * gap, y, z + 0.02 * (i % 2))), lit)
            for i, n in enumerate(names)
        ]

    for setup, wall in (("daylight", 0.0), ("dusk", 0.0), ("mixed", 2.5)):
        glow = 0.034 if setup == "dusk" else 0.0
        add(
            f"{setup} chart", setup,
            [table_lamp("red-lamp", Pose((0.34, 0.0, 1.28)), 0.0),
             table_lamp("teal-lamp", Pose((-0.40, 0.0, 1.42)), 0.0)],
            [crate(-0.02, 1.55, (0.24, 0.15, 0.16)), chart_box(-0.02, 0.0, 1.30, 4.0)],
            wall_z=wall, edge_z=3.6,
        )  # fmt: skip
        add(
            f"{setup} row", setup, row(0.24, 1.45, glow), [bench(1.45, half_x=1.05)],
            wall_z=wall, edge_z=3.2,
        )  # fmt: skip
        add(
            f"{setup} hero", setup,
            [table_lamp("red-lamp", Pose((0.0, 0.32, 1.30)), glow),
             bollard(Pose((-0.92, 0.0, 2.25))), rope_coil(Pose((0.62, 0.0, 1.72)))],
            [crate(0.0, 1.30, turn=-14.0)],
            [sagging((-1.9, 1.08, 2.4), (2.2, 0.92, 2.1), 0.20)],
            wall_z=wall, edge_z=3.4,
        )  # fmt: skip
    add(
        "daylight teal", "daylight",
        [table_lamp("teal-lamp", Pose((0.0, 0.0, 1.25))), rope_coil(Pose((-0.44, 0.0, 1.62))),
         bollard(Pose((0.85, 0.0, 2.4)))],
        edge_z=3.0,
    )  # fmt: skip
    add(
        "daylight cream", "daylight",
        [table_lamp("cream-lamp", Pose((0.0, 0.24, 1.25))), bollard(Pose((0.75, 0.0, 2.3)))],
        [bench(1.27, 0.12, 0.62)], edge_z=3.1,
    )  # fmt: skip
    add(
        "daylight blue", "daylight",
        [table_lamp("blue-lamp", Pose((0.0, 0.32, 1.25)), decal=STICKER),
         rope_coil(Pose((-0.5, 0.0, 1.5)))],
        [crate(0.02, 1.27, turn=11.0)], edge_z=3.0,
    )  # fmt: skip
    add(
        "daylight group", "daylight",
        [table_lamp("red-lamp", Pose((-0.30, 0.0, 1.05))),
         table_lamp("cream-lamp", Pose((0.02, 0.0, 1.55))),
         table_lamp("blue-lamp", Pose((0.42, 0.0, 2.05))),
         table_lamp("teal-lamp", Pose((-0.62, 0.0, 2.35))),
         bollard(Pose((1.25, 0.0, 2.75)))],
        edge_z=3.6,
    )  # fmt: skip
    for setup, glow in (("daylight", 0.0), ("dusk", 0.032)):
        trio = [
            hanging("cream-lamp", -0.46, 0.78, 1.42, glow),
            hanging("red-lamp", 0.0, 0.62, 1.30, glow),
            hanging("blue-lamp", 0.44, 0.84, 1.50, glow, decal=STICKER),
        ]
        add(
            f"{setup} hanging", setup, [lamp for lamp, _ in trio],
            [bench(1.9, 0.1, 0.8)] if setup == "dusk" else [],
            [*(line for _, line in trio), sagging((-2.6, 1.25, 2.5), (2.4, 1.05, 2.3), 0.30)],
            edge_z=3.2,
        )  # fmt: skip
    add(
        "dusk pair", "dusk",
        [table_lamp("cream-lamp", Pose((-0.22, 0.24, 1.30)), 0.032),
         table_lamp("teal-lamp", Pose((0.30, 0.24, 1.36)), 0.032)],
        [bench(1.33, 0.05, 0.75)], edge_z=3.2,
    )  # fmt: skip
    add(
        "mixed pair", "mixed",
        [table_lamp("teal-lamp", Pose((-0.26, 0.24, 1.30))),
         table_lamp("cream-lamp", Pose((0.26, 0.24, 1.34)))],
        [bench(1.33, 0.0, 0.8)], wall_z=2.2,
    )  # fmt: skip
    add(
        "mixed blue", "mixed",
        [table_lamp("blue-lamp", Pose((0.02, 0.32, 1.25)), decal=STICKER),
         rope_coil(Pose((0.52, 0.0, 1.45)))],
        [crate(0.0, 1.27, turn=9.0)],
        [sagging((-1.7, 1.05, 2.0), (1.9, 1.20, 1.9), 0.28)], wall_z=2.15,
    )  # fmt: skip
    add(
        "mixed all", "mixed",
        [table_lamp("red-lamp", Pose((-0.52, 0.32, 1.62))),
         table_lamp("teal-lamp", Pose((-0.14, 0.0, 1.30))),
         table_lamp("cream-lamp", Pose((0.36, 0.24, 1.66))),
         table_lamp("blue-lamp", Pose((0.62, 0.0, 1.26))),
         rope_coil(Pose((-0.80, 0.0, 1.30)))],
        [crate(-0.52, 1.64, turn=6.0), bench(1.66, 0.55, 0.48)], wall_z=2.5,
    )  # fmt: skip
    for k in range(BURST):
        figure, lamp = jumper(k)
        add(
            f"daylight jump {k}", "daylight", [lamp, bollard(Pose((-1.7, 0.0, 4.7)))],
            edge_z=5.6, figure=figure,
        )  # fmt: skip
    return {layout.name: layout for layout in made}


def shots() -> list[Shot]:
    """The card, in the order it was shot."""
    zone = timezone(timedelta(0))
    made: list[Shot] = []
    clock = datetime(2024, 10, 3, 9, 12, 8, 0, tzinfo=zone)
    settings = {
        "daylight": (Fraction(1, 320), 100),
        "dusk": (Fraction(1, 60), 400),
        "mixed": (Fraction(1, 125), 200),
    }

    def take(layout: str, role: str, eye: Point, target: Point, focal: float, f_number: float,
             focus: Point | None = None, orientation: int = 1, wait_s: float = 47.3,
             stops: float = 0.0, burst: int = -1, focus_error_m: float = 0.0) -> None:  # fmt: skip
        nonlocal clock
        clock = clock + timedelta(seconds=wait_s)
        exposure, iso = settings[layout.partition(" ")[0]]
        if burst >= 0:
            exposure, iso = Fraction(1, 400), 200
        if stops:
            exposure = exposure / Fraction(2) ** round(-stops)
        made.append(
            Shot(f"QL{len(made) + 1:04d}", layout, role, eye, target, focal, focus or target,
                 f_number, orientation, clock, exposure, iso, stops, burst, focus_error_m)
        )  # fmt: skip

    red: Point = (0.0, 0.64, 1.14)
    take("daylight chart", "chart", (0.0, 0.46, -0.15), (0.0, 0.17, 1.3), 50, 8.0, (0.0, 0.1, 1.3))
    take("daylight row", "row", (0.05, 0.72, -0.85), (0.0, 0.40, 1.45), 40, 5.6, (0, 0.4, 1.32))
    take("daylight row", "row", (-0.62, 0.66, 0.05), (-0.12, 0.43, 1.45), 50, 3.5,
         (-0.23, 0.52, 1.33))  # fmt: skip
    take("daylight hero", "hero", (0.10, 0.86, -0.60), (0.0, 0.50, 1.3), 60, 4.0, red)
    take("daylight hero", "hero", (-0.12, 0.80, -0.75), (0.0, 0.49, 1.3), 60, 4.0, red, 6)
    take("daylight hero", "close", (0.30, 0.82, 0.35), (0.0, 0.64, 1.28), 75, 5.6, red)
    take("daylight teal", "hero", (0.12, 0.62, -0.55), (0.0, 0.22, 1.3), 60, 3.5, (0, 0.32, 1.12))
    take("daylight hero", "under", (0.10, 0.86, -0.60), (0.02, 0.50, 1.3), 60, 4.0, red, stops=-2)
    take("daylight cream", "hero", (-0.20, 0.74, -0.62), (0.02, 0.41, 1.25), 60, 4.0,
         (0, 0.56, 1.12), 8)  # fmt: skip
    take("daylight blue", "hero", (0.10, 0.80, -0.55), (0.0, 0.50, 1.27), 60, 4.0, (0, 0.66, 1.15))
    take("daylight blue", "close", (-0.32, 0.78, 0.10), (0.0, 0.62, 1.25), 70, 5.6,
         (-0.03, 0.66, 1.15), 6)  # fmt: skip
    take("daylight group", "group", (0.10, 0.55, -0.55), (0.02, 0.22, 1.6), 45, 2.8,
         (-0.3, 0.3, 0.94))  # fmt: skip
    take("daylight group", "group", (0.10, 0.55, -0.55), (0.02, 0.22, 1.6), 45, 2.8,
         (0.02, 0.3, 1.44), wait_s=6.2)  # fmt: skip
    errors = (-1.7, -1.2, -0.8, -0.4, -0.25, 0.3, 0.0, -0.5, 1.0, 1.6, 2.6, -1.5)
    for k in range(BURST):
        take(f"daylight jump {k}", "jump", (0.05, 1.05, -1.35), (0.02, 1.02, 3.3), 42, 2.8,
             (0.0, 1.0, 3.22), wait_s=1 / RATE_HZ if k else 312.4, burst=k,
             focus_error_m=errors[k])  # fmt: skip
    take("daylight hanging", "hanging", (0.10, 0.46, -0.80), (-0.01, 0.78, 1.4), 45, 5.6,
         (0, 0.72, 1.18), wait_s=204.0)  # fmt: skip
    clock = datetime(2024, 10, 3, 18, 38, 40, 0, tzinfo=zone)
    take("dusk chart", "chart", (0.0, 0.46, -0.15), (0.0, 0.17, 1.3), 50, 8.0, (0.0, 0.1, 1.3))
    take("dusk row", "row", (0.0, 0.52, -0.85), (0.0, 0.44, 1.45), 40, 4.0, (0, 0.4, 1.32))
    take("dusk hanging", "hanging", (0.0, 0.50, -0.70), (0.0, 0.72, 1.35), 60, 2.8,
         (0, 0.72, 1.17), 8)  # fmt: skip
    take("dusk pair", "pair", (0.10, 0.40, -0.50), (0.03, 0.44, 1.33), 55, 2.8,
         (-0.2, 0.56, 1.18))  # fmt: skip
    take("dusk hero", "close", (0.24, 0.72, 0.30), (0.0, 0.60, 1.3), 70, 4.0, red)
    take("dusk hero", "hero", (-0.05, 0.80, -0.70), (0.0, 0.50, 1.3), 55, 2.8, red)
    take("dusk hanging", "hanging", (-0.32, 0.56, -0.35), (0.12, 0.84, 1.4), 50, 2.8,
         (0.0, 0.74, 1.17), 6)  # fmt: skip
    clock = datetime(2024, 10, 3, 20, 5, 12, 0, tzinfo=zone)
    take("mixed chart", "chart", (0.0, 0.46, -0.15), (0.0, 0.17, 1.3), 50, 8.0, (0.0, 0.1, 1.3))
    take("mixed row", "row", (0.0, 0.68, -0.80), (0.0, 0.42, 1.45), 40, 5.6, (0, 0.4, 1.32))
    take("mixed hero", "close", (-0.28, 0.80, 0.25), (0.0, 0.64, 1.28), 70, 5.6, red)
    take("mixed pair", "pair", (0.0, 0.64, -0.50), (0.0, 0.42, 1.33), 55, 4.0, (-0.2, 0.5, 1.15))
    take("mixed hero", "hero", (0.10, 0.80, -0.80), (0.0, 0.49, 1.3), 60, 4.0, red, 6)
    take("mixed blue", "hero", (0.08, 0.80, -0.50), (0.0, 0.52, 1.27), 55, 4.0, (0, 0.66, 1.15))
    take("mixed all", "group", (0.04, 0.72, -0.95), (0.02, 0.36, 1.5), 42, 5.6, (0, 0.4, 1.4))
    return made
