"""Lays pictures with captions on one sheet. Knows nothing of what they show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

PAPER, INK, PALE_INK = (244, 243, 240), (34, 34, 34), (104, 104, 102)
MARGIN_PX, GAP_PX = 36, 28
TITLE_PX, NAME_PX, TEXT_PX = 26, 21, 16
LINE = 1.4
"""Line height over the height of the letters."""


class Panel(NamedTuple):
    """A picture, (h, w, 3) uint8, with a name and lines of text below."""

    picture: NDArray[np.uint8]
    name: str
    lines: Sequence[str]


def sheet(title: str, panels: Sequence[Panel], foot: str = "") -> NDArray[np.uint8]:
    """One picture of all panels, row by row; their pictures are of one size."""
    from PIL import Image, ImageDraw, ImageFont

    def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
        return ImageFont.load_default(size)

    height, width = panels[0].picture.shape[:2]
    columns = math.ceil(math.sqrt(len(panels)))
    rows = math.ceil(len(panels) / columns)
    most_lines = max(len(panel.lines) for panel in panels)
    caption = round(LINE * (NAME_PX + TEXT_PX * most_lines)) + 12
    head = round(LINE * TITLE_PX) + 20
    page_width = 2 * MARGIN_PX + columns * width + (columns - 1) * GAP_PX
    page_height = 2 * MARGIN_PX + head + rows * (height + caption) + (rows - 1) * GAP_PX
    page_height += round(LINE * TEXT_PX) + GAP_PX if foot else 0
    page = Image.new("RGB", (page_width, page_height), PAPER)
    draw = ImageDraw.Draw(page)
    draw.text((MARGIN_PX, MARGIN_PX), title, INK, font(TITLE_PX))
    for index, panel in enumerate(panels):
        row, column = divmod(index, columns)
        left = MARGIN_PX + column * (width + GAP_PX)
        top = MARGIN_PX + head + row * (height + caption + GAP_PX)
        page.paste(Image.fromarray(panel.picture), (left, top))
        top += height + 10
        for text, size, ink in (
            (panel.name, NAME_PX, INK),
            *((line, TEXT_PX, PALE_INK) for line in panel.lines),
        ):
            letters, shown = font(size), text
            while shown and draw.textlength(shown, letters) > width:
                shown = f"{shown.rstrip('…')[:-1]}…"
            draw.text((left, top), shown, ink, letters)
            top += round(LINE * size)
    if foot:
        below = page_height - MARGIN_PX - round(LINE * TEXT_PX)
        draw.text((MARGIN_PX, below), foot, PALE_INK, font(TEXT_PX))
    return np.asarray(page)
