"""Whether 24 colours are those of a chart, and read the right way round.

Any linear camera and any smooth light are allowed: what remains of a chart is then 1 to 3 ΔE00,
and of anything else, the chart turned or mirrored included, more than 12.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.kernels.correction import WHITE, shading_shapes
from pipeline.kernels.difference import delta_e_2000, lab_of
from pipeline.kernels.fitting import difference_weights

Float64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

WORST_ERROR = 7.0
"""Largest mean ΔE00, lightness apart, of a chart's patches after the best matrix: sensors whose
layers overlap reach 3, in noise 6; what is no chart stays over 12."""
WORST_SHADING_STOPS = 0.4
"""Largest rms departure of the light from a smooth surface."""
CLEARANCE = 1.8
"""How many times worse the next best reading must be."""


def has_chart_colours(error: float, shading_stops: float) -> bool:
    """Whether a misfit is small enough for a chart's."""
    return error <= WORST_ERROR and shading_stops <= WORST_SHADING_STOPS


def doubt(rgb: ArrayLike, reference: Float64, usable: ArrayLike | None = None) -> str | None:
    """Why readings (24, 3) are not those of a chart whose corners somebody placed; else None.

    ``reference`` (24, 3) is XYZ under D50; ``usable`` (24,) leaves patches out. The answer is a
    clause, such as "the corners are those of the chart turned by half".
    """
    x = np.asarray(rgb, np.float64)
    use = np.ones(24, np.bool_) if usable is None else np.asarray(usable, np.bool_)
    use = use & np.isfinite(x).all(axis=1) & (x.sum(axis=1) > 0)
    if use.sum() < 12:
        return "too few of its patches can be read"
    turns: list[tuple[str | None, slice, slice]] = [
        (None, slice(None), slice(None)),
        (
            "the corners are those of the chart turned by half",
            slice(None, None, -1),
            slice(None, None, -1),
        ),
        ("the chart is mirrored left to right", slice(None), slice(None, None, -1)),
        ("the chart is mirrored top to bottom", slice(None, None, -1), slice(None)),
    ]
    found: list[tuple[float, float, str | None]] = []
    for clause, rows, columns in turns:
        turned = x.reshape(4, 6, 3)[rows, columns].reshape(1, 24, 3)
        mask = use.reshape(4, 6)[rows, columns].reshape(24)
        (error,), (shading,) = misfits(turned, reference, mask)
        found.append((float(np.nan_to_num(error, nan=np.inf)), float(shading), clause))
    own = found[0][0]
    error, shading, clause = min(found, key=lambda entry: entry[0])
    if not has_chart_colours(error, shading):
        return "the patches do not have the chart's colours"
    if clause is None and min(entry[0] for entry in found[1:]) < CLEARANCE * own:
        return "which way round the chart is read cannot be told by its colours"
    return clause


def misfits(
    samples: Float64, reference: Float64, usable: ArrayLike | None = None
) -> tuple[Float64, Float64]:
    """How ill each of several readings (k, 24, 3) fits a chart, whatever camera and shading.

    ``reference`` (24, 3) is XYZ under D50; only ``usable`` (24,) patches count. First the mean
    ΔE00 (k,) without lightness, after the best matrix, each patch scaled to its own luminance;
    then the rms (k,), in stops, by which those scales depart from a smooth surface.
    """
    use = np.ones(24, np.bool_) if usable is None else np.asarray(usable, np.bool_)
    samples, reference = samples[:, use], reference[use]
    samples = samples / np.sqrt((samples**2).mean(axis=1, keepdims=True))
    # where shading is unknown, only directions count: reference × (M sample) = 0
    unit = reference / np.linalg.norm(reference, axis=1, keepdims=True)
    x, y, z = unit.T
    zero = np.zeros_like(x)
    cross = np.array([[zero, -z, y], [z, zero, -x], [-y, x, zero]]).transpose(2, 0, 1)
    lengths = np.linalg.norm(samples, axis=2, keepdims=True)
    directions = samples / lengths
    matrices = _smallest(cross.transpose(0, 2, 1) @ cross, directions, np.sqrt(lengths[..., 0]))
    weights = difference_weights(reference)
    form = weights.transpose(0, 2, 1) @ weights
    scale = np.ones(samples.shape[:2])
    for _ in range(3):
        found = samples @ matrices.transpose(0, 2, 1)
        sign = np.sign(np.median(found[..., 1], axis=1))[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = reference[:, 1] / (found[..., 1] * sign)
        scale = np.where(np.isfinite(scale) & (scale > 0), scale, 1e3)
        matrices = _least(form, samples * scale[..., None], reference)
    found = samples @ matrices.transpose(0, 2, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        final = reference[:, 1] / found[..., 1]
        lab = lab_of(found * final[..., None], WHITE)
        error = delta_e_2000(lab, lab_of(reference, WHITE)[None]).mean(axis=1)
        stops = np.log2(final)
    return error, _roughness(stops, use)


def _smallest(form: Float64, directions: Float64, say: Float64) -> Float64:
    """Matrices M (k, 3, 3) of norm 1 with the least sum of say² (M d)ᵀ F (M d)."""
    count = len(directions)
    outer = np.einsum("kni,knj,kn->knij", directions, directions, say**2)
    system = np.einsum("nab,knij->kaibj", form, outer).reshape(count, 9, 9)
    return np.asarray(np.linalg.eigh(system)[1][:, :, 0].reshape(count, 3, 3), np.float64)


def _least(form: Float64, samples: Float64, reference: Float64) -> Float64:
    """Matrices M (k, 3, 3) with the least sum of (M s - r)ᵀ F (M s - r)."""
    count = len(samples)
    outer = np.einsum("kni,knj->knij", samples, samples)
    system = np.einsum("nab,knij->kaibj", form, outer).reshape(count, 9, 9)
    right = np.einsum("nab,nb,kni->kai", form, reference, samples).reshape(count, 9, 1)
    ridge = 1e-9 * np.trace(system, axis1=1, axis2=2)[:, None, None] * np.eye(9)
    return np.asarray(np.linalg.solve(system + ridge, right).reshape(count, 3, 3), np.float64)


def _roughness(stops: Float64, use: Bools) -> Float64:
    """The rms by which the values (k, n) of the patches used depart from a quadratic."""
    shapes = np.column_stack([np.ones(24), shading_shapes(5)])[use]
    rough = stops - stops @ (shapes @ np.linalg.pinv(shapes)).T
    rms = np.sqrt((rough**2).mean(axis=1))
    return np.where(np.isfinite(rms), rms, np.inf)
