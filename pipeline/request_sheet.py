"""The sheet that goes with a round: what is asked of the retoucher, as plain text and as PDF.

Whoever gets the folder by mail knows nothing else: what is in it, what to do, how to return it.
Both say the same. Opens nothing but typefaces.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.kernels.spaces import SPACES
from pipeline.moments import day_of
from pipeline.paper import A4, INK, PALE, document, draw_rule, set_type
from pipeline.records import Request
from pipeline.rounds import SheetFrame, SheetWork
from pipeline.typefaces import Letters

if TYPE_CHECKING:
    from fpdf import FPDF

COLUMNS = 78
"""Of the plain text."""
MUST = "must be done"
NO_REQUESTS = "Nothing in particular is asked for: retouch it as agreed."
WITHOUT_LETTERS = (
    "In square brackets stand characters that the typefaces of this sheet lack; requests.txt has "
    "them as they were written."
)


def _title(work: SheetWork) -> str:
    return f"Retouch requests: {work.job_name}, round {work.round.number}"


def _facts(work: SheetWork) -> list[tuple[str, str]]:
    """What the round is, by label."""
    count = len(work.frames)
    dues = {frame.due for frame in work.frames}
    due = next(iter(dues)) if len(dues) == 1 else "see each frame"
    facts = {
        "Job": work.job_name,
        "Client": work.client,
        "Round": str(work.round.number),
        "From": work.sender,
        "To": work.round.to,
        "Date": day_of(work.round.at),
        "Due": due or "no day was set",
        "Frames": f"{count}: {_frame_names(work)}",
    }
    return [(label, value) for label, value in facts.items() if value]


def _frame_names(work: SheetWork, most: int = 12) -> str:
    names = [frame.packed.frame for frame in work.frames]
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 1])} and {len(names) - most + 1} more"


def _rules(work: SheetWork) -> list[str]:
    """How to return the files."""
    space = SPACES[work.space].title
    rules = [
        "Return one TIFF for each frame, under the name that it has here, all in one folder. "
        "Nothing else has to come back.",
        "Keep its size in pixels: no cropping, turning, scaling or straightening.",
        f"Keep 16 bits for each channel and the embedded ICC profile, {space}; do not convert it.",
        "Return it flattened, without extra layers, pages or alpha channels, and keep your layered "
        "file. Compression must be lossless.",
        "Keep the metadata if you can: they say which frame, round and version the file is.",
        "Change what is asked for and leave the rest as it is: what comes back is compared with "
        "what was sent, pixel by pixel.",
        "The reference shows the finished look. The finish is done after your work: do not add it.",
    ]
    if any(request.must for frame in work.frames for request in frame.requests):
        rules.append(f"Where “{MUST}” stands, the frame is not complete without it.")
    return [
        *rules,
        "If something cannot be done, or is better left alone, say so when you return the files.",
        "A reminder: the pictures are entrusted to you for this work. Ask before you show them or "
        "pass them on.",
    ]


def _contents() -> list[tuple[str, str]]:
    """What lies in the folder: names, and what they are."""
    return [
        ("NAME.tif", "the picture to work on"),
        ("NAME_reference.jpg", "the finished look, to compare with; not to work on"),
        ("NAME_requests.jpg", "the requests that have a place, outlined and numbered"),
        ("NAME_mask-1.png", "the place of request 1, white, at the size of the TIFF"),
        ("requests.pdf, requests.txt", "this sheet, twice"),
        ("SHA256SUMS", "checksums; “sha256sum -c SHA256SUMS” tells whether all arrived whole"),
    ]


def _file(frame: SheetFrame) -> str:
    return Path(frame.packed.sent.path).name


def _frame_facts(work: SheetWork, frame: SheetFrame) -> list[tuple[str, str]]:
    packed = frame.packed
    return [
        ("File", _file(frame)),
        ("Version", str(frame.version)),
        ("Size", f"{packed.width} × {packed.height} pixels"),
        ("Colour", f"{SPACES[work.space].title}, 16 bits"),
        ("Due", frame.due or "no day was set"),
    ]


def _details(frame: SheetFrame, request: Request) -> list[str]:
    """What stands below a request: where, and who asks."""
    mask = frame.packed.masks.get(request.number)
    details = [f"its place: {Path(mask.path).name}"] if mask else []
    return [*details, f"asked by {request.by}"] if request.by else details


# --- plain text ---


def as_text(work: SheetWork) -> str:
    """The sheet in UTF-8's characters and line feeds, at most ``COLUMNS`` wide where it can be."""
    return "\n".join(_lines(work)) + "\n"


