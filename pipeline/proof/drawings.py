"""The report's drawings, as SVG inside the page: the chart, a*b*, the neutral ramp, the drift.

Lines and letters take the page's own colour, so that they read in light and dark; colours that are
compared lie on the same neutral grey in both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean

from pipeline.proof.marks import colour, number, signed, text
from pipeline.proof.records import ChartResult, Difference, Drift, Grey

COLUMNS = 6
LONGEST_LABEL = 12
SURROUND = "#777777"
"""L* 50 in sRGB: what colours are judged on."""


def _svg(width: float, height: float, title: str, body: Sequence[str], css_class: str) -> str:
    return (
        f'<svg class="{css_class}" viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label="{text(title)}"><title>{text(title)}</title>{"".join(body)}</svg>'
    )


def chart_drawing(chart: ChartResult, title: str) -> str:
    """The chart's patches, each split: measured on the left, target on the right, ΔE00 below.

    A patch whose target the file's space cannot hold has a notch in its corner.
    """
    wide, tall, gap, line = 62, 44, 10, 16
    rows = math.ceil(len(chart.patches) / COLUMNS)
    width = COLUMNS * (wide + gap) + gap
    height = rows * (tall + line + gap) + gap
    body = [f'<rect width="{width}" height="{height}" rx="4" fill="{SURROUND}"/>']
    for place, patch in enumerate(chart.patches):
        x = gap + place % COLUMNS * (wide + gap)
        y = gap + place // COLUMNS * (tall + line + gap)
        words = f"{patch.name}: ΔE00 {number(patch.de00)}"
        body.append(
            f"<g><title>{text(words)}</title>"
            # the target lies under both halves, so that no seam shows where they are equal
            f'<rect x="{x}" y="{y}" width="{wide}" height="{tall}" '
            f'fill="{colour(patch.target)}"/>'
            f'<rect x="{x}" y="{y}" width="{wide / 2}" height="{tall}" '
            f'fill="{colour(patch.lab)}"/>'
        )
        if not patch.in_gamut:
            right = x + wide
            body.append(
                f'<path d="M{right - 14} {y}h14v14z" fill="{SURROUND}"/>'
                f'<path d="M{right - 14} {y}l14 14" stroke="#000" stroke-width="1"/>'
            )
        body.append(
            f'<text x="{x + wide / 2}" y="{y + tall + 12}" font-size="11" text-anchor="middle" '
            f'fill="#000">{number(patch.de00)}</text></g>'
        )
    return _svg(width, height, title, body, "chart")


def ab_plot(patches: Sequence[Difference], title: str, longer: int) -> str:
    """The a*b* plane: a ring at each target, a line to what was measured, a dot there.

    Errors are drawn ``longer`` times their length.
    """
    size, margin = 360.0, 30.0
    ends = []
    for patch in patches:
        _, a, b = patch.target
        da, db = patch.lab[1] - a, patch.lab[2] - b
        ends.append((patch, a, b, a + longer * da, b + longer * db))
    reach = max(
        (abs(value) for _, *places in ends for value in places if math.isfinite(value)), default=1
    )
    limit = 20 * math.ceil((reach + 2) / 20)
    scale = (size - 2 * margin) / (2 * limit)

    def at(a: float, b: float) -> tuple[float, float]:
        return size / 2 + a * scale, size / 2 - b * scale

    step = 20 if limit <= 60 else 40
    body = []
    for value in range(-(limit // step) * step, limit + 1, step):
        x, y = at(value, value)
        css_class = "axis" if value == 0 else "grid"
        body.append(
            f'<path class="{css_class}" d="M{x:.1f} {margin}V{size - margin}'
            f'M{margin} {y:.1f}H{size - margin}"/>'
        )
        if value:
            body.append(
                f'<text class="tick" x="{x:.1f}" y="{size - margin + 12}" '
                f'text-anchor="middle">{signed(value, 0)}</text>'
                f'<text class="tick" x="{margin - 4}" y="{y + 3:.1f}" '
                f'text-anchor="end">{signed(value, 0)}</text>'
            )
    body.append(
        f'<text class="label" x="{size - margin + 5}" y="{size / 2 + 4}">a*</text>'
        f'<text class="label" x="{size / 2}" y="{margin - 9}" text-anchor="middle">b*</text>'
    )
    for patch, a, b, end_a, end_b in ends:
        if not (math.isfinite(end_a) and math.isfinite(end_b)):
            continue
        x, y = at(a, b)
        end_x, end_y = at(end_a, end_b)
        body.append(
            f"<g><title>{text(patch.name)}: Δa* {signed(patch.lab[1] - a, 1)}, "
            f"Δb* {signed(patch.lab[2] - b, 1)}</title>"
            f'<path class="error" d="M{x:.1f} {y:.1f}L{end_x:.1f} {end_y:.1f}"/>'
            f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
            f'<circle class="dot" cx="{end_x:.1f}" cy="{end_y:.1f}" r="3.5" '
            f'fill="{colour(patch.lab)}"/></g>'
        )
    return _svg(size, size, title, body, "plot")


def magnification(patches: Sequence[Difference]) -> int:
    """How many times longer the errors in the a*b* plane should be drawn to be seen: 1, 2 or 5."""
    lengths = [math.hypot(p.lab[1] - p.target[1], p.lab[2] - p.target[2]) for p in patches]
    known = [length for length in lengths if math.isfinite(length)]
    typical = fmean(known) if known else 0.0
    return 1 if typical > 4 else 2 if typical > 2 else 5


def tone_plot(ramps: Sequence[tuple[str, Sequence[Grey]]], title: str) -> str:
    """The neutral ramp: by how much each grey's L* is off, over the L* that it should have.

    Each named ramp is a line: the first dashed, the last solid.
    """
    width, height = 360.0, 360.0
    left, right, top, bottom = 40.0, 14.0, 26.0, 58.0
    errors = [grey.measured - grey.target for _, ramp in ramps for grey in ramp]
    reach = max((abs(error) for error in errors if math.isfinite(error)), default=1)
    limit = next(step for step in (2, 4, 8, 16, 32, 100) if reach <= step or step == 100)
    inner = height - top - bottom

    def at(lightness: float, error: float) -> tuple[float, float]:
        bounded = max(-limit, min(limit, error)) if math.isfinite(error) else 0.0
        return (
            left + lightness / 100 * (width - left - right),
            top + inner * (limit - bounded) / (2 * limit),
        )

    body = []
    for tick in (-limit, -limit / 2, 0, limit / 2, limit):
        _, y = at(0, tick)
        css_class = "axis" if tick == 0 else "grid"
        body.append(
            f'<path class="{css_class}" d="M{left} {y:.1f}H{width - right}"/>'
            f'<text class="tick" x="{left - 5}" y="{y + 3:.1f}" text-anchor="end">'
            f"{signed(tick, 0)}</text>"
        )
    for lightness in range(0, 101, 20):
        x, _ = at(lightness, 0)
        body.append(
            f'<path class="grid" d="M{x:.1f} {top}V{height - bottom}"/>'
            f'<text class="tick" x="{x:.1f}" y="{height - bottom + 12}" '
            f'text-anchor="middle">{lightness}</text>'
        )
    body.append(
        f'<text class="label" x="{left}" y="{top - 8}">ΔL* of the greys</text>'
        f'<text class="label" x="{width - right}" y="{height - bottom + 26}" text-anchor="end">'
        f"L* that they should have</text>"
    )
    for place, (name, ramp) in enumerate(ramps):
        points = [at(grey.target, grey.measured - grey.target) for grey in ramp]
        last = place == len(ramps) - 1
        line = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        body.append(f'<path class="{"line" if last else "line before"}" d="{line}"/>')
        for grey, (x, y) in zip(ramp, points, strict=True):
            shade = colour((grey.target, 0.0, 0.0))
            body.append(
                f"<g><title>{text(grey.name)}, {text(name)}: ΔL* "
                f"{signed(grey.measured - grey.target)}</title>"
                f'<circle class="{"dot" if last else "dot faint"}" cx="{x:.1f}" cy="{y:.1f}" '
                f'r="{4.5 if last else 3}" fill="{shade}"/></g>'
            )
        key = left + 160 * place
        body.append(
            f'<path class="{"line" if last else "line before"}" '
            f'd="M{key} {height - 14}h26"/>'
            f'<text class="label" x="{key + 32}" y="{height - 10}">{text(name)}</text>'
        )
    return _svg(width, height, title, body, "plot")


def drift_plot(drift: Drift, title: str) -> str:
    """ΔE00 of each member from the middle of its group, in order, with the tolerance as a line."""
    members = drift.members
    left, right, top, bottom = 34.0, 12.0, 12.0, 52.0
    step = max(9.0, min(46.0, 680 / len(members)))
    width = max(360.0, left + right + step * len(members))
    height = 190.0
    reach = max([drift.tolerance, *(m.de00 for m in members if math.isfinite(m.de00))]) * 1.15
    inner = height - top - bottom

    def y_of(value: float) -> float:
        return top + inner * (1 - (value if math.isfinite(value) else 0) / reach)

    grid = _round_step(reach / 4)
    body = []
    for place in range(int(reach / grid) + 1):
        y = y_of(place * grid)
        css_class = "axis" if place == 0 else "grid"
        body.append(
            f'<path class="{css_class}" d="M{left} {y:.1f}H{width - right}"/>'
            f'<text class="tick" x="{left - 5}" y="{y + 3:.1f}" text-anchor="end">'
            f"{place * grid:g}</text>"
        )
    y = y_of(drift.tolerance)
    body.append(
        f'<path class="limit" d="M{left} {y:.1f}H{width - right}"/>'
        f'<text class="label" x="{width - right}" y="{y - 4:.1f}" text-anchor="end">'
        f"tolerance {drift.tolerance:g}</text>"
    )
    sparse = step >= 22
    for place, member in enumerate(members):
        x = left + step * (place + 0.5)
        y = y_of(member.de00)
        body.append(
            f"<g><title>{text(member.name)}: ΔE00 {number(member.de00)}</title>"
            f'<path class="stem" d="M{x:.1f} {y_of(0):.1f}V{y:.1f}"/>'
            f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{colour(member.lab)}"/>'
        )
        if member.stands_out:
            body.append(f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="8"/>')
        if member.stands_out or sparse:
            body.append(
                f'<text class="{"label" if member.stands_out else "tick"}" '
                f'transform="translate({x + 3:.1f} {height - bottom + 10}) rotate(-40)" '
                f'text-anchor="end">{text(_short(member.name))}</text>'
            )
        body.append("</g>")
    drawing = _svg(width, height, title, body, "drift")
    return drawing.replace("<svg ", f'<svg style="max-width:{width:.0f}px" ', 1)


def _short(name: str) -> str:
    """The end of a long name: what tells frames of one shoot apart."""
    return name if len(name) <= LONGEST_LABEL else f"…{name[1 - LONGEST_LABEL :]}"


def _round_step(rough: float) -> float:
    """1, 2 or 5 times a power of ten, at least ``rough``."""
    power = 10.0 ** math.floor(math.log10(max(rough, 1e-6)))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
