"""Measures one frame, in a worker: what ``safelight assess`` tells of it, as plain JSON values.

Reads the preview where there is one, and the values as recorded where they matter; nothing is
developed. What comes of it beside other frames, ``pipeline.suggest`` says.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from pipeline.files.glimpse import Glimpse

ASSESS_VERSION = 3
"""Raised whenever an operator gives other figures: then every frame is measured anew."""

Box = tuple[float, float, float, float]
"""Left, top, right and bottom edge, as shares of the upright frame."""
MIDDLE: Box = (0.25, 0.25, 0.75, 0.75)
SMALLEST = 0.1
"""Of each side, that is looked at around the subject at least."""
SMALL_PX = 880
"""Long side of the picture in which lines and charts are sought and that the fingerprint is taken
of."""
COLOURS = ("red", "green", "blue")


@dataclass(frozen=True, slots=True)
class AssessWork:
    """A frame to be measured; ``subject`` is where it matters, None for the middle."""

    original: Path
    original_digest: str
    subject: Box | None = None


def measure(work: AssessWork) -> dict[str, Any]:
    """The figures of a frame. Raises ``SafelightError`` with a sentence.

    ``chart``: whether it shows a 24-patch chart, or null where its colours could not be read;
    ``of``: what was looked at, and ``width_px`` and ``height_px`` of it; ``subject``: where;
    ``focus``: energies there (``kernels.blur.Focus``); ``motion``: ``length_px`` of the frame at
    full size and ``angle_deg``, counterclockwise from level, or null; ``tilt_deg``: by how much the
    horizon falls to the right, or null; ``fingerprint``: 16 hex digits; ``stops``: the median of
    green below white; ``clipped`` and ``blocked``: for each colour the shares of the frame, by its
    thirds from the top and from the left; these three are null where no samples could be read.
    """
    import numpy as np

    from pipeline.files.glimpse import glimpse
    from pipeline.kernels.blur import focus, motion
    from pipeline.kernels.fingerprint import fingerprint
    from pipeline.kernels.horizon import tilt

    seen = glimpse(work.original, work.original_digest)
    part, small = (
        np.asarray(picture, np.float32) / np.float32(seen.white)
        for picture in (_inside(seen.grey, work.subject or MIDDLE), _reduced(seen.grey, SMALL_PX))
    )
    moved = motion(part)
    level = tilt(small)
    full = seen.width / seen.grey.shape[1]
    return {
        "chart": _shows_chart(seen, small),
        "of": seen.of,
        "width_px": int(seen.grey.shape[1]),
        "height_px": int(seen.grey.shape[0]),
        "subject": list(work.subject) if work.subject else None,
        "focus": {name: float(f"{value:.6g}") for name, value in focus(part)._asdict().items()},
        "motion": moved
        and {
            "length_px": round(moved.length_px * full, 1),
            "angle_deg": round(moved.angle_deg, 1),
        },
        "tilt_deg": None if level is None else round(level, 2),
        "fingerprint": np.packbits(fingerprint(small)).tobytes().hex(),
        **_levels(seen),
    }


def _inside(grey: NDArray[Any], box: Box) -> NDArray[Any]:
    """The part of a picture in a box that is not smaller than can be looked at."""
    height, width = grey.shape
    (left, right), (top, bottom) = (_widened(box[0], box[2]), _widened(box[1], box[3]))
    return grey[
        int(top * height) : max(round(bottom * height), int(top * height) + 1),
        int(left * width) : max(round(right * width), int(left * width) + 1),
    ]


def _widened(start: float, stop: float) -> tuple[float, float]:
    start, stop = min(max(start, 0.0), 1.0), min(max(stop, 0.0), 1.0)
    start = min(start, max((start + stop - SMALLEST) / 2, 0.0), 1 - SMALLEST)
    return start, max(stop, start + SMALLEST)


def _reduced(grey: NDArray[Any], long_edge_px: int) -> NDArray[Any]:
    """No longer than that: by halves first, which are quick."""
    import cv2
    import numpy as np

    grey = np.ascontiguousarray(grey)
    while max(grey.shape) >= 2 * long_edge_px:
        half = max(1, grey.shape[1] // 2), max(1, grey.shape[0] // 2)
        grey = cv2.resize(grey, half, interpolation=cv2.INTER_AREA)
    by = min(1.0, long_edge_px / max(grey.shape))
    size = max(1, round(grey.shape[1] * by)), max(1, round(grey.shape[0] * by))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA))


def _shows_chart(seen: Glimpse, small: NDArray[np.float32]) -> bool | None:
    """Whether a chart is found; the colours are read only where squares make one likely."""
    from pipeline.kernels.patches import could_be_chart

    if seen.values is None:
        return None
    if not could_be_chart(small) or (colours := seen.colours()) is None:
        return False
    from pipeline.kernels.finding import Found, find_chart
    from pipeline.kernels.references import DEFAULT_EDITION, reference_xyz

    return isinstance(find_chart(colours, reference_xyz(DEFAULT_EDITION)), Found)


def _levels(seen: Glimpse) -> dict[str, Any]:
    import numpy as np

    from pipeline.files.glimpse import GREEN
    from pipeline.kernels.levels import levels, stops_of
    from pipeline.kernels.orient import upright

    if seen.values is None:
        return {"stops": None, "clipped": None, "blocked": None}
    values = seen.values
    found = levels(values.samples, values.colours, values.black, values.white)
    # an output space bends the light: there it is read through the profile
    stops = found.stops
    if seen.light is not None:
        stops = stops_of(float(np.median(seen.light[..., GREEN])))

    def thirds(shares: NDArray[np.float64]) -> dict[str, list[list[float]]]:
        return {
            name: np.round(upright(cells, seen.orientation), 5).tolist()
            for name, cells in zip(COLOURS, shares, strict=True)
        }

    return {
        "stops": round(stops, 3),
        "clipped": thirds(found.clipped),
        "blocked": thirds(found.blocked),
    }
