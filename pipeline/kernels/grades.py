"""Levels of imaging guidelines, from colour, tone and white balance figures.

Tables and comparisons only. The guidelines grade reproductions by more than what is here (noise,
resolution, sharpening, evenness of light), on targets of their own: what comes out says which level
these figures alone would reach, no more.

The limits were read in secondary sources that quote the documents, not in the documents themselves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Figure = Literal["tone", "white-balance", "mean", "p90", "max"]
"""What is graded: the largest ΔL* on the neutral ramp, the largest ΔE(a*b*) there, and ΔE00 of
the patches as mean, 90th percentile and maximum."""

TITLES: dict[Figure, str] = {
    "tone": "tone response, ΔL*",
    "white-balance": "white balance, ΔE(a*b*)",
    "mean": "colour, mean ΔE00",
    "p90": "colour, 90th percentile of ΔE00",
    "max": "colour, maximum ΔE00",
}


@dataclass(frozen=True, slots=True)
class Guideline:
    """A guideline's edition and category, its levels from the best down, and their limits.

    ``limits`` has for each figure one limit a level. ``strict``: a figure must be below its limit;
    otherwise it may equal it. ``lightness_weight`` is whether ΔE00 keeps its S_L (False: S_L = 1).
    """

    short: str
    title: str
    edition: str
    category: str
    levels: tuple[str, ...]
    limits: Mapping[Figure, tuple[float, ...]]
    strict: bool
    lightness_weight: bool
    source: str


FADGI_2023 = Guideline(
    short="FADGI 2023",
    title="FADGI Technical Guidelines for Digitizing Cultural Heritage Materials",
    edition="3rd edition, 2023",
    category="bound volumes, general collections",
    levels=("4 stars", "3 stars", "2 stars", "1 star"),
    limits={
        "tone": (1.5, 3.0, 4.5, 6.0),
        "white-balance": (2.0, 4.0, 6.0, 8.0),
        "mean": (2.0, 3.5, 5.0, 6.5),
        "p90": (4.0, 7.0, 10.0, 13.0),
    },
    strict=True,
    lightness_weight=True,
    source=(
        "limits read in secondary sources: white balance, mean and 90th percentile agree in two, "
        "tone response stands in one"
    ),
)

ISO_19264_1_2021 = Guideline(
    short="ISO 19264-1:2021",
    title="ISO 19264-1 Imaging systems quality analysis, reflective originals",
    edition="2021",
    category="reflective originals",
    levels=("level A", "level B", "level C"),
    limits={
        "tone": (2.0, 3.0, 4.0),
        "white-balance": (3.0, 4.0, 5.0),
        "mean": (4.0, 5.0, 5.0),
        "max": (10.0, 15.0, 15.0),
    },
    strict=False,
    lightness_weight=False,
    source=(
        "limits read in one secondary source, which does not say whether a figure may equal its "
        "limit: taken as allowed; ΔE00 with S_L = 1"
    ),
)

GUIDELINES = (FADGI_2023, ISO_19264_1_2021)


@dataclass(frozen=True, slots=True)
class FigureGrade:
    """One figure and the best level whose limit it keeps; ``level`` is None where it keeps none.

    ``limit`` is that level's, or the last level's where none is kept.
    """

    figure: Figure
    value: float
    level: str | None
    limit: float


@dataclass(frozen=True, slots=True)
class Grade:
    """What a guideline's levels say of a set of figures: the worst figure decides.

    ``level`` is None where a figure keeps no level's limit, or where ``missing`` names figures that
    the guideline grades and that were not given.
    """

    guideline: Guideline
    level: str | None
    figures: tuple[FigureGrade, ...]
    missing: tuple[Figure, ...]


def grade(guideline: Guideline, values: Mapping[Figure, float]) -> Grade:
    """Grade figures, in the units of ``TITLES``; negative ones are refused, NaN reaches no level.

    A figure that the guideline does not grade is left out. Raises ``ValueError`` for a negative
    value: every one is a magnitude.
    """
    figures, places = [], []
    for figure, limits in guideline.limits.items():
        if figure not in values:
            continue
        value = float(values[figure])
        if value < 0:
            raise ValueError(f"{TITLES[figure]} is {value:g}; it is a magnitude, 0 or more")
        place = _place(value, limits, guideline.strict)
        places.append(place)
        reached = place < len(limits)
        figures.append(
            FigureGrade(
                figure,
                value,
                guideline.levels[place] if reached else None,
                limits[place] if reached else limits[-1],
            )
        )
    missing = tuple(figure for figure in guideline.limits if figure not in values)
    worst = max(places, default=len(guideline.levels))
    level = None if missing or worst == len(guideline.levels) else guideline.levels[worst]
    return Grade(guideline, level, tuple(figures), missing)


def _place(value: float, limits: tuple[float, ...], strict: bool) -> int:
    """The first level whose limit holds, or their number where none does."""
    if math.isnan(value):
        return len(limits)
    return next(
        (
            place
            for place, limit in enumerate(limits)
            if (value < limit if strict else value <= limit)
        ),
        len(limits),
    )
