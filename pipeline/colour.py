"""The colour report of a job: gathers what can be proved, has it measured, and lands the page.

Says to ``proof`` which files lie where, which charts were read and what the job allows; measures
nothing itself.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.manifest import Manifest
from pipeline.masking import Mask, Sight, density_of
from pipeline.proof.records import (
    Chart,
    ColourReport,
    Correction,
    Lab,
    Product,
    ProductResult,
    Target,
    Tolerance,
    ToMeasure,
)
from pipeline.records import (
    Artifact,
    Delivered,
    FrameState,
    MeasuredChart,
    ResolvedFrame,
    ResolvedProduct,
)
from pipeline.survey import Survey, survey

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

PAGE = "reports/colour.html"
COARSE = 500
"""Samples along each side on which the place of a product is looked up."""
LOOK_STEPS = frozenset({"tone", "primaries", "hue", "mono", "table"})
"""Steps that change colour on purpose: a rendering with one of them is judged as a look."""


def colour_report(
    folder: Path, progress: Callable[[int, int], None] = lambda _done, _of: None
) -> ColourReport:
    """Measure every chart and every delivered file of a job.

    ``progress`` hears how many of how many files are done. Raises ``SafelightError`` in words.
    """
    from pipeline.engines.capacity import cores
    from pipeline.proof.measure import measure
    from pipeline.proof.report import report

    with Manifest.open(folder) as manifest:
        found = survey(folder, manifest)
    charts = {chart.setup: chart for chart in _current_charts(found)}
    files = [
        file for state in found.states.values() for file in _files(folder, found, state, charts)
    ]
    allowed = found.job.file.tolerance
    return report(
        found.job.file.job,
        datetime.now(UTC).isoformat(timespec="seconds"),
        [_correction(chart) for chart in charts.values()],
        measure(files, threads=cores(), progress=progress),
        Tolerance(allowed.mean, allowed.p90, allowed.max),
        stops_shown=_stops_shown(found),
    )


def product_colours(
    found: Survey, delivery: str, frames: Collection[str]
) -> dict[str, tuple[ProductResult, ...]]:
    """The products in frames' files of one delivery against their colours, measured in the files.

    A frame without a product, or whose products cannot be measured, is not in it.
    """
    from pipeline.proof.measure import measure_file

    return {
        file.frame: products
        for name in frames
        for file in _files(found.job.folder, found, found.states[name], {})
        if file.delivery == delivery
        and file.products
        and (products := measure_file(file, thumbnail=False).products)
    }


def write_page(folder: Path, found: ColourReport) -> Artifact:
    """The report as a page in the job's reports/; raises ``CannotWrite``."""
    from pipeline.files.landing import land
    from pipeline.proof.page import page

    return land(folder / PAGE, page(found).encode(), folder)


def export_corrections(folder: Path, into: Path) -> list[Path]:
    """Write each setup's correction as SETUP.clf and SETUP.cube into a folder; their paths."""
    from pipeline.files.landing import land
    from pipeline.kernels.correction import Correction as Fitted
    from pipeline.kernels.exchange import clf_text, cube_text

    with Manifest.open(folder) as manifest:
        charts = _current_charts(survey(folder, manifest))
    into.mkdir(parents=True, exist_ok=True)
    written = []
    for chart in charts:
        fitted = Fitted.from_json(chart.correction)
        for ending, text in (("clf", clf_text(fitted)), ("cube", cube_text(fitted))):
            land(into / f"{chart.setup}.{ending}", text.encode(), into)
            written.append(into / f"{chart.setup}.{ending}")
    return written


def _current_charts(found: Survey) -> Iterator[MeasuredChart]:
    """The charts that were read as the setups' files name them now."""
    for key in found.chart_keys.values():
        if key in found.charts:
            yield found.charts[key]


