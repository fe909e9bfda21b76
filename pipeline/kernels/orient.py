"""Orientation: from the sensor's rows to an upright picture.

Exif 2.32, tag Orientation: 1 upright, 2 mirrored left to right, 3 turned by 180°, 4 mirrored top to
bottom, 5 mirrored and to be turned by 270° clockwise, 6 to be turned by 90° clockwise, 7 mirrored
and to be turned by 90° clockwise, 8 to be turned by 270° clockwise.
"""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

Picture = NDArray[Any]


def upright_shape(height: int, width: int, orientation: int) -> tuple[int, int]:
    """Height and width after turning; 5 to 8 swap them."""
    return (width, height) if orientation >= 5 else (height, width)


def upright(picture: Picture, orientation: int) -> Picture:
    """A view of a picture (height, width, ...) the right way up; ``ValueError`` beyond 1 to 8."""
    if not 1 <= orientation <= 8:
        raise ValueError(f"orientation {orientation} is not between 1 and 8")
    if orientation >= 5:
        picture = picture.swapaxes(0, 1)
    if orientation in (2, 3, 6, 7):
        picture = picture[:, ::-1]
    if orientation in (3, 4, 7, 8):
        picture = picture[::-1]
    return picture


def sensor_view(picture: Picture, orientation: int) -> Picture:
    """The inverse view: an upright picture seen in the sensor's rows and columns."""
    if orientation in (2, 3, 6, 7):
        picture = picture[:, ::-1]
    if orientation in (3, 4, 7, 8):
        picture = picture[::-1]
    if orientation >= 5:
        picture = picture.swapaxes(0, 1)
    return picture


def lay_upright(rows: Picture, top: int, orientation: int, picture: Picture) -> None:
    """Write sensor rows, from row ``top`` on, to their place in an upright picture.

    Turned pictures are written in square tiles, so that both sides stay in the cache.
    """
    target = sensor_view(picture, orientation)[top : top + rows.shape[0]]
    if orientation < 5:
        target[:] = rows
        return
    for left in range(0, rows.shape[1], 64):
        target[:, left : left + 64] = rows[:, left : left + 64]


Window = tuple[int, int, int, int]
"""Rows from and up to, columns from and up to."""


def upright_window(window: Window, height: int, width: int, orientation: int) -> Window:
    """Where a window of the sensor's ``height`` × ``width`` lies in the upright picture."""
    top, bottom, left, right = window
    if orientation >= 5:
        top, bottom, left, right = left, right, top, bottom
        height, width = width, height
    if orientation in (2, 3, 6, 7):
        left, right = width - right, width - left
    if orientation in (3, 4, 7, 8):
        top, bottom = height - bottom, height - top
    return top, bottom, left, right


def sensor_window(window: Window, height: int, width: int, orientation: int) -> Window:
    """The inverse: where a window of the upright picture lies on the sensor's own grid."""
    top, bottom, left, right = window
    if orientation >= 5:
        height, width = width, height
    if orientation in (2, 3, 6, 7):
        left, right = width - right, width - left
    if orientation in (3, 4, 7, 8):
        top, bottom = height - bottom, height - top
    if orientation >= 5:
        top, bottom, left, right = left, right, top, bottom
    return top, bottom, left, right
