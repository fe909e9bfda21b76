"""RGB spaces: primaries, whites, transfer functions, and the matrices between them.

Everything is derived in float64 from published chromaticities, so that a round trip is exact; the
rounded matrices that some standards print are not used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.adaptation import adaptation_matrix

Float64 = NDArray[np.float64]
XY = tuple[float, float]

D50: XY = (0.3457, 0.3585)
"""CIE 15 chromaticity of D50, as ISO 22028-2 (ROMM RGB) rounds it."""
D65: XY = (0.3127, 0.3290)
"""CIE 15 chromaticity of D65, as ITU-R BT.709 and IEC 61966-2-1 round it."""
PCS_WHITE: Float64 = np.array([0.9642, 1.0, 0.8249])
"""The D50 of the ICC profile connection space, ICC.1:2022, 7.2.16."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """A transfer function: linear light to code values and back, both nominally 0 to 1.

    A power with a linear part: ``code = (1 + a) * linear ** (1 / g) - a`` above ``cut``, and
    ``code = slope * linear`` below. Negative values are mirrored, so that it is odd and monotone.
    """

    gamma: float
    a: float = 0.0
    slope: float = 0.0
    cut: float = 0.0

    def encode(self, linear: ArrayLike) -> Float64:
        """Code values of linear light, float64 of the same shape."""
        x = np.asarray(linear, np.float64)
        magnitude = np.abs(x)
        power = (1 + self.a) * np.power(magnitude, 1 / self.gamma) - self.a
        return np.copysign(np.where(magnitude < self.cut, self.slope * magnitude, power), x)

    def decode(self, code: ArrayLike) -> Float64:
        """Linear light of code values, float64 of the same shape."""
        x = np.asarray(code, np.float64)
        magnitude = np.abs(x)
        power = np.power(np.maximum(magnitude + self.a, 0) / (1 + self.a), self.gamma)
        if self.slope:
            power = np.where(magnitude < self.slope * self.cut, magnitude / self.slope, power)
        return np.copysign(power, x)


@dataclass(frozen=True, slots=True)
class RGBSpace:
    """An additive RGB space: chromaticities (xy) of its primaries and white, and its transfer."""

    name: str
    title: str
    red: XY
    green: XY
    blue: XY
    white: XY
    transfer: Transfer


SRGB_TRANSFER = Transfer(gamma=2.4, a=0.055, slope=12.92, cut=0.0031308)
"""IEC 61966-2-1:1999."""

SPACES: dict[str, RGBSpace] = {
    space.name: space
    for space in (
        # IEC 61966-2-1:1999
        RGBSpace("srgb", "sRGB", (0.64, 0.33), (0.30, 0.60), (0.15, 0.06), D65, SRGB_TRANSFER),
        # SMPTE EG 432-1 primaries with D65 and the sRGB transfer function
        RGBSpace(
            "display-p3",
            "Display P3",
            (0.680, 0.320),
            (0.265, 0.690),
            (0.150, 0.060),
            D65,
            SRGB_TRANSFER,
        ),
        # the 1998 colour image encoding, version 2005-05: gamma 2 + 51/256
        RGBSpace(
            "adobe-rgb",
            "Adobe RGB (1998)",
            (0.64, 0.33),
            (0.21, 0.71),
            (0.15, 0.06),
            D65,
            Transfer(gamma=2 + 51 / 256),
        ),
        # ISO 22028-2:2013
        RGBSpace(
            "romm-rgb",
            "ROMM RGB",
            (0.7347, 0.2653),
            (0.1596, 0.8404),
            (0.0366, 0.0001),
            D50,
            Transfer(gamma=1.8, slope=16.0, cut=16.0 ** (1.8 / (1 - 1.8))),
        ),
        # ITU-R BT.2020 primaries, linear: the working space
        RGBSpace(
            "working",
            "Linear BT.2020",
            (0.708, 0.292),
            (0.170, 0.797),
            (0.131, 0.046),
            D65,
            Transfer(gamma=1.0),
        ),
    )
}


def xy_to_xyz(xy: XY) -> Float64:
    """XYZ with Y = 1 of a chromaticity."""
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def xyz_to_xy(xyz: ArrayLike) -> XY:
    """The chromaticity of an XYZ of shape (3,); the white point of the sum 0 is not defined."""
    v = np.asarray(xyz, np.float64)
    return float(v[0] / v.sum()), float(v[1] / v.sum())


def rgb_to_xyz_matrix(space: RGBSpace) -> Float64:
    """The 3 × 3 matrix from linear RGB to XYZ relative to the space's own white (SMPTE RP 177)."""
    primaries = np.stack([xy_to_xyz(p) for p in (space.red, space.green, space.blue)], axis=1)
    scale = np.linalg.solve(primaries, xy_to_xyz(space.white))
    return np.asarray(primaries * scale, np.float64)


def between_matrix(source: str, target: str) -> Float64:
    """The 3 × 3 matrix between two spaces' linear RGB, with Bradford adaptation of their whites."""
    a, b = SPACES[source], SPACES[target]
    adapted = adaptation_matrix(xy_to_xyz(a.white), xy_to_xyz(b.white)) @ rgb_to_xyz_matrix(a)
    return np.asarray(np.linalg.solve(rgb_to_xyz_matrix(b), adapted), np.float64)


def luminance_weights(space: str) -> Float64:
    """The luminance of each linear primary: the Y row of the space's matrix."""
    return np.asarray(rgb_to_xyz_matrix(SPACES[space])[1], np.float64)


def working_to_pcs_matrix() -> Float64:
    """The 3 × 3 matrix from working RGB to XYZ as shares of the connection space's D50 white."""
    adapted = adaptation_matrix(xy_to_xyz(D65), PCS_WHITE) @ rgb_to_xyz_matrix(SPACES["working"])
    return np.asarray(adapted / PCS_WHITE[:, None], np.float64)