def _lines(work: SheetWork) -> Iterator[str]:
    title = _title(work)
    yield from (title, "=" * len(title), "")
    yield from _labelled(_facts(work))
    yield from _headed("Returning the files")
    for rule in _rules(work):
        yield from _hanging("- ", rule)
    yield from _headed("What is in this folder")
    yield from _labelled(_contents())
    for number, frame in enumerate(work.frames, 1):
        yield from _headed(f"{number}. {frame.packed.frame}")
        yield from _labelled(_frame_facts(work, frame))
        yield ""
        if not frame.requests:
            yield NO_REQUESTS
        for request in frame.requests:
            said = f"{request.what} ({MUST})" if request.must else request.what
            yield from _hanging(f"{request.number:>3}. ", said)
            for detail in _details(frame, request):
                yield from _hanging("     ", detail)


def _headed(text: str) -> Iterator[str]:
    yield from ("", text, "-" * len(text), "")


def _labelled(rows: Sequence[tuple[str, str]]) -> Iterator[str]:
    width = max(len(label) for label, _ in rows) + 2
    for label, value in rows:
        yield from _hanging(f"{label}:".ljust(width + 1), value)


def _hanging(head: str, text: str) -> list[str]:
    below = " " * len(head)
    return textwrap.wrap(
        text,
        COLUMNS,
        initial_indent=head,
        subsequent_indent=below,
        break_long_words=False,
        break_on_hyphens=False,
    )


# --- PDF ---

MARGIN, FOOT = 18.0, 16.0
"""Millimetres; so is what follows, except for sizes of type, in points."""
PICTURE_WIDTH, PICTURE_HEIGHT = 108.0, 84.0
PICTURE_PX = 960
PICTURE_QUALITY = 85
GAP = 6.0
LABEL = 18.0
TEXT, SMALL, HEAD, TITLE = 10.0, 8.5, 13.0, 21.0
LINE = 0.48
"""Line height in millimetres for each point of type."""


def as_pdf(work: SheetWork, pictures: Mapping[str, bytes]) -> bytes:
    """The sheet on A4 pages; ``pictures`` are JPEGs by frame. Equal arguments give equal bytes."""
    page = _Page(work)
    page.cover()
    for number, frame in enumerate(work.frames, 1):
        page.frame(number, frame, pictures[frame.packed.frame])
    return page.finished()


