"""The things on the quay as numbers: surfaces of revolution, boxes, limbs, and their parts.

Pure geometry in metres: x to the right, y up, z away from the camera. No light, no pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .spectra import PATCHES

Float64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Part:
    """One part of one object: its surface (a name in ``spectra``) and how it shines.

    ``gloss`` is 0 for matt, 1 for enamel, 2 for metal.
    """

    object: str
    part: str
    surface: str
    gloss: int = 0


LAMPS = {
    "red-lamp": "red enamel",
    "teal-lamp": "teal enamel",
    "cream-lamp": "cream enamel",
    "blue-lamp": "blue enamel",
}
LAMP_PARTS = ("shade", "inside", "rim", "fitting", "bulb", "sticker")


def _parts() -> tuple[Part, ...]:
    scenery = [
        Part("sky", "sky", "zenith"),
        Part("sea", "sea", "sea"),
        Part("quay", "stone", "light stone"),
        Part("wall", "wall", "lime wash"),
        Part("headland", "headland", "headland"),
        Part("cable", "cable", "cable"),
        Part("crate", "plank", "pale plank"),
        Part("bollard", "iron", "cast iron", 1),
        Part("rope", "rope", "rope"),
        Part("jumper", "head", "skin"),
        Part("jumper", "hair", "hair"),
        Part("jumper", "jacket", "jacket"),
        Part("jumper", "trousers", "trousers"),
        Part("jumper", "shoes", "shoes"),
        Part("chart", "frame", "chart frame"),
    ]
    lamps = [
        Part(lamp, part, surface, gloss)
        for lamp, enamel in LAMPS.items()
        for part, surface, gloss in (
            ("shade", enamel, 1),
            ("inside", "white enamel", 1),
            ("rim", "black enamel", 1),
            ("fitting", "brass", 2),
            ("bulb", "white enamel", 1),
            ("sticker", "sticker", 0),
        )
    ]
    chart = [Part("chart", f"patch {i + 1:02d}", name) for i, name in enumerate(PATCHES)]
    return (Part("nothing", "nothing", "black enamel"), *scenery, *lamps, *chart)


PARTS = _parts()
"""Every part of every object; the index is the value in the masks."""

PART_ID = {(p.object, p.part): i for i, p in enumerate(PARTS)}
CHART_FIRST = PART_ID["chart", "patch 01"]


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a thing stands: a rotation (local to world, columns are its axes) and an origin."""

    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn_deg: float = 0.0
    """About the vertical."""
    lean_deg: float = 0.0
    """About its own x axis, before the turn; positive leans the top away from the camera."""
    roll_deg: float = 0.0
    """About its own z axis, first of all."""

    def matrix(self) -> Float64:
        t, p, q = np.radians([self.turn_deg, self.lean_deg, self.roll_deg])
        about_y = np.array([[np.cos(t), 0, np.sin(t)], [0, 1, 0], [-np.sin(t), 0, np.cos(t)]])
        about_x = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
        about_z = np.array([[np.cos(q), -np.sin(q), 0], [np.sin(q), np.cos(q), 0], [0, 0, 1]])
        return np.asarray(about_y @ about_x @ about_z, np.float64)


SEGMENT = ("r0", "y0", "r1", "y1", "nr0", "ny0", "nr1", "ny1", "part")


@dataclass(frozen=True, slots=True)
class Lathe:
    """A surface of revolution about its own y axis: frusta between profile points.

    ``segments`` has shape (n, 9), columns as in ``SEGMENT``: two profile points, the two
    outward normals in the (radius, height) plane, and the part. ``decal`` is a sticker's place:
    azimuth from and to (radians, 0 faces the camera at turn 0), height from and to, part.
    """

    name: str
    segments: Float64
    pose: Pose
    decal: tuple[float, float, float, float, int] = (0.0, 0.0, 0.0, 0.0, 0)
    lit: float = 0.0
    """Intensity of its bulb; 0 is switched off."""
    bulb_m: float = 0.0
    """Height of the bulb's middle, local."""
    twist: float = 0.0
    """Strands of a rope laid around it; 0 is smooth."""

    def bounds(self) -> tuple[float, float, float]:
        """Largest radius, lowest and highest point, local."""
        s = self.segments
        return (
            float(s[:, [0, 2]].max()),
            float(s[:, [1, 3]].min()),
            float(s[:, [1, 3]].max()),
        )


