"""The colour report as one HTML page that needs nothing else: no network, no script, no font.

From findings to text; nothing here measures or judges. Whoever wrote the names in it may be
hostile, so that every one goes through ``marks.text``.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from pipeline.kernels.grades import GUIDELINES, TITLES, Figure, Grade
from pipeline.kernels.spaces import SPACES
from pipeline.proof.compare import grades
from pipeline.proof.drawings import ab_plot, chart_drawing, drift_plot, magnification, tone_plot
from pipeline.proof.drift import FEWEST
from pipeline.proof.marks import (
    change,
    lab_text,
    number,
    picture,
    signed,
    swatch,
    table,
    text,
)
from pipeline.proof.records import (
    ChartResult,
    ColourReport,
    CorrectionResult,
    Difference,
    Drift,
    Measured,
    ProductResult,
    Tolerance,
)
from pipeline.proof.style import CSS

POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
"""The page may show what it holds, and can load or run nothing (W3C Content Security Policy)."""


def page(found: ColourReport) -> str:
    """The whole page."""
    parts = [
        *_head(found),
        *_summary(found),
        *_products(found),
        *_charts(found),
        *_method(found),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Colour report, {text(found.job)}</title>\n<style>{CSS}</style>\n</head>\n<body>\n"
        "<main>\n" + "\n".join(parts) + "\n</main>\n</body>\n</html>\n"
    )


# --- what a client reads ------------------------------------------------------------------------


def _head(found: ColourReport) -> Iterator[str]:
    yield f'<header><p class="soft">Colour report</p><h1>{text(found.job)}</h1>'
    yield f'<p class="soft">{text(found.made_at)}</p></header>'


def _summary(found: ColourReport) -> Iterator[str]:
    if found.passed:
        yield '<p class="verdict good">Every measured colour is within tolerance.</p>'
    else:
        yield '<p class="verdict bad">Not everything is within tolerance.</p>'
        yield "<ul>" + "".join(f"<li>{line}</li>" for line in _failures(found)) + "</ul>"
    yield (
        "<p>The figures below were measured in the files that were delivered, read back from disk "
        "through the colour profile inside each. They are colour differences, ΔE00 (CIEDE2000): "
        "the smaller, the closer to the target. How large one may be is agreed for each product: "
        "its tolerance.</p>"
    )
    deliveries: dict[str, list[Measured]] = defaultdict(list)
    for measured in found.files:
        deliveries[measured.file.delivery].append(measured)
    if found.corrections:
        yield table(
            "Chart frames, neutrally rendered",
            (
                "setup",
                "frame",
                "#mean ΔE00",
                "#90th percentile",
                "#largest",
                *(text(guideline.short) for guideline in GUIDELINES),
                "result",
            ),
            [_correction_row(found, result) for result in found.corrections],
        )
    if deliveries:
        yield table(
            "Deliveries",
            (
                "delivery",
                "colour space",
                "#files",
                "#product colours",
                "#mean ΔE00",
                "#largest",
                "where",
                "result",
            ),
            [_delivery(found, name, files) for name, files in deliveries.items()],
        )


def _failures(found: ColourReport) -> Iterator[str]:
    """What is not as agreed; a product's many files in one line."""
    yield from (text(failure.sentence) for failure in found.failures if failure.what == "chart")
    over: dict[tuple[str, str], list[tuple[Measured, ProductResult]]] = defaultdict(list)
    shown: Counter[tuple[str, str]] = Counter()
    for measured in found.files:
        for product in measured.products:
            key = (product.difference.name, measured.file.delivery)
            shown[key] += 1
            if not product.passed:
                over[key].append((measured, product))
    for (name, delivery), results in over.items():
        at, worst = max(results, key=lambda pair: pair[1].difference.de00)
        yield (
            f"{text(name)} in {text(delivery)}: over tolerance in {len(results)} of "
            f"{shown[name, delivery]} files; furthest off in {text(at.file.frame)}, "
            f"ΔE00 {number(worst.difference.de00)} where {worst.tolerance:g} is allowed"
        )
    yield from (text(failure.sentence) for failure in found.failures if failure.what == "file")


def _correction_row(found: ColourReport, result: CorrectionResult) -> tuple[str, ...]:
    chart = result.after
    return (
        text(result.correction.setup or "–"),
        text(result.correction.frame),
        number(chart.mean),
        number(chart.p90),
        number(chart.max),
        *(text(grade.level or "no level") for grade in grades(chart)),
        _within(found, chart),
    )