class _Page:
    """Sets the sheet page by page."""

    def __init__(self, work: SheetWork) -> None:
        self.work = work
        self.letters = Letters.for_texts(_texts(work))
        title = self.letters.text(_title(work))
        self.pdf: FPDF = document(title, A4, margin=MARGIN, foot=FOOT, size=SMALL)
        pdf = self.pdf
        pdf.set_creation_date(datetime.fromisoformat(work.round.at))
        self.letters.give_to(pdf)
        pdf.set_auto_page_break(True, MARGIN + FOOT / 2)
        pdf.add_page()

    def finished(self) -> bytes:
        return bytes(self.pdf.output())

    def cover(self) -> None:
        work, pdf = self.work, self.pdf
        self._text("Retouch requests", TITLE, bold=True)
        self._text(f"{work.job_name}, round {work.round.number}", HEAD, shade=PALE)
        pdf.ln(GAP / 2)
        self._labelled(_facts(work), LABEL)
        self._head("Returning the files")
        for number, rule in enumerate(_rules(work), 1):
            self._hanging(f"{number}", rule, 6.0)
        self._head("What is in this folder")
        self._text("NAME stands for the name of a frame's file.", SMALL, shade=PALE)
        self._labelled(_contents(), 46.0)
        if self.letters.spells:
            pdf.ln(GAP)
            self._text(WITHOUT_LETTERS, SMALL, shade=PALE)
        pdf.add_page()

    def frame(self, number: int, frame: SheetFrame, jpeg: bytes) -> None:
        """A frame's picture with its facts beside it, and its requests below.

        They are not torn apart before the first request is set.
        """
        pdf = self.pdf
        picture, width, height = _thumbnail(jpeg)
        first = frame.requests[0].what if frame.requests else NO_REQUESTS
        needed = LINE * HEAD + GAP + height + GAP + LINE * TEXT * (2 + len(first) // 90)
        if pdf.will_page_break(min(needed, pdf.eph / 2)):
            pdf.add_page()
        elif pdf.get_y() > MARGIN + 1:
            pdf.ln(GAP)
        self._head(f"{number}   {frame.packed.frame}", gap=0.0)
        top = pdf.get_y()
        pdf.image(io.BytesIO(picture), MARGIN, top, width, height, alt_text=frame.packed.frame)
        pdf.set_left_margin(MARGIN + width + GAP)
        pdf.set_y(top)
        for label, value in _frame_facts(self.work, frame):
            self._text(label, SMALL, shade=PALE)
            self._text(value, TEXT, wrap="CHAR" if label == "File" else "WORD")
            pdf.ln(1.2)
        below = max(pdf.get_y(), top + height) + GAP / 2
        pdf.set_left_margin(MARGIN)
        pdf.set_y(below)
        if not frame.requests:
            self._text(NO_REQUESTS, TEXT)
        for request in frame.requests:
            self._hanging(f"{request.number}", request.what, 8.0, bold=MUST if request.must else "")
            if details := _details(frame, request):
                self._hanging("", "; ".join(details), 8.0, size=SMALL, shade=PALE)
            pdf.ln(1.2)

    def _head(self, text: str, gap: float = GAP) -> None:
        pdf = self.pdf
        pdf.ln(gap)
        if pdf.will_page_break(4 * LINE * TEXT):
            pdf.add_page()
        self._text(text, HEAD, bold=True)
        draw_rule(pdf, pdf.get_y() + 0.6)
        pdf.ln(2.6)

    def _labelled(self, rows: Sequence[tuple[str, str]], width: float) -> None:
        for label, value in rows:
            self._hanging(label, value, width, label_shade=PALE)

    def _hanging(
        self,
        head: str,
        text: str,
        width: float,
        *,
        size: float = TEXT,
        shade: int = INK,
        label_shade: int = INK,
        bold: str = "",
    ) -> None:
        """A text that hangs ``width`` to the right of its head; ``bold`` is set behind it."""
        pdf = self.pdf
        if pdf.will_page_break(LINE * size):
            pdf.add_page()
        set_type(self.pdf, size, label_shade, bold=label_shade == INK)
        top, on = pdf.get_y(), pdf.page
        pdf.cell(width, LINE * size, self.letters.text(head))
        pdf.set_left_margin(MARGIN + width)
        pdf.set_xy(MARGIN + width, top)
        self._text(text, size, shade=shade)
        if bold:
            self._text(bold, size, bold=True)
        pdf.set_left_margin(MARGIN)
        pdf.set_x(MARGIN)
        assert pdf.page >= on

    def _text(
        self, text: str, size: float, *, bold: bool = False, shade: int = INK, wrap: str = "WORD"
    ) -> None:
        set_type(self.pdf, size, shade, bold=bold)
        self.pdf.multi_cell(
            0,
            LINE * size,
            self.letters.text(text),
            align="L",
            new_x="LMARGIN",
            new_y="NEXT",
            wrapmode=wrap,
        )


def _thumbnail(jpeg: bytes) -> tuple[bytes, float, float]:
    """A small JPEG, and its width and height on the page in millimetres."""
    from PIL import Image

    with Image.open(io.BytesIO(jpeg)) as picture:
        width, height = picture.size
        scale = min(PICTURE_WIDTH / width, PICTURE_HEIGHT / height)
        shrink = min(1.0, PICTURE_PX * scale / PICTURE_WIDTH)
        size = max(1, round(width * shrink)), max(1, round(height * shrink))
        small = io.BytesIO()
        reduced = picture.convert("RGB").resize(size, Image.Resampling.LANCZOS)
        reduced.save(small, "JPEG", quality=PICTURE_QUALITY, subsampling=0)
    return small.getvalue(), width * scale, height * scale


def _texts(work: SheetWork) -> Iterator[str]:
    """All that people wrote and the sheet sets."""
    yield from (value for _, value in _facts(work))
    for frame in work.frames:
        yield from (value for _, value in _frame_facts(work, frame))
        yield frame.packed.frame
        for request in frame.requests:
            yield request.what
            yield from _details(frame, request)
