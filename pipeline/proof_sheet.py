"""The proof sheet that goes with a bag: every picture small, with its name, frame and version.

Opens nothing but typefaces.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import TYPE_CHECKING

from pipeline.moments import day_of
from pipeline.paper import (
    FOOT,
    INK,
    LINE,
    MARGIN,
    PAGE,
    PALE,
    SMALL,
    TEXT,
    cut,
    cut_inside,
    document,
    for_whom,
    head,
    lines_of,
    set_type,
)
from pipeline.parcel import Parcel, counted_changes, size_in_words
from pipeline.records import PackedFile
from pipeline.typefaces import Letters

if TYPE_CHECKING:
    from fpdf import FPDF

COLUMNS, ROWS = 3, 3
GAP_ACROSS, GAP_DOWN = 6.0, 6.0
"""Millimetres."""
PICTURE_HEIGHT = 40.0
TEXT_LINES, COLOUR_LINES = 3, 2
"""At most: of colours and of what a picture shows together, and of colours alone."""
WIDTH = (PAGE[0] - 2 * MARGIN - (COLUMNS - 1) * GAP_ACROSS) / COLUMNS


def as_pdf(parcel: Parcel, pictures: Mapping[str, bytes]) -> bytes:
    """The sheet; ``pictures`` are small JPEGs by frame. Equal arguments give equal bytes."""
    letters = Letters.for_texts(_texts(parcel))
    pdf = document(letters.text(f"{parcel.title}, {parcel.name}"))
    pdf.set_title(letters.text(f"Proof sheet: {parcel.title}"))
    pdf.set_creation_date(datetime.fromisoformat(parcel.at))
    letters.give_to(pdf)
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
    total = sum(file.size_bytes for file in parcel.files)
    count = f"{len(parcel.files)} picture" + ("" if len(parcel.files) == 1 else "s")
    facts = f"{parcel.name}, packed {day_of(parcel.at)}: {count}, {size_in_words(total)}"
    if parcel.previous:
        facts += f"; since {parcel.previous.name}: {counted_changes(parcel.changes)}"
    people = letters.text(for_whom(parcel.client, parcel.sender))
    about = letters.text(parcel.title), people
    return head(pdf, "Proof sheet", about, letters.text(facts)) + GAP_DOWN


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
    set_type(pdf, TEXT, INK, bold=True)
    pdf.cell(WIDTH, LINE * TEXT, cut_inside(pdf, name, WIDTH), new_x="LEFT", new_y="NEXT")
    set_type(pdf, SMALL, PALE)
    facts = (
        f"frame {file.frame}, v{file.version}",
        f"{file.width} × {file.height} pixels, {size_in_words(file.size_bytes)}",
    )
    lines = [cut(pdf, letters.text(fact), WIDTH) for fact in facts]
    colours = lines_of(pdf, letters.text(parcel.colours.get(file.frame, "")), WIDTH, COLOUR_LINES)
    said = letters.text(parcel.texts.get(file.frame, ""))
    for line in (*lines, *colours):
        pdf.cell(WIDTH, LINE * SMALL, line, new_x="LEFT", new_y="NEXT")
    set_type(pdf, SMALL, INK)
    for line in lines_of(pdf, said, WIDTH, TEXT_LINES - len(colours)):
        pdf.cell(WIDTH, LINE * SMALL, line, new_x="LEFT", new_y="NEXT")
