"""Numbers, texts and colours as they stand on the page. Everything that others named is escaped."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence
from html import escape

from pipeline.errors import printable
from pipeline.kernels.difference import xyz_of
from pipeline.kernels.gamut import WHITE, srgb_codes
from pipeline.proof.records import Lab, Suggestion

SMALLEST_STOPS, SMALLEST_MIRED, SMALLEST_DUV = 0.02, 1.0, 0.0005
"""Below these a suggested change would not be seen, and is left unsaid. Ours, no source."""


def text(value: object) -> str:
    """Text for HTML and for attributes; what does not print, or would turn the line, is written
    out."""
    return escape(printable(str(value)), quote=True)


def number(value: float, decimals: int = 2) -> str:
    """``1.25``; a dash for what is no number."""
    return f"{value:.{decimals}f}".replace("-", "−") if math.isfinite(value) else "–"


def signed(value: float, decimals: int = 2) -> str:
    """``+1.25`` or ``−0.40``; zero has no sign."""
    if not math.isfinite(value):
        return "–"
    rounded = f"{value:+.{decimals}f}"
    return rounded[1:] if float(rounded) == 0 else rounded.replace("-", "−")


def lab_text(lab: Lab) -> str:
    """``42.4  51.0  28.6``."""
    return "&ensp;".join(number(value, 1) for value in lab)


def colour(lab: Lab) -> str:
    """A colour for the page, ``#a03c2f``: sRGB, clipped where it cannot hold it."""
    red, green, blue = (int(code) for code in srgb_codes(xyz_of(lab, WHITE)))
    return f"#{red:02x}{green:02x}{blue:02x}"


def picture(jpeg: bytes, words: str, css_class: str) -> str:
    """A small JPEG inside the page itself."""
    if not jpeg:
        return ""
    data = base64.b64encode(jpeg).decode("ascii")
    return f'<img class="{css_class}" alt="{text(words)}" src="data:image/jpeg;base64,{data}">'


def swatch(measured: Lab, target: Lab, words: str) -> str:
    """Two halves that touch: measured on the left, target on the right."""
    return (
        f'<svg class="swatch" viewBox="0 0 48 24" role="img" aria-label="{text(words)}">'
        f'<rect width="48" height="24" fill="{colour(target)}"/>'
        f'<rect width="24" height="24" fill="{colour(measured)}"/></svg>'
    )


def table(
    caption: str, headings: Sequence[str], rows: Iterable[Sequence[str]], css_class: str = ""
) -> str:
    """A table of cells that are HTML already; the first cell of a row is its heading.

    A heading that starts with ``#`` stands over numbers, which are set to the right.
    """
    numeric = [heading.startswith("#") for heading in headings]
    head = "".join(
        f'<th scope="col"{_right(right)}>{heading.removeprefix("#")}</th>'
        for heading, right in zip(headings, numeric, strict=True)
    )
    body = []
    for row in rows:
        first, *rest = row
        cells = "".join(
            f"<td{_right(right)}>{cell}</td>" for cell, right in zip(rest, numeric[1:], strict=True)
        )
        body.append(f'<tr><th scope="row"{_right(numeric[0])}>{first}</th>{cells}</tr>')
    named = f' class="{css_class}"' if css_class else ""
    return (
        f'<div class="wide"><table{named}><caption>{caption}</caption><thead><tr>{head}</tr>'
        f"</thead><tbody>{''.join(body)}</tbody></table></div>"
    )


def _right(numeric: bool) -> str:
    return ' class="n"' if numeric else ""


def change(suggestion: Suggestion) -> str:
    """A suggested change in words: ``+0.12 stops; balance 5200 K to 5480 K (−10 mired)``, and what
    would be left."""
    parts = []
    if abs(suggestion.stops) >= SMALLEST_STOPS:
        parts.append(f"{signed(suggestion.stops)} stops")
    balance = []
    if abs(suggestion.mired) >= SMALLEST_MIRED:
        if suggestion.kelvin is not None:
            before = 1e6 / (1e6 / suggestion.kelvin - suggestion.mired)
            balance.append(
                f"{before:.0f} K to {suggestion.kelvin:.0f} K ({signed(suggestion.mired, 0)} mired)"
            )
        else:
            balance.append(f"{signed(suggestion.mired, 0)} mired")
    if abs(suggestion.duv) >= SMALLEST_DUV:
        balance.append(f"Duv {signed(suggestion.duv, 4)}")
    if balance:
        parts.append(f"balance {', '.join(balance)}")
    if not parts:
        return "no change of light would help"
    return f"{'; '.join(parts)}, which should leave {number(suggestion.remaining)} ΔE00"
