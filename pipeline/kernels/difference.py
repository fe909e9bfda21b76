"""CIE Lab and the CIEDE2000 colour difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float64 = NDArray[np.float64]


def lab_of(xyz: ArrayLike, white: ArrayLike) -> Float64:
    """CIE 1976 L*a*b*, shape (..., 3), of XYZ relative to a white (XYZ). CIE 15:2018, 8.2.1."""
    t = np.asarray(xyz, np.float64) / np.asarray(white, np.float64)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def xyz_of(lab: ArrayLike, white: ArrayLike) -> Float64:
    """XYZ, shape (..., 3), of CIE 1976 L*a*b* relative to a white (XYZ)."""
    v = np.asarray(lab, np.float64)
    y = (v[..., 0] + 16) / 116
    f = np.stack([y + v[..., 1] / 500, y, y - v[..., 2] / 200], axis=-1)
    t = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    return t * np.asarray(white, np.float64)


@dataclass(frozen=True, slots=True)
class Parts:
    """ΔE00 and what it is made of, each an array of the compared colours' shape without the last.

    ``lightness``, ``chroma`` and ``hue`` are ΔL'/S_L, ΔC'/S_C and ΔH'/S_H of the formula, second
    colour minus first: positive is lighter, more chromatic, turned anticlockwise in the a*b* plane.
    ``rotation`` is the cross term R_T ΔC'ΔH'/(S_C S_H), which makes up for the tilt of the
    tolerance ellipses in the blue; ``total`` squared is the sum of the three squares and it.
    """

    total: Float64
    lightness: Float64
    chroma: Float64
    hue: Float64
    rotation: Float64


def delta_e_2000(first: ArrayLike, second: ArrayLike, *, lightness_weight: bool = True) -> Float64:
    """ΔE00 between L*a*b* colours of shape (..., 3); see ``delta_e_2000_parts``."""
    return delta_e_2000_parts(first, second, lightness_weight=lightness_weight).total


def delta_e_2000_parts(
    first: ArrayLike, second: ArrayLike, *, lightness_weight: bool = True
) -> Parts:
    """ΔE00 between L*a*b* colours of shape (..., 3), with its parts; k_L = k_C = k_H = 1.

    ISO/CIE 11664-6:2014, in the form of Sharma, Wu and Dalal, Color Res. Appl. 30(1) (2005).
    ``lightness_weight=False`` sets S_L = 1, as ISO 19264-1 asks for reproductions (read in a
    secondary source): darks and lights are then forgiven no more than L* 50. NaN and infinity give
    NaN.
    """
    with np.errstate(invalid="ignore", over="ignore"):
        return _parts(
            np.asarray(first, np.float64), np.asarray(second, np.float64), lightness_weight
        )


def _parts(lab1: Float64, lab2: Float64, lightness_weight: bool) -> Parts:
    L1, a1, b1 = lab1[..., 0], lab1[..., 1], lab1[..., 2]
    L2, a2, b2 = lab2[..., 0], lab2[..., 1], lab2[..., 2]
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    G = 0.5 * (1 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    a1, a2 = (1 + G) * a1, (1 + G) * a2
    C1, C2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, a)) % 360 for b, a in ((b1, a1), (b2, a2)))
    grey = C1 * C2 == 0
    dh = h2 - h1
    dh = np.where(dh > 180, dh - 360, np.where(dh < -180, dh + 360, dh))
    dh = np.where(grey, 0, dh)
    dL, dC = L2 - L1, C2 - C1
    dH = 2 * np.sqrt(C1 * C2) * np.sin(np.radians(dh / 2))
    L, C = (L1 + L2) / 2, (C1 + C2) / 2
    hue_sum = h1 + h2
    h = np.where(
        np.abs(h1 - h2) <= 180,
        hue_sum / 2,
        np.where(hue_sum < 360, hue_sum / 2 + 180, hue_sum / 2 - 180),
    )
    h = np.where(grey, hue_sum, h)
    T = (
        1
        - 0.17 * np.cos(np.radians(h - 30))
        + 0.24 * np.cos(np.radians(2 * h))
        + 0.32 * np.cos(np.radians(3 * h + 6))
        - 0.20 * np.cos(np.radians(4 * h - 63))
    )
    SL = 1 + lightness_weight * 0.015 * (L - 50) ** 2 / np.sqrt(20 + (L - 50) ** 2)
    SC, SH = 1 + 0.045 * C, 1 + 0.015 * C * T
    RC = 2 * np.sqrt(C**7 / (C**7 + 25.0**7))
    RT = -np.sin(np.radians(60 * np.exp(-(((h - 275) / 25) ** 2)))) * RC
    lightness, chroma, hue = dL / SL, dC / SC, dH / SH
    rotation = RT * chroma * hue
    # |R_T| < 2, so the sum is never negative but by rounding
    squared = np.maximum(lightness**2 + chroma**2 + hue**2 + rotation, 0)
    return Parts(
        *(np.asarray(v, np.float64) for v in (np.sqrt(squared), lightness, chroma, hue, rotation))
    )
