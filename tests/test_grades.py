"""Levels against the published limits, as two comparison tables of the guidelines quote them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.kernels.grades import FADGI_2023, GUIDELINES, ISO_19264_1_2021, TITLES, grade

# FADGI Technical Guidelines, 3rd edition (2023), bound volumes, general collections, as quoted by a
# published comparison of three programmes and by a Czech national methodology (secondary sources)
FADGI_ROWS = [
    ("tone", "4 stars", 1.5),
    ("tone", "3 stars", 3),
    ("tone", "2 stars", 4.5),
    ("tone", "1 star", 6),
    ("white-balance", "4 stars", 2),
    ("white-balance", "3 stars", 4),
    ("white-balance", "2 stars", 6),
    ("white-balance", "1 star", 8),
    ("mean", "4 stars", 2),
    ("mean", "3 stars", 3.5),
    ("mean", "2 stars", 5),
    ("mean", "1 star", 6.5),
    ("p90", "4 stars", 4),
    ("p90", "3 stars", 7),
    ("p90", "2 stars", 10),
    ("p90", "1 star", 13),
]
# ISO 19264-1:2021, levels A, B, C, as quoted by one secondary source
ISO_ROWS = [
    ("tone", "level A", 2),
    ("tone", "level B", 3),
    ("tone", "level C", 4),
    ("white-balance", "level A", 3),
    ("white-balance", "level B", 4),
    ("white-balance", "level C", 5),
    ("mean", "level A", 4),
    ("mean", "level B", 5),
    ("max", "level A", 10),
    ("max", "level B", 15),
]
PERFECT = dict.fromkeys(TITLES, 0.0)


def level_of(guideline, **changed):
    return grade(guideline, PERFECT | {k.replace("_", "-"): v for k, v in changed.items()}).level


@pytest.mark.parametrize(("figure", "level", "limit"), FADGI_ROWS)
def test_fadgi_limits_are_below(figure, level, limit):
    """The table says "<": the limit itself belongs to the next level down."""
    levels = [*FADGI_2023.levels, None]
    just_below = grade(FADGI_2023, PERFECT | {figure: np.nextafter(limit, 0)})
    at_limit = grade(FADGI_2023, PERFECT | {figure: limit})
    assert just_below.level == level
    assert at_limit.level == levels[levels.index(level) + 1]


@pytest.mark.parametrize(("figure", "level", "limit"), ISO_ROWS)
def test_iso_limits_may_be_reached(figure, level, limit):
    at_limit = grade(ISO_19264_1_2021, PERFECT | {figure: limit})
    beyond = grade(ISO_19264_1_2021, PERFECT | {figure: np.nextafter(limit, math.inf)})
    assert at_limit.level == level
    assert beyond.level != level


def test_levels_b_and_c_share_their_colour_limits():
    """ISO 19264-1:2021: mean 5 and maximum 15 in both; tone and white balance part them."""
    assert level_of(ISO_19264_1_2021, mean=5, max=15) == "level B"
    assert level_of(ISO_19264_1_2021, mean=5, max=15, tone=3.5) == "level C"
    assert level_of(ISO_19264_1_2021, mean=5.01) is None


def test_the_worst_figure_decides():
    found = grade(FADGI_2023, {"tone": 1, "white-balance": 5.9, "mean": 1.2, "p90": 2})
    assert found.level == "2 stars"
    assert {f.figure: f.level for f in found.figures} == {
        "tone": "4 stars",
        "white-balance": "2 stars",
        "mean": "4 stars",
        "p90": "4 stars",
    }
    assert level_of(FADGI_2023, p90=13) is None


def test_each_guideline_grades_what_it_names():
    """FADGI 2023 has a 90th percentile and no maximum, ISO 19264-1 the other way round."""
    assert level_of(FADGI_2023, max=40) == "4 stars"
    assert level_of(ISO_19264_1_2021, p90=40) == "level A"


@pytest.mark.parametrize("guideline", GUIDELINES, ids=lambda g: g.edition)
def test_a_missing_figure_leaves_it_ungraded(guideline):
    found = grade(guideline, {"mean": 1.0})
    assert found.level is None
    assert found.figures[0].level == guideline.levels[0]
    assert set(found.missing) == set(guideline.limits) - {"mean"}
    assert grade(guideline, {}).level is None


def test_what_is_no_number_reaches_no_level():
    assert level_of(FADGI_2023, mean=math.nan) is None
    assert level_of(FADGI_2023, mean=math.inf) is None
    with pytest.raises(ValueError, match="magnitude"):
        level_of(FADGI_2023, tone=-0.1)


@pytest.mark.parametrize("guideline", GUIDELINES, ids=lambda g: g.edition)
def test_edition_category_and_source_are_named(guideline):
    assert guideline.edition and guideline.category
    assert "secondary source" in guideline.source
    for limits in guideline.limits.values():
        assert len(limits) == len(guideline.levels)
        assert list(limits) == sorted(limits)
