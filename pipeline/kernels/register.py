"""Whether two pictures of the same thing lie on each other: by how much one is shifted, stretched
or turned against the other, from the phases of their spectra. Knows arrays only.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16]
Grey = NDArray[np.float32]

SIDE_PX = 256
"""Of the windows that are compared, where the picture is large enough."""
ACROSS = 3
"""Windows in a row and in a column."""
STEPS = 50
"""Parts of a pixel in which a shift is looked for."""
STRUCTURE = 1e-3
"""Standard deviation, of a range of 1, below which a window is too even to say anything."""
ALIKE = 0.6
"""Correlation of two windows, laid on each other, above which they show the same. Ours."""


class Motion(NamedTuple):
    """How the second picture lies on the first.

    ``right`` and ``down`` in pixels; ``grown`` and ``turned`` in pixels at the picture's edge, from
    its middle. ``windows`` says from how many windows this is known; with none, the rest is 0.
    """

    right: float
    down: float
    grown: float
    turned: float
    windows: int

    @property
    def most(self) -> float:
        """The farthest that anything was moved, in pixels."""
        return float(np.hypot(self.right, self.down)) + abs(self.grown) + abs(self.turned)


def motion_between(first: Codes, second: Codes) -> Motion:
    """Of two pictures (h, w) in 16-bit codes, of one size.

    Windows spread over the picture are compared by phase correlation (Kuglin and Hines 1975) in
    parts of a pixel (Guizar-Sicairos, Thurman and Fienup 2008). Those that show something else
    say nothing; the median of the others is the shift, and their median slopes (Theil 1950, Sen
    1968) tell growth and turning, so that one place that was pulled about decides nothing.
    """
    height, width = first.shape
    side = min(SIDE_PX, height, width)
    found = []
    for top in np.unique(np.linspace(0, height - side, ACROSS).astype(int)):
        for left in np.unique(np.linspace(0, width - side, ACROSS).astype(int)):
            window = np.s_[top : top + side, left : left + side]
            shift = _shift(_grey(first[window]), _grey(second[window]))
            if shift is not None:
                middle = left + side / 2 - width / 2, top + side / 2 - height / 2
                found.append((*middle, *shift))
    if not found:
        return Motion(0.0, 0.0, 0.0, 0.0, 0)
    x, y, right, down = np.array(found).T
    reach = max(height, width) / 2
    grown = _even(_slope(x, right), _slope(y, down)) * reach
    turned = _even(_slope(x, down), -_slope(y, right)) * reach
    return Motion(float(np.median(right)), float(np.median(down)), grown, turned, len(found))


def _grey(codes: Codes) -> Grey:
    return codes.astype(np.float32) / np.float32(65535)


def _shift(first: Grey, second: Grey) -> tuple[float, float] | None:
    """Right and down in pixels; None where the windows are even or do not show the same."""
    if min(first.std(), second.std()) < STRUCTURE:
        return None
    if np.mean(first == second) > 0.5:
        return 0.0, 0.0
    side = first.shape[0]
    bell = np.outer(np.hanning(side), np.hanning(side))
    one, other = (np.fft.fft2((part - part.mean()) * bell) for part in (first, second))
    cross = other * one.conj()
    cross /= np.maximum(np.abs(cross), 1e-9 * np.abs(cross).max())
    # the finest detail is where noise and resampling live
    frequency = np.fft.fftfreq(side)
    cross *= np.hypot(*np.meshgrid(frequency, frequency)) < 0.35
    peaks = np.fft.ifft2(cross).real
    row, column = (int(at) for at in np.unravel_index(np.argmax(peaks), peaks.shape))
    down, right = (at - side if at > side // 2 else at for at in (row, column))
    near = np.arange(-STEPS, STEPS + 1) / STEPS
    rows = np.exp(2j * np.pi * np.outer(down + near, frequency))
    columns = np.exp(2j * np.pi * np.outer(frequency, right + near))
    fine = (rows @ cross @ columns).real
    row, column = (int(at) for at in np.unravel_index(np.argmax(fine), fine.shape))
    if _alike(first, second, round(right), round(down)) < ALIKE:
        return None
    return float(right + near[column]), float(down + near[row])


def _alike(first: Grey, second: Grey, right: int, down: int) -> float:
    """Their correlation where they overlap, the second moved back by whole pixels."""
    side = first.shape[0]
    if max(abs(right), abs(down)) > side // 2:
        return 0.0
    rows, columns = side - abs(down), side - abs(right)
    one = first[max(-down, 0) :][:rows, max(-right, 0) :][:, :columns]
    other = second[max(down, 0) :][:rows, max(right, 0) :][:, :columns]
    if min(one.std(), other.std()) < STRUCTURE:
        return 0.0
    return float(np.corrcoef(one.ravel(), other.ravel())[0, 1])


def _slope(at: NDArray[np.float64], value: NDArray[np.float64]) -> float:
    """The median of the slopes between all pairs that lie apart; 0 where none do."""
    one, other = np.triu_indices(len(at), 1)
    apart = at[one] != at[other]
    one, other = one[apart], other[apart]
    if not len(one):
        return 0.0
    return float(np.median((value[one] - value[other]) / (at[one] - at[other])))


def _even(first: float, second: float) -> float:
    """What two slopes say together: a picture that is made larger grows both ways."""
    return (first + second) / 2
