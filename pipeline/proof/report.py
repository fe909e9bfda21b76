"""Puts the findings together: what is over tolerance, in sentences, and the whole as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from pipeline.kernels.grades import Grade
from pipeline.kernels.spaces import SPACES
from pipeline.proof.compare import grades, percentile_90
from pipeline.proof.drift import drifts
from pipeline.proof.measure import judge_correction
from pipeline.proof.records import (
    ChartResult,
    ColourReport,
    Correction,
    CorrectionResult,
    Difference,
    Drift,
    Failure,
    Measured,
    Member,
    ProductResult,
    Tolerance,
)

DECIMALS = 5
"""In JSON: of ΔE00 far more than is meant, of Duv as many as are seen."""


def report(
    job: str,
    made_at: str,
    corrections: Sequence[Correction],
    files: Sequence[Measured],
    tolerance: Tolerance,
    *,
    stops_shown: float = 1.0,
) -> ColourReport:
    """Judge everything against the job's tolerances.

    Chart patches are judged as neutrally rendered, products in every delivered file. What could not
    be measured counts as a failure, and so does a report with nothing in it: neither proves a
    thing. ``stops_shown`` is that of ``drift.drifts``.
    """
    judged = tuple(judge_correction(correction) for correction in corrections)
    return ColourReport(
        job=job,
        made_at=made_at,
        corrections=judged,
        files=tuple(files),
        drifts=drifts(files, stops_shown=stops_shown),
        tolerance=tolerance,
        failures=tuple(_failures(judged, files, tolerance)),
    )


def name_of(measured: Measured) -> str:
    """How a file is called in words: "QL0007 web v2"."""
    file = measured.file
    return f"{file.frame} {file.delivery} v{file.version}"


def _failures(
    corrections: Sequence[CorrectionResult], files: Sequence[Measured], tolerance: Tolerance
) -> Iterator[Failure]:
    found = bool(corrections)
    for result in corrections:
        who = f"{result.correction.frame}, chart as corrected"
        yield from _over(who, result.after, tolerance)
    for measured in files:
        who = name_of(measured)
        yield from (Failure("file", f"{who}: {problem}") for problem in measured.problems)
        found |= measured.chart is not None or bool(measured.products or measured.problems)
        if measured.chart is not None and measured.file.rendering == "neutral":
            yield from _over(f"{who}, chart", measured.chart, tolerance)
        for product in measured.products:
            if not product.passed:
                yield Failure("product", _over_product(who, measured, product))
    if not found:
        yield Failure(
            "file",
            "nothing was measured: no file shows a chart or a product whose colour is known",
        )


def _over(who: str, chart: ChartResult, tolerance: Tolerance) -> Iterator[Failure]:
    for words, value, limit in tolerance.over(chart):
        sentence = f"{who}: {words} is {value:.2f}; at most {limit:g} is allowed"
        yield Failure("chart", sentence)


def _over_product(who: str, measured: Measured, product: ProductResult) -> str:
    difference = product.difference
    sentence = (
        f"{who}: {difference.name} is {difference.de00:.2f} ΔE00 from its target; at most "
        f"{product.tolerance:g} is allowed"
    )
    if difference.in_gamut:
        return sentence
    title = SPACES[measured.file.space].title
    return (
        f"{sentence} ({title} cannot hold the target; bringing it in by chroma alone costs "
        f"{difference.gamut_de00:.2f})"
    )


# --- JSON ---------------------------------------------------------------------------------------


def to_json(found: ColourReport) -> dict[str, Any]:
    """What ``colour --json`` prints, in plain JSON values; a number that is none becomes null.

    ``frames`` has an entry for each correction and each delivered file. Its ``patches`` are the
    chart's where it shows the chart, else the products in it; ``mean``, ``p90`` and ``max`` are
    over these.
    """
    tolerances = {
        product.difference.name: product.tolerance
        for measured in found.files
        for product in measured.products
    }
    limits = {"mean": found.tolerance.mean, "p90": found.tolerance.p90, "max": found.tolerance.max}
    plain: dict[str, Any] = _plain(
        {
            "job": found.job,
            "made_at": found.made_at,
            "frames": [
                *(_correction(result) for result in found.corrections),
                *(_file(measured) for measured in found.files),
            ],
            "drift": [_drift(drift) for drift in found.drifts],
            "tolerance": limits | {"products": tolerances},
            "passed": found.passed,
            "failures": [failure.sentence for failure in found.failures],
        }
    )
    return plain


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, DECIMALS) if math.isfinite(value) else None
    return value


def _correction(result: CorrectionResult) -> dict[str, Any]:
    correction = result.correction
    return {
        "frame": correction.frame,
        "setup": correction.setup,
        "what": "correction",
        "rendering": "neutral",
        "edition": correction.edition,
        **_chart(result.after),
        "before": {
            "patches": [_patch(patch, "chart") for patch in result.before.patches],
            "mean": result.before.mean,
            "p90": result.before.p90,
            "max": result.before.max,
        },
        "held_out_de00": correction.held_out_de00,
    }


def _file(measured: Measured) -> dict[str, Any]:
    file = measured.file
    entry = {
        "frame": file.frame,
        "setup": file.setup,
        "what": "file",
        "rendering": file.rendering,
        "delivery": file.delivery,
        "version": file.version,
        "path": str(file.path),
        "profile": measured.profile,
        "problems": list(measured.problems),
        "products": [_product(product) for product in measured.products],
    }
    if measured.chart is not None:
        return entry | _chart(measured.chart)
    differences = [product.difference for product in measured.products]
    de00 = [difference.de00 for difference in differences]
    return entry | {
        "patches": [_patch(difference, "product") for difference in differences],
        "mean": sum(de00) / len(de00) if de00 else None,
        "p90": percentile_90(de00),
        "max": max(de00, default=None),
    }


def _chart(chart: ChartResult) -> dict[str, Any]:
    return {
        "patches": [_patch(patch, "chart") for patch in chart.patches],
        "mean": chart.mean,
        "p90": chart.p90,
        "max": chart.max,
        "mean_flat": chart.mean_flat,
        "max_flat": chart.max_flat,
        "tone": chart.tone,
        "white_balance": chart.white_balance,
        "grades": [_grade(grade) for grade in grades(chart)],
    }


def _grade(grade: Grade) -> dict[str, Any]:
    return {
        "guideline": grade.guideline.title,
        "edition": grade.guideline.edition,
        "category": grade.guideline.category,
        "level": grade.level,
        "figures": [
            {"figure": f.figure, "value": f.value, "level": f.level, "limit": f.limit}
            for f in grade.figures
        ],
    }


def _patch(difference: Difference, kind: str) -> dict[str, Any]:
    return {
        "name": difference.name,
        "kind": kind,
        "lab": difference.lab,
        "target": difference.target,
        "de00": difference.de00,
        "lightness": difference.lightness,
        "chroma": difference.chroma,
        "hue": difference.hue,
        "in_gamut": difference.in_gamut,
        "gamut_de00": difference.gamut_de00,
    }


def _product(product: ProductResult) -> dict[str, Any]:
    return _patch(product.difference, "product") | {
        "tolerance": product.tolerance,
        "passed": product.passed,
        "shading": product.shading,
        "lit_share": product.lit_share,
    }


def _drift(drift: Drift) -> dict[str, Any]:
    return {
        "product": drift.product,
        "delivery": drift.delivery,
        "setup": drift.setup,
        "across_setups": drift.across_setups,
        "middle": drift.middle,
        "mean": drift.mean,
        "max": drift.largest,
        "between": drift.between,
        "members": [_member(member) for member in drift.members],
    }


def _member(member: Member) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "name": member.name,
        "lab": member.lab,
        "de00": member.de00,
        "stands_out": member.stands_out,
    }
    if member.suggestion is not None:
        change = member.suggestion
        entry["suggestion"] = {
            "stops": change.stops,
            "mired": change.mired,
            "duv": change.duv,
            "kelvin": change.kelvin,
            "remaining": change.remaining,
        }
    return entry
