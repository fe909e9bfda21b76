"""A correction as a file for other programs: Common LUT Format and .cube.

Neither format can hold roots of products, so that a correction above degree 1 becomes a cube of
colours between cube roots, and each file says in a comment how far it is from the exact correction.
Text in, text out; knows no disk.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import table
from pipeline.kernels.correction import WHITE, XYZ_TO_WORKING, Correction, corrected
from pipeline.kernels.difference import delta_e_2000, lab_of

Float64 = NDArray[np.float64]

PEAK = 4.0
"""The brightest that a cube holds: two stops over a perfect diffuser in the chart's light."""
ROOM = 0.15
"""How far a cube's colours are drawn to grey, so that colours beyond the working gamut fit in."""
DARKEST_STOPS = -7.0
"""Down to here, from a perfect diffuser, a cube's error is measured."""


@dataclass(frozen=True, slots=True)
class Cube:
    """A correction as matrix, cube root, cube of colours, cube, matrix.

    ``before`` takes as-shot balanced camera RGB to about the working space, drawn to grey, with
    ``PEAK`` at 1; ``lattice`` (n, n, n, 3), indexed red, green, blue, is close to the identity,
    which keeps its error small; ``after`` goes to the working space. ``error`` is ΔE00 over the
    working gamut: mean, 99 %, largest.
    """

    before: Float64
    lattice: Float64
    after: Float64
    error: tuple[float, float, float]


def clf_text(correction: Correction, size: int = 49) -> str:
    """The correction as a Common LUT Format file (Academy S-2014-006, version 3.0).

    From as-shot balanced linear camera RGB to the linear working space. Degree 1 is a matrix, and
    exact; above it, a cube of ``size`` colours a side, good up to ``PEAK``.
    """
    if correction.degree == 1:
        whole = correction.coefficients * (correction.gains * correction.exposure)
        return _process_list("Exact.", _matrix(whole))
    cube = cube_of(correction, size)
    # blue changes fastest in a CLF array
    values = "\n".join(" ".join(f"{v:.7f}" for v in row) for row in cube.lattice.reshape(-1, 3))
    return _process_list(
        _said(cube),
        _matrix(cube.before),
        _exponent("basicMirrorRev"),
        '<LUT3D inBitDepth="32f" outBitDepth="32f" interpolation="tetrahedral">\n'
        f'<Array dim="{size} {size} {size} 3">\n{values}\n</Array>\n</LUT3D>',
        _exponent("basicMirrorFwd"),
        _matrix(cube.after),
    )


def cube_text(correction: Correction, size: int = 33) -> str:
    """The correction as a .cube file of ``size`` colours a side, red fastest.

    The format has no place for what goes before and after a cube: comments say what that is.
    """
    cube = cube_of(correction, size)
    values = "\n".join(
        " ".join(f"{v:.7f}" for v in row)
        for row in cube.lattice.transpose(2, 1, 0, 3).reshape(-1, 3)
    )

    def rows(matrix: Float64) -> str:
        return "\n".join("#   " + " ".join(f"{v:.9f}" for v in row) for row in matrix)

    return (
        f"# {_said(cube)}\n"
        "# Input: the cube root of this matrix times camera RGB, linear and balanced as shot:\n"
        f"{rows(cube.before)}\n"
        "# Output: raise to the third power, then this matrix gives linear BT.2020, D65:\n"
        f"{rows(cube.after)}\n"
        'TITLE "Chart correction"\n'
        f"LUT_3D_SIZE {size}\n"
        "DOMAIN_MIN 0.0 0.0 0.0\n"
        "DOMAIN_MAX 1.0 1.0 1.0\n"
        f"{values}\n"
    )


def cube_of(correction: Correction, size: int) -> Cube:
    """The cube of a correction, and its error."""
    colours = _colours(correction)
    exact = corrected(colours, correction)
    nearest = np.linalg.lstsq(colours, exact, rcond=None)[0].T
    neutral = correction.neutral / (correction.exposure * correction.gains[1])
    nearest = nearest / (nearest @ neutral)[:, None]  # neutral stays on the cube's diagonal
    room = (1 - ROOM) * np.eye(3) + ROOM / 3
    before = room @ nearest / PEAK
    after = np.asarray(np.linalg.inv(room) * PEAK, np.float64)
    axis = np.linspace(0, 1, size) ** 3
    inputs = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)
    outputs = corrected(inputs @ np.linalg.inv(before).T, correction) @ np.linalg.inv(after).T
    lattice = np.cbrt(outputs)
    planes = np.cbrt(colours @ before.T).astype(np.float32).T.copy()
    padded = np.zeros((size, size, size, 4), np.float32)
    padded[..., :3] = lattice
    table.look_up(*planes, padded)
    through = planes.T.astype(np.float64) ** 3 @ after.T
    distance = delta_e_2000(_lab(through), _lab(exact))
    error = float(distance.mean()), float(np.percentile(distance, 99)), float(distance.max())
    return Cube(before, lattice, after, error)


def _colours(correction: Correction) -> Float64:
    """As-shot balanced camera RGB of colours all over the working gamut, from white down."""
    steps = np.arange(0, 9) / 8
    mix = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    mix = mix[mix.max(axis=1) == 1]  # each chromaticity once
    levels = np.exp2(np.linspace(DARKEST_STOPS, 0, 15))
    working = (mix * levels[:, None, None]).reshape(-1, 3)
    scale = correction.gains * correction.exposure
    # any colours that fill the gamut will do: the correction's slope at grey is near enough
    return np.asarray(working @ np.linalg.inv(_slope_at_grey(correction)).T / scale, np.float64)


def _slope_at_grey(correction: Correction) -> Float64:
    """The Jacobian of a correction, balanced RGB to working, at a neutral."""
    step = 1e-5 * np.eye(3)
    scale = correction.gains * correction.exposure
    up, down = corrected((1 + step) / scale, correction), corrected((1 - step) / scale, correction)
    return np.asarray((up - down).T / 2e-5, np.float64)


def _said(cube: Cube) -> str:
    mean, most, largest = cube.error
    return (
        f"Chart correction, up to {PEAK:g} times a perfect diffuser. Against the exact correction, "
        f"over {-DARKEST_STOPS:g} stops of BT.2020: mean {mean:.2f}, 99 % under {most:.2f}, "
        f"largest {largest:.2f} dE00."
    )


def _lab(working: Float64) -> Float64:
    return lab_of(np.linalg.solve(XYZ_TO_WORKING, working.T).T, WHITE)


def _process_list(remark: str, *nodes: str) -> str:
    body = "\n".join(nodes)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<ProcessList xmlns="urn:AMPAS:CLF:v3.0" compCLFversion="3.0" id="chart-correction" '
        'name="Chart correction">\n'
        f"<Description>{remark}</Description>\n"
        "<InputDescriptor>camera RGB, linear, balanced as shot</InputDescriptor>\n"
        "<OutputDescriptor>linear BT.2020, D65</OutputDescriptor>\n"
        f"{body}\n</ProcessList>\n"
    )


def _matrix(matrix: Float64) -> str:
    rows = "\n".join(" ".join(repr(float(v)) for v in row) for row in matrix)
    return (
        '<Matrix inBitDepth="32f" outBitDepth="32f">\n'
        f'<Array dim="3 3">\n{rows}\n</Array>\n</Matrix>'
    )


def _exponent(style: str) -> str:
    return (
        f'<Exponent inBitDepth="32f" outBitDepth="32f" style="{style}">\n'
        '<ExponentParams exponent="3.0"/>\n</Exponent>'
    )