def _delivery(found: ColourReport, name: str, files: Sequence[Measured]) -> tuple[str, ...]:
    products = [(product, measured) for measured in files for product in measured.products]
    asked = dict.fromkeys(measured.file.space for measured in files)
    spaces = [SPACES[space].title if space in SPACES else space for space in asked]
    over = sum(not product.passed for product, _ in products)
    charts = [
        measured.chart
        for measured in files
        if measured.chart is not None and measured.file.rendering == "neutral"
    ]
    over += sum(bool(found.tolerance.over(chart)) for chart in charts)
    troubled = sum(bool(measured.problems) for measured in files)
    mean = largest = where = "–"
    if products:
        values = [product.difference.de00 for product, _ in products]
        mean = number(sum(values) / len(values))
        worst, at = max(products, key=lambda pair: pair[0].difference.de00)
        largest = number(worst.difference.de00)
        where = f"{text(worst.difference.name)} in {text(at.file.frame)}"
    words = []
    if over:
        words.append(f"{over} over tolerance")
    if troubled:
        words.append(f"{troubled} not measurable")
    if words:
        result = f'<span class="bad">{", ".join(words)}</span>'
    else:
        judged = products or (charts and found.tolerance != Tolerance())
        result = '<span class="good">within tolerance</span>' if judged else "nothing to judge"
    return (
        text(name),
        text(", ".join(spaces)),
        str(len(files)),
        str(len(products)),
        mean,
        largest,
        where,
        result,
    )


# --- charts -------------------------------------------------------------------------------------


def _charts(found: ColourReport) -> Iterator[str]:
    """A section for each frame that shows a chart."""
    with_chart: dict[str, list[Measured]] = defaultdict(list)
    for measured in found.files:
        if measured.chart is not None:
            with_chart[measured.file.frame].append(measured)
    for result in found.corrections:
        frame = result.correction.frame
        yield from _chart_section(found, frame, result, with_chart.pop(frame, []))
    for frame, files in with_chart.items():
        yield from _chart_section(found, frame, None, files)


def _chart_section(
    found: ColourReport, frame: str, result: CorrectionResult | None, files: Sequence[Measured]
) -> Iterator[str]:
    setup = result.correction.setup if result else files[0].file.setup
    title = f"Chart frame {text(frame)}" + (f", setup {text(setup)}" if setup else "")
    yield f'<section class="chart"><h2>{title}</h2>'
    if result:
        yield f"<p>{_about(result)}</p>"
    yield from _figures(found, result, files)
    neutral = _neutral_charts(result, files)
    thumbnail = next((measured.thumbnail for measured in files if measured.thumbnail), b"")
    for name, chart in neutral:
        yield '<div class="row">'
        yield _figure(
            chart_drawing(chart, f"Chart {frame}, {name}: measured beside target"),
            f"{text(name[:1].upper() + name[1:])}: each patch measured (left half) and as it "
            "should be (right half), with its ΔE00.",
            large=True,
        )
        if thumbnail:
            yield _figure(picture(thumbnail, f"Frame {frame}", "frame"), f"Frame {text(frame)}.")
            thumbnail = b""
        yield "</div>"
    if neutral:
        yield from _plots(result, neutral)
        name, chart = neutral[0]
        yield from _grades(chart, name)
        yield from _patches(chart, name, result)
    yield from _look(files)
    yield "</section>"


def _about(result: CorrectionResult) -> str:
    correction = result.correction
    words = ["The neutral rendering, without the house look, is what is judged."]
    if correction.about:
        words.append(f"Correction: {text(correction.about)}.")
    if correction.edition:
        words.append(f"Chart edition: {text(correction.edition)}.")
    if correction.held_out_de00 is not None:
        words.append(
            f"On patches that the fit was not shown, its mean ΔE00 is "
            f"{number(correction.held_out_de00)}."
        )
    return " ".join(words)


def _neutral_charts(
    result: CorrectionResult | None, files: Sequence[Measured]
) -> list[tuple[str, ChartResult]]:
    """The charts that are judged, the correction's first."""
    charts = [("after correction", result.after)] if result else []
    charts += [
        (_file_name(measured), measured.chart)
        for measured in files
        if measured.chart is not None and measured.file.rendering == "neutral"
    ]
    return charts


