"""Pages of print: what all sheets made here have in common. Opens nothing but typefaces."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.typefaces import FAMILY

if TYPE_CHECKING:
    from fpdf import FPDF

PAGE = (210.0, 279.4)
"""What A4 (ISO 216, 210 × 297) and US Letter (ANSI/ASME Y14.1, 215.9 × 279.4) have in common, in
millimetres; so is what follows, except for sizes of type, in points."""
A4 = (210.0, 297.0)
MARGIN, FOOT = 15.0, 12.0
INK, PALE, RULE = 30, 105, 190
SMALL, TEXT, TITLE = 7.5, 8.5, 17.0
LINE = 0.46
"""Line height in millimetres for each point of type."""


def document(
    title: str,
    page: tuple[float, float] = PAGE,
    *,
    margin: float = MARGIN,
    foot: float = FOOT,
    size: float = SMALL,
) -> FPDF:
    """An empty document that writes its title and the number of each page below it."""
    from fpdf import FPDF

    class Document(FPDF):  # type: ignore[misc]
        def footer(self) -> None:
            left = self.l_margin
            self.set_left_margin(margin)
            set_type(self, size, PALE)
            for text, align in ((f"page {self.page_no()} of {{nb}}", "R"), (title, "L")):
                self.set_xy(margin, page[1] - foot)
                shown = cut(self, text, self.epw - 30) if align == "L" else text
                self.cell(0, 4, shown, align=align)
            self.set_left_margin(left)

    pdf = Document(format=page)
    pdf.set_title(title)
    pdf.set_margins(margin, margin, margin)
    pdf.c_margin = 0
    return pdf


def head(pdf: FPDF, title: str, lines: tuple[str, str], facts: str) -> float:
    """What a sheet is about, above a rule; how far down it reaches.

    ``title`` is what kind of sheet it is, the first of ``lines`` what it is of.
    """
    width = pdf.epw

    def line(text: str, size: float, shade: int, *, bold: bool = False) -> None:
        set_type(pdf, size, shade, bold=bold)
        pdf.set_x(pdf.l_margin)
        pdf.cell(0, LINE * size, cut(pdf, text, width), new_x="LMARGIN", new_y="NEXT")

    line(title, TITLE, INK, bold=True)
    pdf.ln(1)
    line(lines[0], TEXT + 2.5, INK)
    pdf.ln(1)
    line(lines[1], TEXT, PALE)
    line(facts, TEXT, PALE)
    below = float(pdf.get_y()) + 2.5
    draw_rule(pdf, below)
    return below


def draw_rule(pdf: FPDF, at: float) -> None:
    """A fine line from margin to margin."""
    pdf.set_draw_color(RULE)
    pdf.set_line_width(0.2)
    pdf.line(pdf.l_margin, at, pdf.w - pdf.r_margin, at)


def for_whom(client: str, sender: str) -> str:
    """Whom a sheet is for, and who sends it."""
    return f"For {client}" + (f", from {sender}" if sender else "")


def lines_of(pdf: FPDF, text: str, width: float, most: int, *, wrap: str = "WORD") -> list[str]:
    """A text in lines of a width, its end left out where there are more than ``most``."""
    if not text or most < 1:
        return []
    # their height is of no matter here
    lines = pdf.multi_cell(
        width, LINE * SMALL, text, align="L", dry_run=True, output="LINES", wrapmode=wrap
    )
    if len(lines) <= most:
        return list(lines)
    return [*lines[: most - 1], cut(pdf, f"{lines[most - 1]} …", width)]


def cut(pdf: FPDF, text: str, width: float) -> str:
    """A line that fits, its end left out where it is too long."""
    if pdf.get_string_width(text) <= width:
        return text
    while text and pdf.get_string_width(f"{text}…") > width:
        text = text[:-1]
    return f"{text.rstrip()}…"


def cut_inside(pdf: FPDF, text: str, width: float) -> str:
    """A name that fits, its middle left out: both of its ends tell files apart."""
    if pdf.get_string_width(text) <= width:
        return text
    kept = len(text) - 1
    while kept > 2 and pdf.get_string_width(_ends(text, kept)) > width:
        kept -= 1
    return _ends(text, kept)


def _ends(text: str, kept: int) -> str:
    behind = kept // 2
    return f"{text[: kept - behind]}…{text[len(text) - behind :]}"


def set_type(pdf: FPDF, size: float, shade: int, *, bold: bool = False) -> None:
    """What the next texts are set in: size in points, shade from 0, black, to 255."""
    pdf.set_font(FAMILY, "B" if bold else "", size)
    pdf.set_text_color(shade)
