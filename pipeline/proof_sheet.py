"""The proof sheet that goes with a bag: every picture small, with its name, frame and version.

Opens nothing but typefaces.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from pipeline.parcel import Parcel, counted_changes, size_in_words
from pipeline.records import PackedFile
from pipeline.typefaces import FAMILY, Letters

if TYPE_CHECKING:
    from fpdf import FPDF

PAGE = (210.0, 279.4)
"""What A4 (ISO 216, 210 × 297) and US Letter (ANSI/ASME Y14.1, 215.9 × 279.4) have in common, in
millimetres; so is what follows, except for sizes of type, in points."""
MARGIN, FOOT = 15.0, 12.0
COLUMNS, ROWS = 3, 3
GAP_ACROSS, GAP_DOWN = 6.0, 6.0
PICTURE_HEIGHT = 40.0
TEXT_LINES, COLOUR_LINES = 3, 2
"""At most: of colours and of what a picture shows together, and of colours alone."""
INK, PALE, RULE = 30, 105, 190
SMALL, TEXT, TITLE = 7.5, 8.5, 17.0
LINE = 0.46
"""Line height in millimetres for each point of type."""
WIDTH = (PAGE[0] - 2 * MARGIN - (COLUMNS - 1) * GAP_ACROSS) / COLUMNS


def as_pdf(parcel: Parcel, pictures: Mapping[str, bytes]) -> bytes:
    """The sheet; ``pictures`` are small JPEGs by frame. Equal arguments give equal bytes."""
    letters = Letters.for_texts(_texts(parcel))
    pdf = _document(letters.text(f"{parcel.title}, {parcel.name}"))
    pdf.set_title(letters.text(f"Proof sheet: {parcel.title}"))
    pdf.set_creation_date(datetime.fromisoformat(parcel.at))
    letters.give_to(pdf)
    pdf.set_margins(MARGIN, MARGIN, MARGIN)
    pdf.c_margin = 0
    pdf.set_auto_page_break(False)
    pdf.add_page()
    top = _head(pdf, parcel, letters)
    place = 0
    for file in parcel.files:
        row, column = divmod(place, COLUMNS)
        below = top + row * (_cell_height() + GAP_DOWN) + _cell_height()
        if below > PAGE[1] - MARGIN - FOOT / 2 or row >= ROWS:
            pdf.add_page()
            top, place, row, column = MARGIN, 0, 0, 0
        left = MARGIN + column * (WIDTH + GAP_ACROSS)
        at = (left, top + row * (_cell_height() + GAP_DOWN))
        _cell(pdf, at, file, parcel, pictures[file.frame], letters)
        place += 1
    return bytes(pdf.output())


def _texts(parcel: Parcel) -> Iterator[str]:
    """All that people wrote and the sheet sets, and what it says itself."""
    yield from (parcel.title, parcel.name, parcel.client, parcel.sender, "…")
    for file in parcel.files:
        yield from (file.file, file.frame)
    yield from (*parcel.texts.values(), *parcel.colours.values())


def _head(pdf: FPDF, parcel: Parcel, letters: Letters) -> float:
    """What the sheet is about; how far down it reaches."""

    def line(text: str, size: float, shade: int, *, bold: bool = False) -> None:
        _type(pdf, size, shade, bold=bold)
        pdf.set_x(MARGIN)
        shown = _cut(pdf, letters.text(text), PAGE[0] - 2 * MARGIN)
        pdf.cell(0, LINE * size, shown, new_x="LMARGIN", new_y="NEXT")

    total = sum(file.size_bytes for file in parcel.files)
    line("Proof sheet", TITLE, INK, bold=True)
    pdf.ln(1)
    line(parcel.title, TEXT + 2.5, INK)
    pdf.ln(1)
    people = f"For {parcel.client}" + (f", from {parcel.sender}" if parcel.sender else "")
    line(people, TEXT, PALE)
    count = f"{len(parcel.files)} picture" + ("" if len(parcel.files) == 1 else "s")
    facts = f"{parcel.name}, packed {parcel.at[:10]}: {count}, {size_in_words(total)}"
    if parcel.previous:
        facts += f"; since {parcel.previous.name}: {counted_changes(parcel.changes)}"
    line(facts, TEXT, PALE)
    below = float(pdf.get_y()) + 2.5
    pdf.set_draw_color(RULE)
    pdf.set_line_width(0.2)
    pdf.line(MARGIN, below, PAGE[0] - MARGIN, below)
    return below + GAP_DOWN


def _cell_height() -> float:
    return PICTURE_HEIGHT + 2 + LINE * (TEXT + (2 + TEXT_LINES) * SMALL)


def _cell(
    pdf: FPDF,
    at: tuple[float, float],
    file: PackedFile,
    parcel: Parcel,
    jpeg: bytes,
    letters: Letters,
) -> None:
    """A picture, and below it what it is."""
    left, top = at
    scale = min(WIDTH / file.width, PICTURE_HEIGHT / file.height)
    width, height = file.width * scale, file.height * scale
    name = letters.text(file.file)
    # to the left, and down to the line of its name
    pdf.image(io.BytesIO(jpeg), left, top + PICTURE_HEIGHT - height, width, height, alt_text=name)
    pdf.set_xy(left, top + PICTURE_HEIGHT + 2)
    _type(pdf, TEXT, INK, bold=True)
    pdf.cell(WIDTH, LINE * TEXT, _cut_inside(pdf, name, WIDTH), new_x="LEFT", new_y="NEXT")
    _type(pdf, SMALL, PALE)
    facts = (
        f"frame {file.frame}, v{file.version}",
        f"{file.width} × {file.height} pixels, {size_in_words(file.size_bytes)}",
    )
    lines = [_cut(pdf, letters.text(fact), WIDTH) for fact in facts]
    colours = _lines(pdf, letters.text(parcel.colours.get(file.frame, "")), COLOUR_LINES)
    said = letters.text(parcel.texts.get(file.frame, ""))
    for line in (*lines, *colours):
        pdf.cell(WIDTH, LINE * SMALL, line, new_x="LEFT", new_y="NEXT")
    _type(pdf, SMALL, INK)
    for line in _lines(pdf, said, TEXT_LINES - len(colours)):
        pdf.cell(WIDTH, LINE * SMALL, line, new_x="LEFT", new_y="NEXT")


def _lines(pdf: FPDF, text: str, most: int) -> list[str]:
    """A text in lines of the cell's width, its end left out where there are more."""
    if not text:
        return []
    lines = pdf.multi_cell(WIDTH, LINE * SMALL, text, align="L", dry_run=True, output="LINES")
    if len(lines) <= most:
        return list(lines)
    return [*lines[: most - 1], _cut(pdf, f"{lines[most - 1]} …", WIDTH)]


def _cut(pdf: FPDF, text: str, width: float) -> str:
    """A line that fits, its end left out where it is too long."""
    if pdf.get_string_width(text) <= width:
        return text
    while text and pdf.get_string_width(f"{text}…") > width:
        text = text[:-1]
    return f"{text.rstrip()}…"


def _cut_inside(pdf: FPDF, text: str, width: float) -> str:
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


def _type(pdf: FPDF, size: float, shade: int, *, bold: bool = False) -> None:
    pdf.set_font(FAMILY, "B" if bold else "", size)
    pdf.set_text_color(shade)


def _document(title: str) -> FPDF:
    """An empty document that writes its title and the number of each page below it."""
    from fpdf import FPDF

    class Document(FPDF):  # type: ignore[misc]
        def footer(self) -> None:
            _type(self, SMALL, PALE)
            self.set_xy(MARGIN, PAGE[1] - FOOT)
            number = f"page {self.page_no()} of {{nb}}"
            self.cell(0, 4, number, align="R")
            self.set_xy(MARGIN, PAGE[1] - FOOT)
            self.cell(0, 4, _cut(self, title, self.epw - 30))

    return Document(format=PAGE)
