"""What a space can hold: colours of the profile connection space in a space's own RGB.

Colours are CIE 1976 L*a*b* under D50, relative to the connection space's white, as targets are
given and as files are read back. Plain float64 for few colours; pixels are encoded elsewhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.adaptation import adaptation_matrix
from pipeline.kernels.difference import delta_e_2000, lab_of, xyz_of
from pipeline.kernels.oklab import oklab_of, working_of
from pipeline.kernels.spaces import (
    PCS_WHITE,
    SPACES,
    Float64,
    between_matrix,
    rgb_to_xyz_matrix,
    xy_to_xyz,
)

WHITE: Float64 = np.round(PCS_WHITE * 65536) / 65536
"""The white of the connection space as profiles hold it, in steps of 1/65536 (ICC.1:2022, 4.6)."""

TOLERANCE = 1e-4
"""How far beyond 0 to 1 a linear value still counts as inside: a third of an 8-bit code at black,
where the codes of sRGB are closest, so that no code of a file lies outside its own space."""

BISECTIONS = 40


def linear_of_lab(lab: ArrayLike, space: str) -> Float64:
    """Linear RGB of a space, shape (..., 3), unclipped; linear Bradford from D50 to its white."""
    return linear_of_xyz(xyz_of(lab, WHITE), space)


def linear_of_xyz(xyz: ArrayLike, space: str) -> Float64:
    """The same of XYZ in the connection space, Y of white being 1."""
    matrix = np.linalg.solve(
        rgb_to_xyz_matrix(SPACES[space]), adaptation_matrix(WHITE, xy_to_xyz(SPACES[space].white))
    )
    return np.asarray(np.asarray(xyz, np.float64) @ matrix.T, np.float64)


def lab_of_linear(linear: ArrayLike, space: str) -> Float64:
    """L*a*b* under D50, shape (..., 3), of linear RGB of a space."""
    matrix = adaptation_matrix(xy_to_xyz(SPACES[space].white), WHITE) @ rgb_to_xyz_matrix(
        SPACES[space]
    )
    return lab_of(np.asarray(linear, np.float64) @ matrix.T, WHITE)


def in_gamut(lab: ArrayLike, space: str) -> NDArray[np.bool_]:
    """Whether a space can hold colours of shape (..., 3), within ``TOLERANCE``; NaN never is."""
    linear = linear_of_lab(lab, space)
    return np.asarray(((linear >= -TOLERANCE) & (linear <= 1 + TOLERANCE)).all(axis=-1))


def gamut_de00(lab: ArrayLike, space: str) -> Float64:
    """ΔE00, shape (...), that bringing colours into a space by chroma alone costs; 0 inside it.

    They lose chroma at constant OKLCh hue and lightness until they fit, as files are encoded. Some
    other colour of the space may lie nearer. What is lighter than white becomes white. NaN gives
    NaN.
    """
    target = np.atleast_2d(np.asarray(lab, np.float64))
    start = oklab_of(linear_of_lab(target, "working"))
    to_space = between_matrix("working", space).T
    kept, step = np.zeros(start.shape[:-1]), 0.5
    for _ in range(BISECTIONS):
        more = kept + step
        linear = working_of(_paler(start, more)) @ to_space
        fits = ((linear >= -TOLERANCE) & (linear <= 1 + TOLERANCE)).all(axis=-1)
        kept, step = np.where(fits, more, kept), step / 2
    linear = np.clip(working_of(_paler(start, kept)) @ to_space, 0, 1)
    cost = delta_e_2000(target, lab_of_linear(linear, space))
    cost = np.where(in_gamut(target, space), 0.0, cost)
    return np.asarray(cost.reshape(np.shape(lab)[:-1]), np.float64)


def _paler(oklab: Float64, kept: Float64) -> Float64:
    return np.concatenate([oklab[..., :1], kept[..., None] * oklab[..., 1:]], axis=-1)


def srgb_codes(xyz: ArrayLike) -> NDArray[np.uint8]:
    """8-bit sRGB codes of XYZ in the connection space, clipped: for the eye, not to measure."""
    linear = np.nan_to_num(linear_of_xyz(xyz, "srgb"))
    encoded = SPACES["srgb"].transfer.encode(np.clip(linear, 0, 1))
    return np.round(encoded * 255).astype(np.uint8)