def _figures(
    found: ColourReport, result: CorrectionResult | None, files: Sequence[Measured]
) -> Iterator[str]:
    rows = []
    if result:
        rows.append(("before correction", "", result.before))
        rows.append(("after correction", _within(found, result.after), result.after))
    for measured in files:
        if measured.chart is None:
            continue
        neutral = measured.file.rendering == "neutral"
        judged = _within(found, measured.chart) if neutral else "the look, not judged"
        rows.append((text(_file_name(measured)), judged, measured.chart))
    yield table(
        f"All 24 patches; {_agreed(found)}",
        (
            "rendering",
            "#mean ΔE00",
            "#90th percentile",
            "#maximum",
            "#mean, S<sub>L</sub> = 1",
            "#greys, largest ΔL*",
            "#greys, largest ΔE(a*b*)",
            "result",
        ),
        [
            (
                name,
                number(chart.mean),
                number(chart.p90),
                number(chart.max),
                number(chart.mean_flat),
                number(chart.tone),
                number(chart.white_balance),
                judged,
            )
            for name, judged, chart in rows
        ],
    )


def _agreed(found: ColourReport) -> str:
    limits = found.tolerance
    agreed = ", ".join(
        f"{words} {limit:g}"
        for words, limit in (
            ("mean", limits.mean),
            ("90th percentile", limits.p90),
            ("maximum", limits.max),
        )
        if limit is not None
    )
    return f"ΔE00 agreed for the neutral rendering: {agreed}" if agreed else "no ΔE00 is agreed"


def _within(found: ColourReport, chart: ChartResult) -> str:
    limits = found.tolerance
    if limits == Tolerance():
        return "no tolerance agreed"
    if limits.over(chart):
        return '<span class="bad">over tolerance</span>'
    return '<span class="good">within tolerance</span>'


def _plots(
    result: CorrectionResult | None, neutral: Sequence[tuple[str, ChartResult]]
) -> Iterator[str]:
    name, chart = neutral[0]
    yield '<div class="row">'
    ramps = [(name, chart.ramp)]
    if result:
        ramps.insert(0, ("before correction", result.before.ramp))
        yield _ab_figure(result.before, "before correction")
    yield _ab_figure(chart, name)
    yield _figure(
        tone_plot(ramps, "Tone response of the neutral ramp"), "Tone response of the neutral ramp."
    )
    yield "</div>"


def _ab_figure(chart: ChartResult, name: str) -> str:
    longer = magnification(chart.patches)
    drawn = "at true length" if longer == 1 else f"drawn {longer} times longer"
    title = f"Hue and chroma, {name}"
    return _figure(
        ab_plot(chart.patches, title, longer),
        f"{text(title)}. Ring: target; dot: measured, errors {drawn}.",
    )


def _figure(drawing: str, caption: str, *, large: bool = False) -> str:
    css_class = ' class="large"' if large else ""
    return f"<figure{css_class}>{drawing}<figcaption>{caption}</figcaption></figure>"


def _grades(chart: ChartResult, name: str) -> Iterator[str]:
    """A column for each guideline, a row for each figure that any of them grades."""
    graded = grades(chart)
    yield "<h3>Guideline levels</h3>"
    headings = [
        f"{text(grade.guideline.title)}<br>{text(grade.guideline.edition)}; category: "
        f"{text(grade.guideline.category)}"
        for grade in graded
    ]
    rows = [
        ("<strong>these figures reach</strong>", *(_level(grade.level) for grade in graded)),
        *(
            (text(title), *(_graded(grade, figure) for grade in graded))
            for figure, title in TITLES.items()
        ),
    ]
    yield table(f"Of the chart {text(name)}", ("figure", *headings), rows)


def _level(level: str | None) -> str:
    return f"<strong>{text(level or 'no level')}</strong>"


def _graded(grade: Grade, figure: Figure) -> str:
    sign = "below" if grade.guideline.strict else "at most"
    for found in grade.figures:
        if found.figure == figure:
            level = text(found.level or "no level")
            return (
                f"{number(found.value)} &nbsp;{level} "
                f'<span class="soft">({sign} {found.limit:g})</span>'
            )
    return '<span class="soft">not graded</span>'