@dataclass(frozen=True, slots=True)
class Box:
    """A box with its origin in the middle of its bottom face, or the chart, which is a thin one."""

    name: str
    half: tuple[float, float, float]
    pose: Pose
    part: int = PART_ID["crate", "plank"]
    planks: int = 4
    """Boards across each face; 0 for the chart."""


@dataclass(frozen=True, slots=True)
class Capsules:
    """Rounded limbs: shape (n, 9): two ends, two radii, part."""

    name: str
    limbs: Float64
    velocity: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Strand:
    """A cable along points (n, 3) with a radius."""

    name: str
    points: Float64
    radius_m: float = 0.0035


@dataclass(frozen=True, slots=True)
class Light:
    """A round area light: where, its radius, and its intensity (illumination = intensity / d²)."""

    origin: tuple[float, float, float]
    radius_m: float
    intensity: float


@dataclass(frozen=True, slots=True)
class Layout:
    """Things set up under one light."""

    name: str
    setup: str
    lathes: tuple[Lathe, ...] = ()
    boxes: tuple[Box, ...] = ()
    strands: tuple[Strand, ...] = ()
    figure: Capsules | None = None
    wall_z: float = 0.0
    """Distance of a wall; 0 for none: open water behind the edge."""
    edge_z: float = 3.0
    """Where the quay ends."""
    floor: str = "stone"
    lights: tuple[Light, ...] = field(default=())


def curve(points: Sequence[tuple[float, float]], steps: int) -> Float64:
    """A smooth line through (radius, height) points: centripetal-like cubic, ``steps`` a span."""
    p = np.array(points, np.float64)
    padded = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    t = np.linspace(0, 1, steps, endpoint=False)[:, None]
    spans = []
    for i in range(len(p) - 1):
        a, b, c, d = padded[i : i + 4]
        spans.append(
            0.5
            * (
                2 * b
                + (c - a) * t
                + (2 * a - 5 * b + 4 * c - d) * t**2
                + (3 * b - a - 3 * c + d) * t**3
            )
        )
    return np.vstack([*spans, p[-1:]])


def turned(line: Float64, part: int, outward: float = 1.0) -> Float64:
    """Segments of a smooth profile. ``outward`` is 1 where the outside lies to the right of the
    line's direction when the radius points right and the height up, -1 where to the left."""
    line = np.maximum(line, [[0.0, -1e9]])
    step = np.diff(line, axis=0)
    keep = np.hypot(step[:, 0], step[:, 1]) > 1e-7
    line = line[np.concatenate([[True], keep])]
    step = np.diff(line, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])[:, None]
    normal = outward * np.stack([step[:, 1], -step[:, 0]], axis=1) / length
    vertex = np.vstack([normal[:1], normal[:-1] + normal[1:], normal[-1:]])
    vertex /= np.hypot(vertex[:, 0], vertex[:, 1])[:, None]
    n = len(step)
    return np.hstack([line[:-1], line[1:], vertex[:-1], vertex[1:], np.full((n, 1), float(part))])


def ring(radius: float, height: float, thickness: float, part: int, steps: int = 10) -> Float64:
    """A torus."""
    angle = np.linspace(0, 2 * np.pi, steps + 1)
    line = np.stack(
        [radius + thickness * np.cos(angle), height + thickness * np.sin(angle)], axis=1
    )
    segments = turned(line, part)
    first = segments[0, 4:6] + segments[-1, 6:8]  # a closed line has no ends
    first /= np.hypot(*first)
    segments[0, 4:6] = first
    segments[-1, 6:8] = first
    return segments


SHADES: dict[str, list[tuple[float, float]]] = {
    # (radius, height) from the rim up to the neck
    "red-lamp": [(0.170, 0.0), (0.163, 0.022), (0.138, 0.058), (0.096, 0.088), (0.058, 0.112),
                 (0.036, 0.146)],
    "teal-lamp": [(0.190, 0.0), (0.150, 0.030), (0.108, 0.060), (0.068, 0.090), (0.034, 0.124)],
    "cream-lamp": [(0.150, 0.0), (0.147, 0.040), (0.134, 0.084), (0.104, 0.122), (0.066, 0.146),
                   (0.036, 0.160)],
    "blue-lamp": [(0.128, 0.0), (0.120, 0.040), (0.100, 0.082), (0.076, 0.118), (0.052, 0.150),
                  (0.034, 0.186)],
}  # fmt: skip


BULB_M, BULB_RADIUS_M = 0.062, 0.030
"""The bulb's middle above the rim, and its radius."""


