"""Pages of a PDF that was made here as pictures: the same layout, drawn once."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.files.encode import png

PPI = 150
"""A page then fills a large screen, and its smallest type can be read on it; ours."""


def png_pages(pdf: bytes) -> Iterator[bytes]:
    """Each page as PNG, sRGB, one after the other, so that only one is held."""
    import pypdfium2

    with pypdfium2.PdfDocument(pdf) as document:
        for page in document:
            # PDF counts in 1/72 inch (ISO 32000-2, 8.3.2.3)
            drawn = page.render(scale=PPI / 72, rev_byteorder=True, prefer_bgrx=False)
            yield png(np.asarray(drawn.to_numpy())[..., :3])
            page.close()


def count_pages(pdf: bytes) -> int:
    """How many pages it has."""
    import pypdfium2

    with pypdfium2.PdfDocument(pdf) as document:
        return len(document)