def _patches(chart: ChartResult, name: str, result: CorrectionResult | None) -> Iterator[str]:
    before = [patch.de00 for patch in result.before.patches] if result else []
    headings = [
        "patch",
        "measured | target",
        "#measured L*a*b*",
        "#target L*a*b*",
        "#ΔE00",
        "#lightness",
        "#chroma",
        "#hue",
    ]
    rows = [_difference(patch) for patch in chart.patches]
    if before:
        headings.append("#before")
        rows = [(*row, number(value)) for row, value in zip(rows, before, strict=True)]
    yield table(
        f"The patches {text(name)}: ΔE00 and its parts, measured minus target", headings, rows
    )


def _difference(difference: Difference) -> tuple[str, ...]:
    words = f"{difference.name}, measured beside target"
    return (
        text(difference.name),
        swatch(difference.lab, difference.target, words),
        lab_text(difference.lab),
        lab_text(difference.target),
        number(difference.de00),
        signed(difference.lightness),
        signed(difference.chroma),
        signed(difference.hue),
    )


def _look(files: Sequence[Measured]) -> Iterator[str]:
    """Delivered files that carry the house look: their distance from the truth, and the gamut."""
    shown = [
        (measured, measured.chart)
        for measured in files
        if measured.chart is not None and measured.file.rendering == "look"
    ]
    if shown:
        yield "<h3>What the house look moves</h3>"
        yield (
            "<p>The look changes colour on purpose. These are the delivered files as measured, "
            "beside the same targets: how far the look has gone, not whether it is right.</p>"
        )
        yield '<div class="row">'
        for measured, chart in shown:
            name = _file_name(measured)
            yield _figure(
                chart_drawing(chart, f"Chart in {name}: measured beside target"),
                f"{text(name)}, mean ΔE00 {number(chart.mean)}.",
            )
        yield "</div>"
    for measured in files:
        outside = (
            [patch for patch in measured.chart.patches if not patch.in_gamut]
            if (measured.chart)
            else []
        )
        if outside:
            yield f"<p>{_outside(measured, outside)}</p>"


def _outside(measured: Measured, outside: Sequence[Difference]) -> str:
    named = ", ".join(
        f"{text(difference.name)} ({number(difference.gamut_de00)})" for difference in outside
    )
    return (
        f"{text(_file_name(measured))}: {text(SPACES[measured.file.space].title)} cannot hold some "
        f"targets. Bringing them in by losing chroma costs this much ΔE00: {named}."
    )


def _file_name(measured: Measured) -> str:
    file = measured.file
    return f"{file.delivery} v{file.version}"


# --- products -----------------------------------------------------------------------------------


def _products(found: ColourReport) -> Iterator[str]:
    by_product: dict[str, list[tuple[Measured, ProductResult]]] = defaultdict(list)
    for measured in found.files:
        for product in measured.products:
            by_product[product.difference.name].append((measured, product))
    for name, results in by_product.items():
        first = results[0][1]
        yield f"<section><h2>Product {text(name)}</h2>"
        yield (
            f"<p>Target L*a*b* {lab_text(first.difference.target)}; tolerance "
            f"{first.tolerance:g} ΔE00. Measured is the mean over the lit part of the product.</p>"
        )
        yield from _product_gamut(results)
        yield from _drifts([drift for drift in found.drifts if drift.product == name])
        yield table(
            "Every delivered file that shows it",
            (
                "frame",
                "",
                "setup",
                "file",
                "measured | target",
                "#measured L*a*b*",
                "#ΔE00",
                "#lightness",
                "#chroma",
                "#hue",
                "#shading L*",
                "result",
            ),
            list(_product_rows(results)),
        )
        yield "</section>"


def _product_gamut(results: Sequence[tuple[Measured, ProductResult]]) -> Iterator[str]:
    spaces = {
        measured.file.space: product.difference
        for measured, product in results
        if not product.difference.in_gamut
    }
    for space, difference in spaces.items():
        yield (
            f"<p>{text(SPACES[space].title)} cannot hold this target. Bringing it in by losing "
            f"chroma costs {number(difference.gamut_de00)} ΔE00.</p>"
        )