def _shade(lamp: str, base: float) -> list[Float64]:
    """Shade, inside, rim, fitting and bulb, the rim at height ``base``."""
    part = {name: PART_ID[lamp, name] for name in LAMP_PARTS}
    outline = [(r, y + base) for r, y in SHADES[lamp]]
    outer = curve(outline, 7)
    inner = curve([(max(r - 0.004, 0.004), y - 0.003) for r, y in outline], 4)
    neck_r, neck_y = outline[-1]
    cap = [
        (neck_r, neck_y),
        (neck_r, neck_y + 0.030),
        (neck_r * 0.80, neck_y + 0.048),
        (neck_r * 0.40, neck_y + 0.058),
        (0.0, neck_y + 0.060),
    ]
    bulb_y, bulb_r = base + BULB_M, BULB_RADIUS_M
    angle = np.linspace(-np.pi / 2, np.pi / 2, 11)
    bulb = np.stack([bulb_r * np.cos(angle), bulb_y + bulb_r * np.sin(angle)], axis=1)
    return [
        turned(outer, part["shade"]),
        turned(inner, part["inside"], -1.0),
        ring(outline[0][0] - 0.001, base, 0.0034, part["rim"]),
        turned(curve(cap, 5), part["shade"]),
        ring(neck_r + 0.0005, neck_y + 0.004, 0.0042, part["fitting"]),
        turned(bulb, part["bulb"]),
    ]


def pendant(
    lamp: str, pose: Pose, lit: float = 0.0, decal: tuple[float, float, float, float] | None = None
) -> Lathe:
    """A hanging lamp; its origin is the middle of its rim."""
    pieces = _shade(lamp, 0.0)
    top = SHADES[lamp][-1][1] + 0.060
    pieces.append(
        turned(
            np.array([(0.009, top - 0.006), (0.009, top + 0.022), (0.0, top + 0.026)]),
            PART_ID[lamp, "fitting"],
        )
    )
    return Lathe(lamp, np.vstack(pieces), pose, _sticker(lamp, decal), lit, BULB_M)


def table_lamp(
    lamp: str,
    pose: Pose,
    lit: float = 0.0,
    stem_m: float = 0.25,
    decal: tuple[float, float, float, float] | None = None,
) -> Lathe:
    """A standing lamp; its origin is the middle of its foot."""
    foot = curve([(0.098, 0.0), (0.098, 0.010), (0.090, 0.018), (0.050, 0.026), (0.016, 0.036)], 4)
    shade, fitting = PART_ID[lamp, "shade"], PART_ID[lamp, "fitting"]
    pieces = _shade(lamp, stem_m)
    pieces.append(turned(foot, shade))
    pieces.append(ring(0.0165, 0.038, 0.005, fitting))
    stem = np.array([(0.0085, 0.034), (0.0085, stem_m + 0.035)])
    pieces.append(turned(stem, fitting))
    lifted = None if decal is None else (*decal[:2], decal[2] + stem_m, decal[3] + stem_m)
    return Lathe(lamp, np.vstack(pieces), pose, _sticker(lamp, lifted), lit, stem_m + BULB_M)


def _sticker(
    lamp: str, decal: tuple[float, float, float, float] | None
) -> tuple[float, float, float, float, int]:
    return (0.0, 0.0, 0.0, 0.0, 0) if decal is None else (*decal, PART_ID[lamp, "sticker"])


def bollard(pose: Pose) -> Lathe:
    """A cast mooring bollard, 0.5 m tall."""
    line = curve(
        [(0.20, 0.0), (0.195, 0.03), (0.13, 0.06), (0.115, 0.15), (0.12, 0.30), (0.155, 0.37),
         (0.175, 0.42), (0.150, 0.47), (0.08, 0.495), (0.0, 0.50)], 4,
    )  # fmt: skip
    return Lathe("bollard", turned(line, PART_ID["bollard", "iron"]), pose)


def rope_coil(pose: Pose) -> Lathe:
    """A coil of rope: turns laid on each other."""
    part = PART_ID["rope", "rope"]
    rings = [
        ring(radius, 0.017 + layer * 0.031, 0.017, part, 8)
        for layer, radii in enumerate(((0.13, 0.165, 0.20, 0.235), (0.147, 0.182, 0.217)))
        for radius in radii
    ]
    return Lathe("rope", np.vstack(rings), pose, twist=46.0)
