"""The demo shoot: raws of a product shoot whose truth is known, rendered from measured spectra.

Enamel lamps on a quay, three setups, about 40 frames. Nothing here is imported by the pipeline; it
must not know it either.

``DIR/card/QL0001.dng ...`` are the raws. ``DIR/truth/QL0001.npz`` holds ``parts``: uint8
(height, width), upright, the number of the part seen at each pixel. ``DIR/truth/truth.json``:

``size`` (stored height, width), ``sensor`` (black, white, noise, fall-off), ``dust`` (x, y and
radius in stored widths, from the upper left), ``wavelengths_nm``;
``surfaces``: name -> ``reflectance`` at those wavelengths, ``lab_d50`` (2 degree observer);
``products``: lamp -> its ``surface`` and the number of its shade's ``part``;
``parts``: number -> ``object``, ``part``, ``surface``;
``setups``: name -> ``illuminant`` (shares of CIE illuminants), its ``xy``, ``as_shot_neutral``,
``exposure`` (share of the sensor's range that a perfect diffuser at illumination 1 fills in green),
``camera_rgb`` and ``xyz`` of every surface under it (a perfect diffuser has green 1 and Y 1);
``frames``: name -> ``setup``, ``layout``, ``role``, ``time``, ``orientation`` (Exif), upright
``height`` and ``width``, ``xy``, ``exposure``, ``stops`` of deliberate error, ``exposure_s``,
``iso``, ``parts`` (number -> pixels), ``objects``, ``products``: lamp -> an ``ellipse`` well inside
its shade (``centre`` and ``radii`` as shares of upright width and height). A chart frame has
``chart``: ``corners`` and, for each patch, ``name``, ``corners`` (x right, y down, upright pixels,
clockwise from the upper left) and ``illumination`` in its middle. A burst frame has ``burst``:
``place`` and how blurred it is (``blur_px`` is smallest for the sharpest frame).

A matt surface's raw value is ``black + exposure * illumination * camera_rgb * fall-off * (white -
black)``, the fall-off 1 in the middle of the stored picture and ``corner_stops`` lower in a corner:
``1 / (1 + k * r**2) ** 2``, r from 0 to 1, ``k = 2 ** (corner_stops / 2) - 1``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path


def make_shoot(
    directory: Path,
    megapixels: float = 6.0,
    progress: Callable[[int, int], None] | None = None,
    frames: Sequence[str] | None = None,
) -> None:
    """Write the card and its truth under ``directory``.

    ``frames`` limits it to some of them, by name. ``progress`` is called with the number of frames
    done and in all. Same arguments, same bytes.
    """
    from .card import make_card

    make_card(Path(directory), megapixels, progress, frames)
