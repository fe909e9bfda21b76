"""How much of a frame is clipped or blocked, and how bright it is, in values as recorded.

Counted on a regular subset: of a quarter of a million places per colour, a share is known to a
fifth of a percentage point (twice the standard error of a binomial share of one half). Knows arrays
only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Float64 = NDArray[np.float64]

PLACES = 250_000
CLIPPED = 0.995
"""Of the range between black and white: saturated samples scatter a little. Ours, no source."""
BLOCKED = 2.0**-10
"""Of that range: ten stops below white there is no more than noise. Ours, no source."""
DARKEST_STOPS = -16.0
COLOURS = 3


@dataclass(frozen=True, slots=True)
class Levels:
    """``clipped`` and ``blocked``, (3, 3, 3): for red, green and blue the shares of the frame, by
    thirds from the top and from the left of the stored picture.

    ``stops`` is the median of green below white, 0 at white.
    """

    clipped: Float64
    blocked: Float64
    stops: float


def levels(
    samples: NDArray[Any], colours: NDArray[np.uint8] | None, black: Float64, white: float
) -> Levels:
    """Of a mosaic (h, w) whose pattern of ``colours`` and ``black`` repeats, or of (h, w, 3)."""
    clipped, blocked = np.zeros((2, COLOURS, 3, 3))
    counts = np.zeros(COLOURS)
    middle = None
    for colour, part, floor, start, step in _planes(samples, colours, black):
        span = white - floor
        rows, columns = (
            np.searchsorted((start[axis] + step * np.arange(part.shape[axis])) * 3,
                            samples.shape[axis] * np.arange(4))
            for axis in (0, 1)
        )  # fmt: skip
        high, low = part >= floor + CLIPPED * span, part <= floor + BLOCKED * span
        for i in range(3):
            for j in range(3):
                cell = slice(rows[i], rows[i + 1]), slice(columns[j], columns[j + 1])
                clipped[colour, i, j] += np.count_nonzero(high[cell])
                blocked[colour, i, j] += np.count_nonzero(low[cell])
        counts[colour] += part.size
        if colour == 1 and middle is None:  # one of the greens tells it well enough
            middle = (float(np.median(part)) - floor) / span
    shares = np.maximum(counts, 1)[:, None, None]
    return Levels(clipped / shares, blocked / shares, stops_of(middle or 0.0))


def stops_of(light: float) -> float:
    """Of a share of white, below it."""
    return max(float(np.log2(light)), DARKEST_STOPS) if light > 0 else DARKEST_STOPS


def _planes(
    samples: NDArray[Any], colours: NDArray[np.uint8] | None, black: Float64
) -> Iterator[tuple[int, NDArray[Any], float, tuple[int, int], int]]:
    """Subsets of one colour: which, the samples, black, the first one's place, and the step."""
    height, width = samples.shape[:2]
    period = 1 if colours is None else len(colours)
    # of each colour, as often as its places repeat in the pattern
    repeats = 1 if colours is None else np.bincount(colours.ravel()).min()
    places = height * width / period**2
    step = period * max(1, int((places * repeats / PLACES) ** 0.5))
    if colours is None:
        for colour in range(COLOURS):
            yield colour, samples[::step, ::step, colour].copy(), float(black), (0, 0), step
        return
    for (i, j), code in np.ndenumerate(colours):
        yield int(code), samples[i::step, j::step].copy(), float(black[i, j]), (i, j), step