def _product_rows(
    results: Sequence[tuple[Measured, ProductResult]],
) -> Iterator[tuple[str, ...]]:
    pictured = set()
    for measured, product in results:
        file, difference = measured.file, product.difference
        thumbnail = ""
        if file.frame not in pictured:
            pictured.add(file.frame)
            thumbnail = picture(measured.thumbnail, f"Frame {file.frame}", "small")
        low, high = product.shading
        yield (
            text(file.frame),
            thumbnail,
            text(file.setup or "–"),
            text(_file_name(measured)).replace(" ", "&nbsp;"),
            swatch(difference.lab, difference.target, f"{file.frame}, measured beside target"),
            lab_text(difference.lab),
            number(difference.de00),
            signed(difference.lightness),
            signed(difference.chroma),
            signed(difference.hue),
            f"{number(low, 0)} to {number(high, 0)}",
            '<span class="good">within</span>'
            if product.passed
            else '<span class="bad">over</span>',
        )


def _drifts(found: Sequence[Drift]) -> Iterator[str]:
    if not found:
        return
    yield "<h3>From frame to frame</h3>"
    yield (
        "<p>Each dot is a frame, as far above the line as its colour lies from the middle of its "
        "group, in ΔE00. A ring marks a frame that stands out.</p>"
    )
    yield from (_drift(drift) for drift in found)


def _drift(drift: Drift) -> str:
    if drift.across_setups:
        group = f"{text(drift.delivery)}, between setups"
    else:
        group = (
            f"{text(drift.delivery)}, setup {text(drift.setup)}"
            if drift.setup
            else (f"{text(drift.delivery)}, frames of no setup")
        )
    first, second = drift.between
    if len(drift.members) < FEWEST:
        return (
            f'<p class="soft">{group}: {text(first)} and {text(second)} are '
            f"{number(drift.largest)} ΔE00 apart.</p>"
        )
    lines = "".join(
        f"<li>{text(member.name)} stands out by {number(member.de00)} ΔE00"
        + (f". Suggested: {change(member.suggestion)}" if member.suggestion else "")
        + ".</li>"
        for member in drift.members
        if member.stands_out
    )
    title = f"{drift.product} in {drift.delivery}: distance of each from the middle of its group"
    return (
        f"<figure><h4>{group}</h4>{drift_plot(drift, title)}<figcaption>{number(drift.mean)} ΔE00 "
        f"from the middle on average, at most {number(drift.largest)} between any two, "
        f"{text(first)} and {text(second)}.</figcaption>"
        + (f"<ul>{lines}</ul>" if lines else "")
        + "</figure>"
    )


# --- how it was done ----------------------------------------------------------------------------


def _method(found: ColourReport) -> Iterator[str]:
    yield '<section class="notes"><h2>How this was measured</h2><ul>'
    for line in (
        "Delivered files are opened from disk and converted through the ICC profile embedded in "
        "each by an independent colour engine, relative colorimetric, to L*a*b* under D50 "
        "(2 degree observer). A region’s colour is the mean of its light.",
        "ΔE00 is CIEDE2000 (ISO/CIE 11664-6). Lightness, chroma and hue are its weighted parts, "
        "measured minus target: positive is lighter, more colourful, turned anticlockwise in the "
        "a*b* plane. The 90th percentile is linear between ranks.",
        "Patches are read in the middle half of their width and height. Products are read "
        "through their mask where they are lit: luminance within 0.8 to 1.2 of the 90th percentile "
        "over the product, which leaves out shade and highlights. Shading is the range of L* from "
        "the 5th to the 95th percentile.",
        "Of the greys, the worst decides tone response and white balance.",
        "Guideline levels are what these colour, tone and white balance figures alone would "
        "reach. The guidelines also grade noise, resolution, sharpening and evenness of light, "
        "are meant for reproductions, and use targets of their own: this is no certificate.",
        "A target that a delivery’s space cannot hold is brought in by losing chroma at constant "
        "hue and lightness (OKLCh); what that costs is stated where it happens.",
        "A frame stands out where it is beyond the tolerance from its group’s middle and beyond "
        "three robust standard deviations (median absolute deviation). The suggested change of "
        "light is solved from that one colour: try it, and look.",
        "The swatches here are sRGB; a colour beyond it is shown clipped. Only the numbers count.",
    ):
        yield f"<li>{line}</li>"
    charts = [result.after for result in found.corrections]
    charts += [measured.chart for measured in found.files if measured.chart is not None]
    if charts:
        for grade in grades(charts[0]):
            yield (
                f"<li>{text(grade.guideline.title)}, {text(grade.guideline.edition)}: "
                f"{text(grade.guideline.source)}.</li>"
            )
    yield "</ul></section>"