def _correction(chart: MeasuredChart) -> Correction:
    fit = chart.correction
    degree = str(fit["degree"])
    return Correction(
        frame=chart.frame,
        setup=chart.setup,
        edition=_edition(chart),
        targets=_targets(chart),
        before=tuple(_lab(lab) for lab in fit["before"]),
        after=tuple(_lab(lab) for lab in fit["after"]),
        about=f"root polynomial of degree {degree}",
        held_out_de00=fit["loo_mean"][degree],
    )


def _files(
    folder: Path, found: Survey, state: FrameState, charts: dict[str, MeasuredChart]
) -> Iterator[ToMeasure]:
    resolved = found.job.resolve(state.name, state.setup)
    for name, delivered in state.delivered.items():
        space = delivered.inputs["settings"]["space"]
        yield ToMeasure(
            path=folder / delivered.artifact.path,
            frame=state.name,
            delivery=name,
            version=delivered.version,
            space=space if isinstance(space, str) else space["profile"],
            setup=resolved.setup,
            rendering="look" if _has_look(state, delivered) else "neutral",
            chart=_chart(charts.get(resolved.setup or ""), state.name),
            products=tuple(_product(each, found, state) for each in resolved.products),
            kelvin=_kelvin(resolved),
            shown=delivered.shown,
        )


def _stops_shown(found: Survey) -> float:
    """How many stops a stop of exposure makes in the pictures: the slope of the look's curve."""
    slopes = (
        float(step.parameters["contrast"])
        for frame in found.frames
        for step in frame.steps
        if step.step == "tone"
    )
    return next(slopes, 1.0)


def _has_look(state: FrameState, delivered: Delivered) -> bool:
    (version,) = (v for v in state.versions if v.number == delivered.version)
    return any(step["step"] in LOOK_STEPS for step in version.inputs["steps"])


def _chart(chart: MeasuredChart | None, frame: str) -> Chart | None:
    if chart is None or chart.frame != frame:
        return None
    first, second, third, fourth = ((x, y) for x, y in chart.reading["corners"])
    return Chart((first, second, third, fourth), _targets(chart), _edition(chart))


def _product(product: ResolvedProduct, found: Survey, state: FrameState) -> Product:
    from pipeline.files.painted import read_painted
    from pipeline.kernels.masks import Box, Grid

    mask = Mask.model_validate(product.where)
    painted = {path: read_painted(found.job.files[path], d) for path, d in product.files.items()}
    capture = state.original.capture
    frame = (capture.height or COARSE, capture.width or COARSE)
    if capture.orientation >= 5:
        frame = frame[::-1]

    def density(rows: slice, columns: slice, height: int, width: int) -> NDArray[np.float32]:
        window = Box(rows.start, rows.stop, columns.start, columns.stop)
        return density_of(mask, Grid.over(*frame, (height, width)), Sight(painted)).at(window)

    # where it is, found on a coarse grid and with a margin of its samples
    coarse = Grid.over(*frame, (COARSE, COARSE))
    top, bottom, left, right = density_of(mask, coarse, Sight(painted)).box
    margins = (left - 2, top - 2, right + 2, bottom + 2)
    first, second, third, fourth = (min(max(v / COARSE, 0.0), 1.0) for v in margins)
    box = (first, second, third, fourth)
    return Product(product.name, product.lab, product.tolerance, density, box)


def _targets(chart: MeasuredChart) -> tuple[Target, ...]:
    from pipeline.kernels.references import PATCHES

    labs = chart.correction["target"]
    return tuple(Target(name, _lab(lab)) for name, lab in zip(PATCHES, labs, strict=True))


def _edition(chart: MeasuredChart) -> str:
    return str(chart.inputs.get("edition", "measured by the photographer"))


def _kelvin(resolved: ResolvedFrame) -> float | None:
    balances = (step.parameters for step in resolved.steps if step.step == "balance")
    return next((p["kelvin"] for p in balances if "kelvin" in p), None)


def _lab(values: tuple[float, float, float]) -> Lab:
    lightness, a, b = values
    return (lightness, a, b)
