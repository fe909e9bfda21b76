"""Measured colours against their targets: differences, and the figures that guidelines ask for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from pipeline.kernels.difference import delta_e_2000, delta_e_2000_parts
from pipeline.kernels.gamut import gamut_de00, in_gamut
from pipeline.kernels.grades import GUIDELINES, Figure, Grade, Guideline, grade
from pipeline.kernels.spaces import SPACES
from pipeline.proof.records import ChartResult, Difference, Grey, Lab, Target

RAMP = slice(18, 24)
"""The neutral patches of a 24-patch chart: its last row."""


def differences(
    targets: Sequence[Target], labs: ArrayLike, space: str | None = None
) -> tuple[Difference, ...]:
    """Each measured L*a*b* of (n, 3) against its target, and against what ``space`` can hold.

    Of a space that is none of ours it is not known; targets then count as inside.
    """
    if not targets:
        return ()
    wanted = np.array([target.lab for target in targets], np.float64)
    found = np.asarray(labs, np.float64).reshape(wanted.shape)
    parts = delta_e_2000_parts(wanted, found)
    flat = delta_e_2000(wanted, found, lightness_weight=False)
    if space is None or space not in SPACES:
        inside, least = np.ones(len(targets), bool), np.zeros(len(targets))
    else:
        inside, least = in_gamut(wanted, space), gamut_de00(wanted, space)
    return tuple(
        Difference(
            name=target.name,
            lab=lab_tuple(found[i]),
            target=target.lab,
            de00=float(parts.total[i]),
            de00_flat=float(flat[i]),
            lightness=float(parts.lightness[i]),
            chroma=float(parts.chroma[i]),
            hue=float(parts.hue[i]),
            in_gamut=bool(inside[i]),
            gamut_de00=float(least[i]),
        )
        for i, target in enumerate(targets)
    )


def chart_result(
    targets: Sequence[Target], labs: ArrayLike, space: str | None = None
) -> ChartResult:
    """All of a chart's patches judged; the last six of its 24 are the neutral ramp.

    The 90th percentile is linear between ranks. Tone and white balance are the worst grey's: a mean
    would let one good grey hide another. Raises ``ValueError`` for another number of patches.
    """
    if len(targets) != 24 or np.shape(labs) != (24, 3):
        raise ValueError(f"a chart has 24 patches, not {len(targets)}")
    patches = differences(targets, labs, space)
    de00 = np.array([patch.de00 for patch in patches])
    flat = np.array([patch.de00_flat for patch in patches])
    ramp = tuple(
        Grey(
            name=patch.name,
            target=patch.target[0],
            measured=patch.lab[0],
            off_grey=float(
                np.hypot(patch.lab[1] - patch.target[1], patch.lab[2] - patch.target[2])
            ),
        )
        for patch in patches[RAMP]
    )
    return ChartResult(
        patches=patches,
        ramp=ramp,
        mean=float(de00.mean()),
        p90=percentile_90(de00),
        max=float(de00.max()),
        mean_flat=float(flat.mean()),
        max_flat=float(flat.max()),
        tone=max(abs(grey.measured - grey.target) for grey in ramp),
        white_balance=max(grey.off_grey for grey in ramp),
    )


def percentile_90(values: ArrayLike) -> float:
    """The 90th percentile, linear between ranks; NaN of nothing."""
    found = np.asarray(values, np.float64)
    return float(np.percentile(found, 90)) if found.size else float("nan")


def grades(chart: ChartResult) -> tuple[Grade, ...]:
    """The level that a chart's figures reach in each guideline, with the ΔE00 that it asks for."""
    return tuple(grade(guideline, _figures(chart, guideline)) for guideline in GUIDELINES)


def _figures(chart: ChartResult, guideline: Guideline) -> dict[Figure, float]:
    weighted = guideline.lightness_weight
    return {
        "tone": chart.tone,
        "white-balance": chart.white_balance,
        "mean": chart.mean if weighted else chart.mean_flat,
        "p90": chart.p90,
        "max": chart.max if weighted else chart.max_flat,
    }


def lab_tuple(lab: ArrayLike) -> Lab:
    """Three plain floats."""
    L, a, b = (float(v) for v in np.asarray(lab, np.float64))
    return L, a, b
