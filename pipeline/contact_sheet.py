"""The contact sheet of a shoot: every frame small, in order of capture, with what is known of it.

Frames stand in groups, one a setup; those of one burst stand on a ground of their own. All is in
words and figures. Opens nothing but typefaces.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import TYPE_CHECKING

from pipeline.paper import (
    FOOT,
    INK,
    LINE,
    MARGIN,
    PAGE,
    PALE,
    RULE,
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
from pipeline.typefaces import Letters

if TYPE_CHECKING:
    from fpdf import FPDF

COLUMNS = 4
GAP_ACROSS, GAP_DOWN = 5.0, 5.5
"""Millimetres; so is what follows, except for sizes of type, in points."""
WIDTH = (PAGE[0] - 2 * MARGIN - (COLUMNS - 1) * GAP_ACROSS) / COLUMNS
PICTURE_HEIGHT = 29.0
HEADING, FINE = 10.5, 7.0
NAME_LINES, REMARK_LINES, REASON_LINES = 2, 3, 6
BOTTOM = PAGE[1] - FOOT - 4.0
GROUND = 238
"""Shade behind the frames of a burst: it stays pale in print and holds every text that is on it."""
AROUND = 1.8
"""How far the ground reaches beyond a frame."""
BEYOND = MARGIN / 2
"""How far it reaches into the margin where the burst goes on in the next row."""


@dataclass(frozen=True, slots=True)
class Print:
    """One frame on the sheet.

    ``name`` is the frame's, ``facts`` are lines of what is known of it, the rating in the first;
    ``remark`` is what an assessment suggests and why. ``burst`` is the burst that it is of.
    """

    name: str
    facts: tuple[str, ...]
    remark: str = ""
    burst: str | None = None


@dataclass(frozen=True, slots=True)
class Group:
    """Frames that stand under one heading, in order of capture; ``facts`` is set behind it."""

    heading: str
    facts: str
    prints: tuple[Print, ...]


@dataclass(frozen=True, slots=True)
class Contact:
    """All that a contact sheet says. ``days`` is when it was shot, ``at`` when it was made."""

    job: str
    client: str
    sender: str
    days: str
    at: str
    groups: tuple[Group, ...]

    @property
    def title(self) -> str:
        """What stands below every page."""
        return ", ".join(part for part in (self.job, self.client, self.days) if part)

    @property
    def facts(self) -> str:
        """How much there is of it, and when it was shot."""
        count = sum(len(group.prints) for group in self.groups)
        counts = f"{count} frame" + ("" if count == 1 else "s")
        return f"{counts}, {self.days}" if self.days else counts


def as_pdf(contact: Contact, pictures: Mapping[str, bytes], reasons: Mapping[str, str]) -> bytes:
    """The sheet. ``pictures`` are small JPEGs by frame, ``reasons`` why others have none.

    Equal arguments give equal bytes.
    """
    return _Sheet(contact, pictures, reasons).set()


def _texts(contact: Contact, reasons: Mapping[str, str]) -> Iterator[str]:
    """All that the sheet sets and people or cameras wrote."""
    yield from (contact.title, contact.sender, "…")
    yield from reasons.values()
    for group in contact.groups:
        yield from (group.heading, group.facts)
        for each in group.prints:
            yield from (each.name, *each.facts, each.remark)


@dataclass(frozen=True, slots=True)
class _Cell:
    """A frame as it is set: its picture or why there is none, and lines of text."""

    print: Print
    name: list[str]
    facts: list[str]
    remark: list[str]

    @property
    def height(self) -> float:
        """From the top of the picture to the foot of the last line."""
        lines = len(self.facts) + len(self.remark)
        return PICTURE_HEIGHT + 1.6 + LINE * (TEXT * len(self.name) + FINE * lines)


class _Sheet:
    """Sets the sheet row by row."""

    def __init__(
        self, contact: Contact, pictures: Mapping[str, bytes], reasons: Mapping[str, str]
    ) -> None:
        self.contact, self.pictures, self.reasons = contact, pictures, reasons
        self.letters = Letters.for_texts(_texts(contact, reasons))
        self.pdf: FPDF = document(self.letters.text(contact.title))
        self.pdf.set_title(self.letters.text(f"Contact sheet: {contact.job}"))
        self.pdf.set_creation_date(datetime.fromisoformat(contact.at))
        self.letters.give_to(self.pdf)
        self.pdf.set_auto_page_break(False)
        self.top = MARGIN

    def set(self) -> bytes:
        contact, letters = self.contact, self.letters
        self.pdf.add_page()
        about = (
            letters.text(contact.job),
            letters.text(for_whom(contact.client, contact.sender)),
        )
        self.top = head(self.pdf, "Contact sheet", about, letters.text(contact.facts)) + GAP_DOWN
        for group in contact.groups:
            self._group(group)
        return bytes(self.pdf.output())

    def _group(self, group: Group) -> None:
        """A heading that is never parted from the first row, and is repeated on further pages."""
        cells = [self._cell(each) for each in group.prints]
        rows = [cells[first : first + COLUMNS] for first in range(0, len(cells), COLUMNS)]
        heading = LINE * HEADING + 2.5
        for number, row in enumerate(rows):
            height = max(cell.height for cell in row)
            begins = number == 0
            if self.top + heading * begins + height > BOTTOM:
                self.pdf.add_page()
                self.top = MARGIN
                self._heading(group, "" if begins else "continued")
                self.top += heading
            elif begins:
                self._heading(group, "")
                self.top += heading
            before = rows[number - 1][-1].print.burst if number else None
            after = rows[number + 1][0].print.burst if number + 1 < len(rows) else None
            self._grounds(row, height, before, after)
            for column, cell in enumerate(row):
                self._frame(MARGIN + column * (WIDTH + GAP_ACROSS), cell)
            self.top += height + GAP_DOWN
        self.top += GAP_DOWN / 2

    def _heading(self, group: Group, more: str) -> None:
        pdf, letters = self.pdf, self.letters
        set_type(pdf, HEADING, INK, bold=True)
        name = cut(pdf, letters.text(group.heading), pdf.epw / 2)
        width = pdf.get_string_width(name) + 3
        pdf.set_xy(MARGIN, self.top)
        pdf.cell(width, LINE * HEADING, name)
        set_type(pdf, SMALL, PALE)
        facts = letters.text(more or group.facts)
        pdf.cell(0, LINE * HEADING + 0.5, cut(pdf, facts, pdf.epw - width))

    def _cell(self, each: Print) -> _Cell:
        pdf, letters = self.pdf, self.letters
        set_type(pdf, TEXT, INK, bold=True)
        name = letters.text(each.name)
        if pdf.get_string_width(name) > WIDTH:
            # two lines of it, less what breaking it between letters leaves free
            short = cut_inside(pdf, name, NAME_LINES * WIDTH - TEXT / 2)
            names = lines_of(pdf, short, WIDTH, NAME_LINES, wrap="CHAR")
        else:
            names = [name]
        set_type(pdf, FINE, INK)
        facts = [cut(pdf, letters.text(fact), WIDTH) for fact in each.facts]
        remark = lines_of(pdf, letters.text(each.remark), WIDTH, REMARK_LINES)
        return _Cell(each, names, facts, remark)

    def _grounds(
        self, row: Sequence[_Cell], height: float, before: str | None, after: str | None
    ) -> None:
        """A ground behind each burst; it runs into the margin where the burst goes on."""
        column = 0
        for burst, members in groupby(row, key=lambda cell: cell.print.burst):
            first, column = column, column + len(list(members))
            if burst is None:
                continue
            left = MARGIN + first * (WIDTH + GAP_ACROSS)
            right = MARGIN + column * (WIDTH + GAP_ACROSS) - GAP_ACROSS
            goes_on = column == len(row) and burst == after
            left -= BEYOND if first == 0 and burst == before else AROUND
            right += BEYOND if goes_on else AROUND
            self.pdf.set_fill_color(GROUND)
            tall = height + 2 * AROUND
            self.pdf.rect(left, self.top - AROUND, right - left, tall, style="F")

    def _frame(self, left: float, cell: _Cell) -> None:
        """A picture, and below it what is known of the frame."""
        pdf, top, name = self.pdf, self.top, cell.print.name
        jpeg = self.pictures.get(name)
        if jpeg is None:
            self._empty(left, self.reasons.get(name, ""))
        else:
            width, height = _size(jpeg)
            scale = min(WIDTH / width, PICTURE_HEIGHT / height)
            width, height = width * scale, height * scale
            at = top + PICTURE_HEIGHT - height
            text = self.letters.text(name)
            pdf.image(io.BytesIO(jpeg), left, at, width, height, alt_text=text)
        pdf.set_xy(left, top + PICTURE_HEIGHT + 1.6)
        set_type(pdf, TEXT, INK, bold=True)
        for line in cell.name:
            pdf.cell(WIDTH, LINE * TEXT, line, new_x="LEFT", new_y="NEXT")
        # what people decide by is darker than what the camera noted
        for lines, shade in ((cell.facts[:1], INK), (cell.facts[1:], PALE), (cell.remark, INK)):
            set_type(pdf, FINE, shade)
            for line in lines:
                pdf.cell(WIDTH, LINE * FINE, line, new_x="LEFT", new_y="NEXT")

    def _empty(self, left: float, reason: str) -> None:
        """A box in place of a picture, with the reason."""
        pdf, height = self.pdf, WIDTH * 2 / 3
        top = self.top + PICTURE_HEIGHT - height
        pdf.set_draw_color(RULE)
        pdf.set_line_width(0.2)
        pdf.rect(left, top, WIDTH, height)
        set_type(pdf, FINE, PALE)
        pdf.set_y(top + 2)
        for line in lines_of(pdf, self.letters.text(reason), WIDTH - 4, REASON_LINES):
            pdf.set_x(left + 2)
            pdf.cell(WIDTH - 4, LINE * FINE, line, new_y="NEXT")


def _size(jpeg: bytes) -> tuple[float, float]:
    from PIL import Image

    with Image.open(io.BytesIO(jpeg)) as picture:
        return picture.size
